"""Plans: TOML files that list the test points of a visit, and the plans that ship with Meterlink.

``docs/plans.md`` describes the format: ``name = "…"``, one ``[[point]]`` table per test point, in the order of
measurement, and one ``[[derived]]`` table per derived point.
"""

from meterlink.plans.parser import (
    DEFAULT_PLAN,
    CheckedPlan,
    check_plan,
    group_by_state,
    load_plan,
    read_derived_points,
    read_plan_text,
    read_points,
    shipped_plans,
)
from meterlink.plans.specification import make_span, parse_specification
from meterlink.tomlfile.problems import Problem

__all__ = [
    "DEFAULT_PLAN",
    "CheckedPlan",
    "Problem",
    "check_plan",
    "group_by_state",
    "load_plan",
    "make_span",
    "parse_specification",
    "read_derived_points",
    "read_plan_text",
    "read_points",
    "shipped_plans",
]
