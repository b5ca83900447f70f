"""Derived points at a station: judged as readings are accepted, shown, and their inputs need no limits."""

from decimal import Decimal

import pytest

from meterlink.core.clock import Timestamp
from meterlink.core.equipment import Site, TestPoint
from meterlink.core.readings import Phase, Reading
from meterlink.core.units import BASE_UNIT, parse_amount, resolution_of
from meterlink.judge.judging import MeasuredValue, judge
from meterlink.plans import load_plan
from meterlink.settling.detector import SettlingState
from meterlink.station.advice import advice
from meterlink.station.diagnosis import VisitDiagnosis, derived_views, supply_frequency
from meterlink.station.tracker import MeterTracker
from meterlink.station.views import visit_view
from meterlink.station.visit import AcceptedReading, ActiveVisit

PLAN = load_plan("split-condenser").with_usual_answers({})


@pytest.fixture
def visit() -> ActiveVisit:
    return ActiveVisit(Site("site", "unit"), PLAN, 0, "6 %")


def make_reading(point: TestPoint, text: str) -> Reading:
    amount = parse_amount(text, point.quantity)
    return Reading(point.quantity, amount.digits, amount.unit, Timestamp(0, 0), resolution=resolution_of(amount.digits))


def accept(visit: ActiveVisit, key: str, text: str) -> AcceptedReading:
    accepted = make_reading(visit.points[key], text)
    judgement = judge(visit.points[key].kind, visit.limits[key], MeasuredValue.from_reading(accepted))
    visit.add_accepted(key, AcceptedReading(accepted, judgement, "meter", 1.0))
    return visit.accepted[key][-1]


def under_load_result(visit: ActiveVisit) -> tuple[str | None, str]:
    view = derived_views(VisitDiagnosis(visit).derived)[1]
    assert view["key"] == "run-capacitor-herm-at-work"
    return view["verdict"], view["value"]


def test_the_result_follows_readings_repeats_and_the_rating(visit: ActiveVisit) -> None:
    assert derived_views(VisitDiagnosis(visit).derived)[1]["missing"] == ["amps HERM–S", "volts C–HERM"]
    accept(visit, "run-capacitor-herm-amps", "6.28 A")
    assert under_load_result(visit) == (None, "")
    accept(visit, "run-capacitor-herm-volts", "370.0 V")
    assert under_load_result(visit) == ("no limits", "45.02 µF")
    visit.set_rating("run-capacitor-herm", "45 uF")
    assert under_load_result(visit) == ("within", "45.02 µF")
    accept(visit, "run-capacitor-herm-amps", "5.00 A")
    assert under_load_result(visit)[0] == "outside"
    visit.set_rating("run-capacitor-herm", "35+5 MFD 440 VAC")  # the label, entered again
    assert under_load_result(visit) == ("within", "35.85 µF")


def test_the_default_tolerance_is_the_stations(visit: ActiveVisit) -> None:
    strict = ActiveVisit(Site("site", "unit"), PLAN, 0, "2 %")
    for active_visit in (visit, strict):
        accept(active_visit, "run-capacitor-herm-amps", "6.00 A")
        accept(active_visit, "run-capacitor-herm-volts", "370.0 V")
        active_visit.set_rating("run-capacitor-herm", "45 uF")
    assert (under_load_result(visit)[0], under_load_result(strict)[0]) == ("within", "outside")


def test_the_view_has_every_derived_point_in_plan_order(visit: ActiveVisit) -> None:
    view = visit_view(visit, None, VisitDiagnosis(visit).diagnosis, {}, VisitDiagnosis(visit).derived)
    assert [view["key"] for view in view["derived"]] == [
        "compressor-windings", "run-capacitor-herm-at-work", "condenser-fan-windings", "run-capacitor-fan-at-work",
    ]  # fmt: skip
    assert [view["kind"] for view in view["derived"]] == ["windings", "under-load", "windings", "under-load"]
    assert view["derived"][0]["text"] == "Needs C–R, C–S, R–S."
    assert "R–S is C–S + C–R" in view["derived"][0]["basis"]


def test_the_diagnosis_uses_the_frequency_of_the_plan(visit: ActiveVisit) -> None:
    assert supply_frequency(visit.derived) == 60
    assert supply_frequency(load_plan("walk-in-cooler").derived) is None
    visit.set_rating("run-capacitor-herm", "45 uF")
    accept(visit, "run-capacitor-herm", "45.1 uF")
    accept(visit, "run-capacitor-herm-volts", "370.0 V")
    accept(visit, "run-capacitor-herm-amps", "4.00 A")
    (first, *_) = VisitDiagnosis(visit).diagnosis.causes
    assert "under load" in " ".join(first.evidence_for).lower()


def make_tracker(visit: ActiveVisit, key: str, text: str, *, accepted: bool) -> MeterTracker:
    tracker = MeterTracker("M", "clamp", 1)
    tracker.latest, tracker.point_key = make_reading(visit.points[key], text), key
    if accepted:
        tracker.accepted_at, tracker.settling = key, SettlingState(Phase.ACCEPTED)
    return tracker


def test_a_reading_that_is_only_an_input_needs_no_rating(visit: ActiveVisit) -> None:
    key = "run-capacitor-herm-amps"
    visit.set_focus(key)
    text = advice(visit, make_tracker(visit, key, "6.28 A", accepted=False), VisitDiagnosis(visit).diagnosis)
    assert "rating" not in text
    assert "the clamp around the lead between HERM and S" in text
    accept(visit, key, "6.28 A")
    text = advice(visit, make_tracker(visit, key, "6.28 A", accepted=True), VisitDiagnosis(visit).diagnosis)
    assert text == "Kept for the run capacitor HERM under load. Next: condenser fan, condenser fan motor."
    # A motor's amps need their rating, even if they serve a derived point, too.
    visit.set_focus("condenser-fan-amps")
    assert "Read the rating off" in advice(
        visit, make_tracker(visit, "condenser-fan-amps", "1.0 A", accepted=False), VisitDiagnosis(visit).diagnosis
    )


def test_the_summary_does_not_count_inputs(visit: ActiveVisit) -> None:
    for key, point in visit.points.items():
        limits = visit.limits[key]
        number = limits.low or limits.high if limits else None
        accept(visit, key, f"{number or Decimal(1)} {limits.unit if limits else BASE_UNIT[point.quantity]}")
    visit.focus = None
    # Ten are within their limits, ten are only inputs, and the other nine have no rating yet.
    assert "10 within limits, 9 not within" in advice(visit, None, VisitDiagnosis(visit).diagnosis)
