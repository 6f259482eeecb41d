"""Read a plan of steps, check it whole, run it and leave finished files."""

from geotools.pipeline.plan import Plan, StepRow, find_plan, list_plans, read_plan
from geotools.pipeline.run import run_plan
from geotools.pipeline.schedule import check_plan

__all__ = ["Plan", "StepRow", "check_plan", "find_plan", "list_plans", "read_plan", "run_plan"]
