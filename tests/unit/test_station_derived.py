"""What the collector makes of a plan's derived checks: worked out as readings come, shown, and no limits asked for."""

from decimal import Decimal

import pytest

from meterlink.core.clock import Timestamp
from meterlink.core.equipment import Site, TestPoint
from meterlink.core.readings import Reading
from meterlink.core.units import BASE_UNIT, parse_amount, resolution_of
from meterlink.judge.judging import MeasuredValue, judge
from meterlink.plans import load_plan
from meterlink.settling.detector import Phase, SettlingState
from meterlink.station.advice import advice
from meterlink.station.diagnosis import derived_results, derived_views, diagnose_visit, supply_frequency
from meterlink.station.tracker import MeterTracker
from meterlink.station.views import visit_view
from meterlink.station.visit import AcceptedReading, ActiveVisit


@pytest.fixture
def visit() -> ActiveVisit:
    return ActiveVisit(Site("site", "unit"), load_plan("split-condenser"), 0, "6 %")


def reading(point: TestPoint, text: str) -> Reading:
    amount = parse_amount(text, point.quantity)
    return Reading(point.quantity, amount.digits, amount.unit, Timestamp(0, 0), resolution=resolution_of(amount.digits))


def keep(visit: ActiveVisit, key: str, text: str) -> AcceptedReading:
    taken = reading(visit.points[key], text)
    judgement = judge(visit.points[key].kind, visit.limits[key], MeasuredValue.from_reading(taken))
    visit.add_accepted(key, AcceptedReading(taken, judgement, "meter", 1.0))
    return visit.accepted[key][-1]


def at_work(visit: ActiveVisit) -> tuple[str | None, str]:
    view = derived_views(derived_results(visit))[1]
    assert view["key"] == "run-capacitor-herm-at-work"
    return view["verdict"], view["value"]


def test_it_follows_readings_retakes_and_the_rating(visit: ActiveVisit) -> None:
    assert derived_views(derived_results(visit))[1]["missing"] == ["amps HERM–S", "volts C–HERM"]
    keep(visit, "run-capacitor-herm-amps", "6.28 A")
    assert at_work(visit) == (None, "")
    keep(visit, "run-capacitor-herm-volts", "370.0 V")
    assert at_work(visit) == ("no limits", "45.02 µF")
    visit.set_rating("run-capacitor-herm", "45 uF")
    assert at_work(visit) == ("within", "45.02 µF")
    keep(visit, "run-capacitor-herm-amps", "5.00 A")
    assert at_work(visit)[0] == "outside"
    visit.set_rating("run-capacitor-herm", "35+5 MFD 440 VAC")  # the label, read once more
    assert at_work(visit) == ("within", "35.85 µF")


def test_the_default_tolerance_is_the_stations(visit: ActiveVisit) -> None:
    strict = ActiveVisit(Site("site", "unit"), load_plan("split-condenser"), 0, "2 %")
    for one in (visit, strict):
        keep(one, "run-capacitor-herm-amps", "6.00 A")
        keep(one, "run-capacitor-herm-volts", "370.0 V")
        one.set_rating("run-capacitor-herm", "45 uF")
    assert (at_work(visit)[0], at_work(strict)[0]) == ("within", "outside")


def test_the_view_has_every_check_in_plan_order(visit: ActiveVisit) -> None:
    shown = visit_view(visit, None, diagnose_visit(visit), (), derived_results(visit))
    assert [view["key"] for view in shown["derived"]] == ["compressor-windings", "run-capacitor-herm-at-work"]
    assert [view["kind"] for view in shown["derived"]] == ["windings", "under-load"]
    assert shown["derived"][0]["text"] == "Needs C–R, C–S, R–S."
    assert "R–S is C–S + C–R" in shown["derived"][0]["basis"]


def test_the_diagnosis_knows_the_frequency_the_plan_states(visit: ActiveVisit) -> None:
    assert supply_frequency(visit.derived) == 60
    assert supply_frequency(load_plan("walk-in-cooler").derived) is None
    visit.set_rating("run-capacitor-herm", "45 uF")
    keep(visit, "run-capacitor-herm", "45.1 uF")
    keep(visit, "run-capacitor-herm-volts", "370.0 V")
    keep(visit, "run-capacitor-herm-amps", "4.00 A")
    (first, *_) = diagnose_visit(visit).causes
    assert "under load" in " ".join(first.evidence_for).lower()


def meter(visit: ActiveVisit, key: str, text: str, *, held: bool) -> MeterTracker:
    follower = MeterTracker("M", "clamp", 1)
    follower.latest, follower.point_key = reading(visit.points[key], text), key
    if held:
        follower.accepted_at, follower.settling = key, SettlingState(Phase.ACCEPTED)
    return follower


def test_a_reading_that_is_only_an_input_is_not_asked_for_a_rating(visit: ActiveVisit) -> None:
    key = "run-capacitor-herm-amps"
    visit.set_focus(key)
    said = advice(visit, meter(visit, key, "6.28 A", held=False), diagnose_visit(visit))
    assert "rating" not in said
    assert "the clamp around the lead between HERM and S" in said
    keep(visit, key, "6.28 A")
    said = advice(visit, meter(visit, key, "6.28 A", held=True), diagnose_visit(visit))
    assert said == "Kept for the run capacitor HERM under load. Next: supply, line."
    # A motor's amps have their nameplate, whatever else is made of them.
    visit.set_focus("condenser-fan-amps")
    assert "Read the rating off" in advice(
        visit, meter(visit, "condenser-fan-amps", "1.0 A", held=False), diagnose_visit(visit)
    )


def test_at_the_end_inputs_count_neither_as_within_nor_as_not(visit: ActiveVisit) -> None:
    for key, point in visit.points.items():
        limits = visit.limits[key]
        number = limits.low or limits.high if limits else None
        keep(visit, key, f"{number or Decimal(1)} {limits.unit if limits else BASE_UNIT[point.quantity]}")
    visit.focus = None
    # Five are held against something and meet it; five are inputs; the other five have no rating yet.
    assert "5 within, 5 not" in advice(visit, None, diagnose_visit(visit))
