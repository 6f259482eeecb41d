"""Separate lots from the habitat at least cost: the cheapest barrier, its frontier, its shares and its alternates."""

from geotools.separation.advice import advise_by_budget
from geotools.separation.alternates import compare_alternates
from geotools.separation.barrier import list_shared_lines, separate_lots
from geotools.separation.frontier import choose_lots, trace_frontier
from geotools.separation.ladder import list_budget_choices
from geotools.separation.shares import share_costs

__all__ = [
    "advise_by_budget",
    "choose_lots",
    "compare_alternates",
    "list_budget_choices",
    "list_shared_lines",
    "separate_lots",
    "share_costs",
    "trace_frontier",
]
