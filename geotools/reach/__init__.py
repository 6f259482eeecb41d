"""Measure the three-dimensional reach from footholds, and what it asks of a barrier."""

from geotools.reach.envelope import local_height, reserve, setback, slope_height
from geotools.reach.footholds import find_conflicts, measure_setbacks
from geotools.reach.sizing import size_barrier

__all__ = [
    "find_conflicts",
    "local_height",
    "measure_setbacks",
    "reserve",
    "setback",
    "size_barrier",
    "slope_height",
]
