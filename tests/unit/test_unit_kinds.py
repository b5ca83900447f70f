"""The plan that the name of a unit proposes is one that ships."""

import pytest

from meterlink.core.unit_kinds import proposed_plan
from meterlink.plans import DEFAULT_PLAN, shipped_plans


@pytest.mark.parametrize(
    ("unit", "plan"),
    [
        ("Condenser 1", DEFAULT_PLAN),
        ("RTU 2", "rooftop-three-phase"),
        ("Roof 3", "rooftop-three-phase"),
        ("Walk-in cooler", "walk-in-cooler"),
        ("Heat pump, north side", "heat-pump"),
        ("Furnace", "gas-furnace"),
        ("AIR HANDLER", "air-handler-blower"),
        ("", DEFAULT_PLAN),
    ],
)
def test_a_name_proposes_a_shipped_plan(unit: str, plan: str) -> None:
    assert proposed_plan(unit) == plan
    assert plan in shipped_plans()
