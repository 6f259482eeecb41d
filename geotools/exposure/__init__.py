"""Score how exposed each lot is to rattlesnakes, say why and how surely, and test it against records."""

from geotools.exposure.factors import measure_factors
from geotools.exposure.measures import measure_contact, measure_distance
from geotools.exposure.movement import measure_movement
from geotools.exposure.ranking import rank_lots
from geotools.exposure.routes import draw_routes
from geotools.exposure.scenarios import compare_scenarios
from geotools.exposure.score import score_exposure
from geotools.exposure.uncertainty import rank_uncertainty
from geotools.exposure.validation import validate_exposure
from geotools.exposure.weights import weigh_factors
from geotools.vegetation import measure_cover

__all__ = [
    "compare_scenarios",
    "draw_routes",
    "measure_contact",
    "measure_cover",
    "measure_distance",
    "measure_factors",
    "measure_movement",
    "rank_lots",
    "rank_uncertainty",
    "score_exposure",
    "validate_exposure",
    "weigh_factors",
]
