"""Measure the three-dimensional reach from footholds and ground, and what it asks of a barrier."""

from geotools.reach.envelope import local_height, reserve, setback, slope_height
from geotools.reach.footholds import find_conflicts, measure_setbacks
from geotools.reach.openings import rank_meshes
from geotools.reach.panels import mark_highest_panels, schedule_panels
from geotools.reach.population import draw_shares, list_design_animals, share_excluded
from geotools.reach.profile import profile_heights
from geotools.reach.remedies import price_remedies
from geotools.reach.sizing import size_barrier
from geotools.reach.terrain import measure_surface
from geotools.reach.walls import measure_walls

__all__ = [
    "draw_shares",
    "find_conflicts",
    "list_design_animals",
    "local_height",
    "mark_highest_panels",
    "measure_setbacks",
    "measure_surface",
    "measure_walls",
    "price_remedies",
    "profile_heights",
    "rank_meshes",
    "reserve",
    "schedule_panels",
    "setback",
    "share_excluded",
    "size_barrier",
    "slope_height",
]
