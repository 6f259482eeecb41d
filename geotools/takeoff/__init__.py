"""Take off what the barrier needs: mesh by cutting stock, posts, footings, trenches and everything beside them."""

from geotools.takeoff.cutting import CuttingPlan, cut_stock, fewest_rolls_bound, split_run
from geotools.takeoff.digging import SOILS, footing_concrete, footing_hole, soil_shares, trench_volume
from geotools.takeoff.listing import list_takeoff
from geotools.takeoff.materials import STOCK_WIDTHS_M, count_materials, grade_factor, roll_width
from geotools.takeoff.posts import POST_SPACING_M, PostCounts, classify_posts, count_posts

__all__ = [
    "POST_SPACING_M",
    "SOILS",
    "STOCK_WIDTHS_M",
    "CuttingPlan",
    "PostCounts",
    "classify_posts",
    "count_materials",
    "count_posts",
    "cut_stock",
    "fewest_rolls_bound",
    "footing_concrete",
    "footing_hole",
    "grade_factor",
    "list_takeoff",
    "roll_width",
    "soil_shares",
    "split_run",
    "trench_volume",
]
