"""Price a takeoff: a price list, exact money, and how far the total may go up or down."""

from geotools.pricing.bid import price_takeoff
from geotools.pricing.estimate import pert_mean, pert_quantile, pert_sd
from geotools.pricing.lots import price_lots
from geotools.pricing.money import allot_cents, to_cents
from geotools.pricing.price_list import Price, PriceList, read_price_list

__all__ = [
    "Price",
    "PriceList",
    "allot_cents",
    "pert_mean",
    "pert_quantile",
    "pert_sd",
    "price_lots",
    "price_takeoff",
    "read_price_list",
    "to_cents",
]
