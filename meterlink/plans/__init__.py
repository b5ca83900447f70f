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
from meterlink.plans.typed_rating import implied_unit, parse_typed_rating

__all__ = [
    "DEFAULT_PLAN",
    "PLAN",
    "check_plan",
    "group_by_state",
    "implied_unit",
    "load_plan",
    "make_span",
    "parse_specification",
    "parse_typed_rating",
    "plan_schema",
    "read_plan_text",
    "shipped_plans",
]
