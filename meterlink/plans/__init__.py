"""Plans: TOML files that list the test points of a visit, and the ones that ship with Meterlink.

The format is described in ``docs/plans.md``: ``name = "…"``, one ``[[point]]`` table per test point, in the order
they are taken, and one ``[[derived]]`` table per judgement that is worked out of several of them.
"""

from meterlink.plans.parser import (
    DEFAULT_PLAN,
    CheckedPlan,
    Problem,
    check_plan,
    group_by_state,
    load_plan,
    read_derived_points,
    read_plan_text,
    read_points,
    shipped_plans,
)
from meterlink.plans.specification import make_span, parse_specification

__all__ = [
    "DEFAULT_PLAN",
    "CheckedPlan",
    "Problem",
    "group_by_state",
    "check_plan",
    "load_plan",
    "make_span",
    "parse_specification",
    "read_derived_points",
    "read_points",
    "read_plan_text",
    "shipped_plans",
]
