"""Plans: TOML files that list the test points of a visit, and the plans that ship with Meterlink.

``docs/plans.md`` describes the format: ``name = "…"``, one ``[[point]]`` table per test point, in the order of
measurement, and one ``[[derived]]`` table per derived point.
"""

from meterlink.plans.parser import (
    DEFAULT_PLAN,
    PLAN,
    check_plan,
    group_by_state,
    load_plan,
    plan_schema,
    read_plan_text,
    shipped_plans,
)
from meterlink.plans.specification import make_span, parse_specification

__all__ = [
    "DEFAULT_PLAN",
    "PLAN",
    "check_plan",
    "group_by_state",
    "load_plan",
    "make_span",
    "parse_specification",
    "plan_schema",
    "read_plan_text",
    "shipped_plans",
]
