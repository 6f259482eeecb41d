"""Test a community's rule and the thresholds of common codes against the plan of each lot."""

from geotools.standards.codes import flag_codes
from geotools.standards.judging import judge_rule
from geotools.standards.rule_file import Allowance, CommunityRule, GateRule, read_rule

__all__ = ["Allowance", "CommunityRule", "GateRule", "flag_codes", "judge_rule", "read_rule"]
