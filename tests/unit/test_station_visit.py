"""The visit in hand, one meter followed, and what to do next: pure parts of the collector."""

from dataclasses import replace
from decimal import Decimal

import pytest

from meterlink.core.clock import Timestamp
from meterlink.core.equipment import CircuitState, Plan, PointKind, Rating, Site, Span, TestPoint
from meterlink.core.errors import InputError
from meterlink.core.readings import Coupling, Reading, Status
from meterlink.core.units import Amount, Quantity
from meterlink.judge.judging import MeasuredValue, judge
from meterlink.judge.label.replacement import parse_stock
from meterlink.settling.detector import Phase
from meterlink.station import advice as advice_module
from meterlink.station.diagnosis import diagnose_visit
from meterlink.station.replacements import replacement_sentences
from meterlink.station.tracker import MeterTracker
from meterlink.station.views import live_view
from meterlink.station.visit import AcceptedReading, ActiveVisit


def advice(visit: ActiveVisit, meter: MeterTracker | None) -> str:
    return advice_module.advice(visit, meter, diagnose_visit(visit))


def point(key: str, terminals: tuple[str, str], rated: str | None = "20") -> TestPoint:
    return TestPoint(
        key=key,
        circuit="pump",
        component="run capacitor",
        section=key,
        terminals=terminals,
        quantity=Quantity.CAPACITANCE,
        state=CircuitState.ISOLATED,
        kind=PointKind.CAPACITOR,
        specification=Rating(Amount(Decimal(rated), "µF"), "6 %") if rated else None,
    )


def visit(*points: TestPoint) -> ActiveVisit:
    plan = Plan("test", points or (point("a", ("1", "2")), point("b", ("1", "3")), point("c", ("4", "5"))))
    return ActiveVisit(Site("site", "unit"), plan, 0, "6 %")


def reading(at: float, text: str, quantity: Quantity = Quantity.CAPACITANCE) -> Reading:
    unit = "µF" if quantity is Quantity.CAPACITANCE else "Ω"
    stamp = Timestamp(0, round(at * 1e9))
    if text == "OL":
        return Reading(quantity, None, unit, stamp, Status.OVERLOAD)
    return Reading(quantity, Decimal(text), unit, stamp, resolution=Decimal("0.01"))


def keep(of: ActiveVisit, key: str, text: str = "20.00") -> None:
    one = reading(0, text)
    judgement = judge(PointKind.CAPACITOR, of.limits[key], MeasuredValue.from_reading(one))
    of.add_accepted(key, AcceptedReading(one, judgement, "meter", 1.0))


def test_the_focus_goes_through_the_points_as_they_are_held() -> None:
    one = visit()
    seen = []
    while one.focus:
        seen.append(one.focus)
        keep(one, one.focus)
        one.probes_removed(one.focus)
    assert seen == ["a", "b", "c"]
    assert one.last_accepted == "c"


def test_the_focus_stays_until_there_is_a_reading_and_comes_back_for_what_was_left_out() -> None:
    one = visit()
    one.probes_removed("a")
    assert one.focus == "a"
    one.set_focus("c")
    keep(one, "c")
    one.probes_removed("c")
    assert one.focus == "a"


def test_moving_goes_round_the_end() -> None:
    one = visit()
    one.move_focus(-1)
    assert one.focus == "c"
    one.move_focus(1)
    assert one.focus == "a"
    one.focus = None
    one.move_focus(1)
    assert one.focus == "a"


def test_a_reading_of_another_quantity_belongs_to_no_point() -> None:
    one = visit()
    assert one.point_for("M", reading(0, "20")) is one.points["a"]
    assert one.point_for("M", reading(0, "20", Quantity.RESISTANCE)) is None


def test_a_pinned_meter_measures_its_own_point_and_the_focus_leaves_that_out() -> None:
    one = visit()
    one.pin("M", "b")
    assert one.point_for("M", reading(0, "20")) is one.points["b"]
    assert one.point_for("N", reading(0, "20")) is one.points["a"]
    keep(one, "a")
    one.probes_removed("a")
    assert one.focus == "c"
    one.pin("M", "")
    assert one.point_for("M", reading(0, "20")) is one.points["c"]


def test_a_rating_can_be_entered_and_entered_again() -> None:
    one = visit(point("a", ("1", "2"), None))
    assert one.limits["a"] is None
    one.set_rating("a", "40 uF 5 %")
    assert one.limits["a"] is not None
    assert (one.limits["a"].low, one.limits["a"].high) == (Decimal(38), Decimal(42))
    one.set_rating("a", "40uF")  # the default tolerance
    assert one.limits["a"].low == Decimal("37.6")
    before = one.limits["a"]
    for nonsense in ("", "forty", "40", "40 ohm", "-4 uF", "0 uF", "40 uF 200 %"):
        with pytest.raises(InputError):
            one.set_rating("a", nonsense)
    assert one.limits["a"] == before


def test_unknown_points_are_refused_in_words() -> None:
    one = visit()
    for act in (one.set_focus, lambda key: one.pin("M", key), lambda key: one.set_rating(key, "4 uF")):
        with pytest.raises(InputError, match="no test point 'x'"):
            act("x")


def test_views_show_the_newest_reading_and_count_the_earlier_ones() -> None:
    one = visit()
    keep(one, "a", "17.00")
    keep(one, "a", "20.10")
    view = one.point_views()[0]
    assert view["accepted"] is not None
    assert (view["accepted"]["text"], view["accepted"]["verdict"], view["repeats"]) == ("20.10 µF", "within", 1)
    assert view["limits"] == {"low": "18.8", "high": "21.2", "nominal": "20", "unit": "µF", "basis": "20 µF ±6 %"}
    assert "local codes" in view["caution"]


def follow(follower: MeterTracker, begin: float, end: float, text: str) -> list[str]:
    """Feed the same display at 10 Hz and return the points left meanwhile."""
    left = []
    for n in range(round((end - begin) * 10)):
        if (key := follower.add_reading(reading(begin + n / 10, text))) is not None:
            left.append(key)
        if follower.settling.settled_reading is not None:
            follower.accept(follower.settling.settled_reading, "a")
    return left


def test_a_point_is_left_two_seconds_after_the_probes_came_off() -> None:
    follower = MeterTracker("M", "meter", 1)
    assert follow(follower, 0, 2, "20.00") == []
    assert follower.accepted_at == "a"
    assert follow(follower, 2, 4.3, "0.00") == []
    assert follow(follower, 4.3, 5, "0.00") == ["a"]


def test_a_point_is_left_at_once_when_the_probes_touch_the_next() -> None:
    follower = MeterTracker("M", "meter", 1)
    follow(follower, 0, 2, "20.00")
    follow(follower, 2, 3, "0.00")
    assert follow(follower, 3, 3.1, "5.00") == ["a"]
    assert follower.settling.probes_touched


def test_turning_the_dial_leaves_the_point_too() -> None:
    follower = MeterTracker("M", "meter", 1)
    follow(follower, 0, 2, "20.00")
    left = [follower.add_reading(reading(2 + n / 10, "OL", Quantity.RESISTANCE)) for n in range(30)]
    assert [key for key in left if key] == ["a"]


def test_measuring_again_with_the_probes_on() -> None:
    follower = MeterTracker("M", "meter", 1)
    follow(follower, 0, 2, "20.00")
    follower.restart()
    assert follower.accepted_at is None
    follow(follower, 2, 4, "20.00")
    assert follower.accepted_at == "a"


def test_advice_leads_through_a_point() -> None:
    one = visit()
    follower = MeterTracker("M", "Probe 1", 1)
    assert "Switch a meter on" in advice(one, None)
    follower.add_reading(reading(0, "3.00", Quantity.RESISTANCE))
    assert advice(one, follower) == "Turn Probe 1 to capacitance, then put the probes on 1 and 2."
    follower.add_reading(reading(0.1, "0.00"))
    assert advice(one, follower) == "Put the probes on 1 and 2."
    follower.add_reading(reading(0.2, "19.00"))
    assert advice(one, follower) == "Keep the probes still."
    for n in range(20):
        follower.add_reading(reading(0.3 + n / 10, "19.90"))
        if follower.settling.phase is Phase.ACCEPTED:
            break
    assert follower.latest is not None
    follower.accept(follower.latest, "a")
    keep(one, "a", "19.90")
    assert advice(one, follower).startswith("The run capacitor a is within its limits. Next: pump, run capacitor b.")


def test_advice_on_a_bad_part_a_close_call_and_the_end() -> None:
    one = visit(point("a", ("1", "2")))
    follower = MeterTracker("M", "Probe 1", 1)
    follower.add_reading(reading(0, "12.00"))
    follower.accept(reading(0, "12.00"), "a")
    keep(one, "a", "12.00")
    assert "has failed" in advice(one, follower)
    assert "Read 1–2 again" in advice(one, follower)
    keep(one, "a", "18.80")
    assert "Close call" in advice(one, follower)
    one.probes_removed("a")
    assert advice(one, follower).startswith("Every test point has its reading: 1 within, 0 not. ")


def test_advice_asks_for_a_missing_rating_first() -> None:
    one = visit(point("a", ("1", "2"), None))
    follower = MeterTracker("M", "Probe 1", 1)
    follower.add_reading(reading(0, "0.00"))
    assert advice(one, follower).startswith("Read the rating off the run capacitor")


def test_a_clamp_goes_around_a_lead_and_a_dc_reading_belongs_to_no_ac_point() -> None:
    amps = replace(
        point("amps", ("T1", "C")), quantity=Quantity.CURRENT, kind=PointKind.RANGE,
        specification=Span(None, Decimal(20), "A"), coupling=Coupling.AC, state=CircuitState.ENERGIZED,
    )  # fmt: skip
    one = visit(amps)
    follower = MeterTracker("M", "Clamp", 1)
    direct = Reading(
        Quantity.CURRENT, Decimal("0.0"), "A", Timestamp(0, 0), coupling=Coupling.DC, resolution=Decimal("0.1")
    )
    follower.add_reading(direct)
    assert one.point_for("M", direct) is None
    assert advice(one, follower) == "Turn Clamp to AC current, then put the clamp around the lead between T1 and C."
    follower.add_reading(replace(direct, coupling=Coupling.AC, timestamp=Timestamp(0, 10**8)))
    assert advice(one, follower) == "Put the clamp around the lead between T1 and C."
    assert "never put probes set to amps" in one.point_views()[0]["caution"]


def test_an_overload_to_ground_is_not_called_an_open_part() -> None:
    ground = replace(
        point("ground", ("C", "GND")), quantity=Quantity.RESISTANCE, kind=PointKind.INSULATION,
        specification=Span(Decimal(1), None, "MΩ"),
    )  # fmt: skip
    one = visit(ground)
    follower = MeterTracker("M", "Probe 1", 1)
    follower.add_reading(reading(0, "OL", Quantity.RESISTANCE))
    assert "with the probes in the air" in advice(one, follower)


def test_volts_at_a_point_that_is_to_be_isolated_keep_the_hands_off() -> None:
    one = visit()
    follower = MeterTracker("M", "Probe 1", 1)
    stamp = Timestamp(0, 0)
    follower.add_reading(Reading(Quantity.VOLTAGE, Decimal("31.0"), "V", stamp, resolution=Decimal("0.1")))
    assert "keep your hands off" in advice(one, follower)
    follower.add_reading(Reading(Quantity.VOLTAGE, Decimal("0.2"), "V", Timestamp(0, 10**8), resolution=Decimal("0.1")))
    assert "hands off" not in advice(one, follower)


def test_the_series_value_of_a_dual_capacitor_is_not_condemned() -> None:
    herm = point("HERM", ("C", "HERM"), "45")
    fan = point("FAN", ("C", "FAN"), "5")
    one = visit(herm, fan)
    follower = MeterTracker("M", "Probe 1", 1)
    follower.add_reading(reading(0, "4.50"))
    follower.accept(reading(0, "4.50"), "HERM")
    keep(one, "HERM", "4.50")
    said = advice(one, follower)
    assert "lead" in said or "terminal" in said
    assert "replac" not in said.split(".")[0]


def test_the_label_of_a_dual_capacitor_rates_both_sections() -> None:
    herm, fan = point("HERM", ("C", "HERM"), None), point("FAN", ("C", "FAN"), None)
    other = replace(point("x", ("1", "2"), None), component="blower capacitor", section="")
    one = visit(herm, fan, other)
    assert list(one.set_rating("FAN", "45+7.5 MFD ±6% 440 VAC 50/60 Hz")) == ["HERM", "FAN"]
    assert one.limits["HERM"] is not None
    assert one.limits["FAN"] is not None
    assert (one.limits["HERM"].low, one.limits["FAN"].high) == (Decimal("42.3"), Decimal("7.95"))
    assert one.limits["x"] is None
    assert one.set_rating("x", "12.5 uF 5 % 370V") == {"x": "12.5 µF ±5 % 370 V"}
    with pytest.raises(InputError, match="two sections"):
        one.set_rating("x", "45+7.5 MFD")
    with pytest.raises(InputError, match=r"\?|could|which|mean"):
        one.set_rating("x", "45-50")


def test_a_start_capacitor_is_rated_by_its_range() -> None:
    start = replace(point("start", ("1", "2"), None), component="start capacitor")
    one = visit(start)
    one.set_rating("start", "88-106 MFD")
    assert one.limits["start"] is not None
    assert (one.limits["start"].low, one.limits["start"].high) == (Decimal(88), Decimal(106))


STOCK = parse_stock(
    {
        "part": [
            {"rating": "45+7.5 uF 440 V", "count": 2, "note": "left bin"},
            {"rating": "45+5 uF 440 V"},
            {"rating": "45+7.5 uF 370 V"},
        ]
    },
    "stock",
)


def test_the_truck_is_asked_for_a_failed_part_whose_label_is_known() -> None:
    one = visit(point("HERM", ("C", "HERM"), None), point("FAN", ("C", "FAN"), None))
    kept = one.set_rating("HERM", "45+7.5 MFD 440 VAC")
    keep(one, "FAN", "7.50")
    assert replacement_sentences(one, STOCK) == []
    keep(one, "HERM", "30.00")
    (said,) = replacement_sentences(one, STOCK)
    assert said == "For the run capacitor from stock: 45+7.5 µF 440 V (left bin), same rating."
    assert replacement_sentences(one, ()) == []
    again = visit(point("HERM", ("C", "HERM"), None), point("FAN", ("C", "FAN"), None))
    for key, text in kept.items():
        again.set_rating(key, text)
    assert again.labels == one.labels
    assert again.limits == one.limits


def test_without_a_voltage_the_truck_cannot_be_asked() -> None:
    one = visit(point("HERM", ("C", "HERM"), None))
    one.set_rating("HERM", "45 uF")
    keep(one, "HERM", "30.00")
    (said,) = replacement_sentences(one, STOCK)
    assert "voltage" in said


def test_a_bounce_shows_no_verdict() -> None:
    one = visit()
    follower = MeterTracker("M", "Probe 1", 1)
    for at, text, verdict in (
        (0.0, "19.90", "within"),
        (0.1, "0.00", None),
        (0.2, "19.90", "within"),
        (1.0, "0.00", None),
    ):
        shown = reading(at, text)
        follower.add_reading(shown)
        follower.judgement = judge(PointKind.CAPACITOR, one.limits["a"], MeasuredValue.from_reading(shown))
        live = live_view(one, follower)
        assert live is not None
        assert (live["phase"], live["verdict"]) == ("settling", verdict)
