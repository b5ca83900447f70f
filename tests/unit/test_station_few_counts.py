"""Few volts at a test point: when the station accepts them, when it asks a person, and how it asks."""

from decimal import Decimal

import pytest

from meterlink.core.equipment import CircuitState, Plan, PointKind, Site, Span, TestPoint
from meterlink.core.units import Quantity
from meterlink.judge.judging import MeasuredValue, judge
from meterlink.station.acceptance import needs_person
from meterlink.station.advice import advice
from meterlink.station.diagnosis import VisitDiagnosis
from meterlink.station.tracker import MeterTracker
from meterlink.station.visit import ActiveVisit
from support.settling_displays import constant


def energized_point(quantity: Quantity, low: str | None, high: str) -> TestPoint:
    unit = "V" if quantity is Quantity.VOLTAGE else "A"
    limits = Span(None if low is None else Decimal(low), Decimal(high), unit)
    return TestPoint("a", "compressor", "part", ("T1", "L1"), quantity, CircuitState.ENERGIZED, PointKind.RANGE, limits)


def settle(point: TestPoint, air: int | None, counts: int, step: str = "0.1") -> tuple[ActiveVisit, MeterTracker, bool]:
    """Return the visit, the tracker at the moment it settles, and whether a person must accept the reading."""
    visit = ActiveVisit(Site("site", "unit"), Plan("test", (point,)), 0, "6 %")
    tracker = MeterTracker("M", "Probe 1", 1)
    readings = constant(counts, 3, 20, 4, quantity=point.quantity, step=step)
    if air is not None:
        readings = constant(air, 0, 3, 4, quantity=point.quantity, step=step) + readings
    for reading in readings:
        tracker.add_reading(reading)
        if tracker.settling.settled_reading is not None:
            judgement = judge(point.kind, visit.limits["a"], MeasuredValue.from_reading(reading))
            tracker.judgement, tracker.point_key = judgement, "a"
            return visit, tracker, needs_person(tracker, reading, judgement)
    raise AssertionError


def test_a_drop_that_rose_from_the_display_of_open_leads_is_accepted() -> None:
    # 0.9 V across closed contacts: common practice calls 0.2 V the most. No source.
    assert not settle(energized_point(Quantity.VOLTAGE, None, "0.2"), 0, 9)[2]


def test_few_volts_that_never_rose_need_a_person() -> None:
    assert settle(energized_point(Quantity.VOLTAGE, None, "0.2"), None, 9)[2]


def test_few_volts_where_line_voltage_is_asked_for_need_a_person() -> None:
    # With one probe on a live terminal and the other in the air a meter shows a volt or two. Accepted by itself, it
    # would say that the supply is off. Common practice, no source.
    point = energized_point(Quantity.VOLTAGE, "187.2", "253")
    assert settle(point, 0, 9)[2]
    assert not settle(point, 0, 2400)[2]


@pytest.mark.parametrize("air", [None, 0])
def test_a_small_current_needs_no_person(air: int | None) -> None:
    assert not settle(energized_point(Quantity.CURRENT, None, "1.5"), air, 8)[2]


def test_the_question_names_the_pick_up_and_the_terminals() -> None:
    visit, tracker, asks = settle(energized_point(Quantity.VOLTAGE, "187.2", "253"), 0, 9)
    tracker.ambiguous = asks
    assert advice(visit, tracker, VisitDiagnosis(visit).diagnosis) == (
        "0.9 V is so little that a probe in the air may show it. If both probes are on T1 and L1, accept this reading."
    )
    visit, tracker, _ = settle(energized_point(Quantity.CURRENT, None, "1.5"), 0, 8)
    tracker.ambiguous = True
    assert advice(visit, tracker, VisitDiagnosis(visit).diagnosis) == (
        "0.8 A is so little that a clamp beside a lead may show it. "
        "If the clamp is around the lead between T1 and L1, accept this reading."
    )
