"""The cautions before touching terminals."""

import pytest

from meterlink.core.cautions import LOCAL_CODES, caution_at
from meterlink.core.equipment import CircuitState, PointKind, TestPoint
from meterlink.core.units import Quantity
from meterlink.plans import load_plan, shipped_plans


def section(key: str, terminals: tuple[str, str], component: str = "dual run capacitor") -> TestPoint:
    return TestPoint(
        key, "compressor", component, terminals, Quantity.CAPACITANCE, CircuitState.ISOLATED, PointKind.CAPACITOR
    )


HERM, FAN = section("herm", ("C", "HERM")), section("fan", ("C", "FAN"))


@pytest.mark.parametrize("point", [HERM, FAN])
def test_a_dual_capacitor_is_discharged_at_both_sections(point: TestPoint) -> None:
    # A technician who discharges C–HERM alone touches a charged FAN section. Common practice, no source.
    caution = caution_at(point, [HERM, FAN])
    assert "Discharge C–HERM and C–FAN, each, through a resistor of 20 kΩ, 5 W, and verify each" in caution
    assert caution.endswith(LOCAL_CODES)
    assert "Verify absence of voltage" in caution


def test_a_capacitor_of_one_section_is_discharged_once() -> None:
    other = section("start", ("1", "2"), "start capacitor")
    for beside in ((), (HERM,), (HERM, other)):
        assert "Discharge the capacitor through a resistor of 20 kΩ, 5 W, verify" in caution_at(HERM, beside)


@pytest.mark.parametrize("name", shipped_plans())
def test_every_point_of_a_shipped_plan_has_its_cautions(name: str) -> None:
    points = load_plan(name).points
    for point in points:
        caution = caution_at(point, points)
        assert LOCAL_CODES in caution
        assert ("lock out" in caution) is (point.state is CircuitState.ISOLATED)
        if point.kind is PointKind.CAPACITOR:
            assert "–".join(point.terminals) in caution or "Discharge the capacitor" in caution
