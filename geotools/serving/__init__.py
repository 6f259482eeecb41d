"""Offer the installed steps and plans as processes of OGC API - Processes; needs the extra `serve`."""

from geotools.serving.config import Limits, make_config, write_config
from geotools.serving.offers import describe_offer, list_offers

__all__ = ["Limits", "describe_offer", "list_offers", "make_config", "write_config"]
