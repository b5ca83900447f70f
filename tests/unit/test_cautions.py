"""The cautions before touching terminals."""

import pytest

from meterlink.core.cautions import LOCAL_CODES, brief_caution_at, caution_at
from meterlink.core.equipment import CircuitState, Hazard, PointKind, Site, TestPoint
from meterlink.core.units import Quantity
from meterlink.plans import load_plan, shipped_plans
from meterlink.station.visit import ActiveVisit


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


# The short forms


@pytest.mark.parametrize("name", shipped_plans())
def test_every_shipped_point_has_a_short_caution_that_keeps_its_state_and_hazards(name: str) -> None:
    shipped = load_plan(name).points
    for shipped_point in shipped:
        full, brief = caution_at(shipped_point, shipped), brief_caution_at(shipped_point, shipped)
        assert len(brief) < 0.75 * len(full)
        assert ("Locked out" in brief and "verify absence of voltage" in brief) is (
            shipped_point.state is CircuitState.ISOLATED
        )
        assert ("Live parts" in brief) is (shipped_point.state is CircuitState.ENERGIZED)
        assert shipped_point.caution in brief
        assert ("Discharge" in brief) is ("discharge it" in full or "Discharge" in full)
        for section in ("C–HERM", "C–FAN"):
            assert (section in brief) is (section in full)


@pytest.mark.parametrize("hazard", Hazard)
def test_every_hazard_stands_in_the_short_caution(hazard: Hazard) -> None:
    base = TestPoint("k", "c", "part", ("1", "2"), Quantity.VOLTAGE, CircuitState.ENERGIZED, PointKind.RANGE)
    with_hazard = TestPoint(
        "k", "c", "part", ("1", "2"), Quantity.VOLTAGE, CircuitState.ENERGIZED, PointKind.RANGE, hazards=(hazard,)
    )
    assert len(brief_caution_at(with_hazard)) > len(brief_caution_at(base)) + 10


@pytest.mark.parametrize("word", ["safe", "dead", "discharged;", "de-energized"])
@pytest.mark.parametrize("name", shipped_plans())
def test_no_short_caution_calls_a_circuit_safe_or_dead(name: str, word: str) -> None:
    shipped = load_plan(name).points
    assert not any(word in brief_caution_at(shipped_point, shipped).lower() for shipped_point in shipped)


def test_the_station_sends_the_short_caution_of_each_point() -> None:
    views = ActiveVisit(Site("site", "unit"), load_plan("split-condenser"), 0, "6 %").point_views()
    assert all(0 < len(view["brief_caution"]) < len(view["caution"]) for view in views)
