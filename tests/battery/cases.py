"""The table of bad inputs: what is given, how the command ends, and what the user is told."""

from __future__ import annotations

from battery.file_cases import FILES
from battery.place_cases import PLACES
from battery.plan_cases import PLANS
from battery.raster_cases import RASTERS
from battery.shape_cases import SHAPES
from battery.value_cases import VALUES

CASES = (*FILES, *SHAPES, *VALUES, *PLACES, *RASTERS, *PLANS)
