"""Take field work back in: a survey before the plan is final, an inspection once the line is built."""

from geotools.inspection.as_built import join_as_built
from geotools.inspection.compare import compare_as_built
from geotools.inspection.punch import list_punch, walking_order
from geotools.inspection.survey import apply_foothold_survey, apply_gate_survey, apply_wall_survey

__all__ = [
    "apply_foothold_survey",
    "apply_gate_survey",
    "apply_wall_survey",
    "compare_as_built",
    "join_as_built",
    "list_punch",
    "walking_order",
]
