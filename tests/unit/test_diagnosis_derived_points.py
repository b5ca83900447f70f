"""Derived points from several accepted readings: each kind within, outside, close, incomplete and impossible."""

from collections.abc import Mapping
from dataclasses import replace
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.core.equipment import CircuitState, DerivedPoint, DerivedPointKind, PointKind, Rating, Span, TestPoint
from meterlink.core.units import Amount, Quantity, parse_amount, resolution_of
from meterlink.core.verdicts import Limits, Margin, Verdict
from meterlink.diagnosis.derived_points import DerivedInputs, DerivedResult, judge_derived_points
from meterlink.diagnosis.observations import Observation, PointReadings, observe
from meterlink.judge.judging import MeasuredValue, limits_for
from meterlink.judge.uncertainty import AccuracyLine

EXACT = AccuracyLine(Decimal(0), Decimal(0))
TOLERANCE = "6 %"


def point(key: str, quantity: Quantity, terminals: tuple[str, str], **changes: object) -> TestPoint:
    kind = PointKind.CAPACITOR if quantity is Quantity.CAPACITANCE else PointKind.RANGE
    fields = {"state": CircuitState.ENERGIZED, "kind": kind, "section": "", "component": "line", **changes}
    return TestPoint(key=key, circuit="c", terminals=terminals, quantity=quantity, **fields)  # type: ignore[arg-type]


LINES = [
    point(key, Quantity.VOLTAGE, terminals)
    for key, terminals in (("a", ("L1", "L2")), ("b", ("L2", "L3")), ("c", ("L1", "L3")))
]
LEADS = [point(key, Quantity.CURRENT, (f"T{n}", "motor"), component="motor") for n, key in enumerate("abc", 1)]
WINDINGS = [
    point(key, Quantity.RESISTANCE, terminals, component="motor", state=CircuitState.ISOLATED)
    for key, terminals in (("a", ("C", "R")), ("b", ("C", "S")), ("c", ("R", "S")))
]
CAPACITOR = [
    point("amps", Quantity.CURRENT, ("HERM", "S")),
    point("volts", Quantity.VOLTAGE, ("C", "HERM")),
    point("hertz", Quantity.FREQUENCY, ("L1", "L2")),
    point("cap", Quantity.CAPACITANCE, ("C", "HERM"), component="run capacitor", section="HERM",
          specification=Rating(Amount(Decimal(45), "µF"), None)),
]  # fmt: skip
AIR = [
    point("return", Quantity.TEMPERATURE, ("duct", "bead"), component="return air"),
    point("supply", Quantity.TEMPERATURE, ("duct", "bead"), component="supply air"),
]

UNBALANCE = DerivedPoint(
    "u", DerivedPointKind.UNBALANCE, "unbalance", (("first", "a"), ("second", "b"), ("third", "c")),
    Span(None, Decimal(2), "%"),
)  # fmt: skip
OF_WINDINGS = DerivedPoint("w", DerivedPointKind.WINDINGS, "windings", UNBALANCE.inputs)
AT_WORK = DerivedPoint(
    "l", DerivedPointKind.UNDER_LOAD, "at work", (("amps", "amps"), ("volts", "volts"), ("capacitor", "cap")),
    frequency=Amount(Decimal(60), "Hz"),
)  # fmt: skip
SPLIT = DerivedPoint("s", DerivedPointKind.SPLIT, "split", (("return", "return"), ("supply", "supply")))

OVERLOAD = "OL"
# {key of a test point: displayed text}; the name of another meter follows a slash: "230.1 V/other".
Readings = Mapping[str, str]


def derive(
    derived_point: DerivedPoint, points: list[TestPoint], readings: Readings, accuracy: AccuracyLine | None = None
) -> DerivedResult:
    point_readings, limits = {}, dict[str, Limits | None]()
    for number, test_point in enumerate(points, 1):
        key, quantity = test_point.key, test_point.quantity
        observations: tuple[Observation, ...] = ()
        if key in readings:
            display, _, meter = readings[key].partition("/")
            if display == OVERLOAD:
                measured = MeasuredValue(quantity, None, "Ω", Decimal("0.01"))
            else:
                amount = parse_amount(display, quantity)
                measured = MeasuredValue(quantity, amount.digits, amount.unit, resolution_of(amount.digits))
            observations = (replace(observe(test_point, measured, number, accuracy), meter=meter),)
        point_readings[key] = PointReadings(test_point, observations)
        limits[key] = limits_for(test_point, TOLERANCE)
    (result,) = judge_derived_points((derived_point,), DerivedInputs(point_readings, limits, TOLERANCE))
    return result


def three(*displays: str) -> Readings:
    return dict(zip("abc", displays, strict=True))


# Unbalance


def test_the_usual_example_of_unbalance() -> None:
    """460, 467, 450 V: mean 459, largest deviation 9, 1.96 % (NEMA MG-1, 14.36, the common example; from memory)."""
    result = derive(UNBALANCE, LINES, three("460 V", "467 V", "450 V"))
    assert (result.verdict, result.margin, result.value) == (Verdict.WITHIN, Margin.CLOSE_CALL, "1.961 %")
    assert "Mean 459 V" in result.text
    assert "V2/V1" in result.text
    assert "0.95 of its rated power" in result.text
    assert "NEMA MG-1" in result.basis
    assert "one meter on one range" in result.basis
    assert not result.missing


def test_unbalance_outside_and_clear() -> None:
    result = derive(UNBALANCE, LINES, three("460.1 V", "467.0 V", "440.2 V"))
    assert (result.verdict, result.margin, result.failed) == (Verdict.OUTSIDE, Margin.CLEAR, True)
    assert "above the high limit of 2 %" in result.text


def test_above_five_percent_no_motor_may_run() -> None:
    result = derive(UNBALANCE, LINES, three("460.1 V", "467.0 V", "400.2 V"))
    assert "do not operate a motor" in result.text


def test_amps_have_their_own_limit_and_no_derating() -> None:
    usual = DerivedPoint("u", DerivedPointKind.UNBALANCE, "unbalance", UNBALANCE.inputs)
    result = derive(usual, LEADS, three("10.0 A", "10.4 A", "9.7 A"))
    assert result.verdict is Verdict.WITHIN
    assert "at most 10 %" in result.basis
    assert "I2/I1" in result.text
    assert "rated power" not in result.text
    assert derive(usual, LEADS, three("10.0 A", "13.4 A", "9.7 A")).verdict is Verdict.OUTSIDE


def test_several_meters_or_ranges_leave_more_doubt() -> None:
    one_meter = derive(UNBALANCE, LINES, three("460.1 V/m", "464.0 V/m", "455.0 V/m"))
    two_meters = derive(UNBALANCE, LINES, three("460.1 V/m", "464.0 V/n", "455.0 V/m"))
    two_ranges = derive(UNBALANCE, LINES, three("460.1 V/m", "464 V/m", "455.0 V/m"))
    assert (one_meter.verdict, two_meters.verdict, two_ranges.verdict) == (Verdict.WITHIN,) * 3
    assert one_meter.margin is Margin.CLEAR
    assert (two_meters.margin, two_ranges.margin) == (Margin.CLOSE_CALL, Margin.CLOSE_CALL)
    assert "each by itself" in two_meters.basis


def test_readings_in_different_units() -> None:
    assert derive(UNBALANCE, LINES, three("460.0 V", "0.4600 kV", "460.0 V")).verdict is Verdict.WITHIN


@pytest.mark.parametrize("kept", ["", "a", "b", "ab", "ac", "bc"])
def test_missing_inputs_are_named(kept: str) -> None:
    readings = dict.fromkeys(kept, "460.0 V")
    result = derive(UNBALANCE, LINES, readings)
    names = {"a": "L1–L2", "b": "L2–L3", "c": "L1–L3"}
    assert result.missing == tuple(names[key] for key in "abc" if key not in kept)
    assert result.verdict is result.margin is None
    assert result.text == f"Needs {', '.join(result.missing)}."
    assert not result.failed
    assert "at most 2 %" in result.basis


def test_impossible_volts_have_a_reason_and_no_verdict() -> None:
    result = derive(UNBALANCE, LINES, three("460 V", "350 V", "80 V"))
    assert result.verdict is None
    assert not result.missing
    assert "line to line" in result.text


def test_a_lost_phase_and_no_volts_have_verdicts_of_their_own() -> None:
    lost = derive(UNBALANCE, LINES, three("460 V", "3 V", "5 V"))
    assert (lost.verdict, lost.margin) == (Verdict.OUTSIDE, Margin.CLEAR)
    assert "L3 is lost" in lost.text
    dead = derive(UNBALANCE, LINES, three("0 V", "0 V", "0 V"))
    assert (dead.verdict, dead.margin) == (Verdict.NOTHING_FLOWS, None)


values = st.decimals(min_value=200, max_value=260, places=1)


@given(values, values, values, st.permutations("abc"))
def test_the_order_of_the_three_does_not_matter(a: Decimal, b: Decimal, c: Decimal, order: list[str]) -> None:
    displays = [f"{value} V" for value in (a, b, c)]
    result = derive(UNBALANCE, LINES, dict(zip("abc", displays, strict=True)))
    reordered = derive(UNBALANCE, LINES, dict(zip(order, displays, strict=True)))
    assert (result.verdict, result.margin, result.value) == (reordered.verdict, reordered.margin, reordered.value)
    mean = (a + b + c) / 3
    percent = 100 * max(abs(value - mean) for value in (a, b, c)) / mean
    assert abs(Decimal(result.value.removesuffix(" %")) - percent) <= percent * Decimal("0.0006")
    assert (result.verdict is Verdict.OUTSIDE) == (percent > 2)


# Under load


def test_a_capacitor_at_work_against_the_rating_of_its_test_point() -> None:
    """6.28 A, 370 V, 60 Hz: 45.02 µF (I/(2πfV), recomputed)."""
    result = derive(AT_WORK, CAPACITOR, {"amps": "6.28 A", "volts": "370.0 V"})
    assert (result.verdict, result.value) == (Verdict.WITHIN, "45.02 µF")
    assert "6.28 A and 370.0 V at 60 Hz" in result.text
    assert "the rating of the run capacitor HERM" in result.basis
    assert "amps in its own lead" in result.basis
    assert "±0.2 Hz, assumed" in result.basis


def test_a_weak_capacitor_is_outside_and_the_other_mains_frequency_is_tried() -> None:
    result = derive(AT_WORK, CAPACITOR, {"amps": "4.00 A", "volts": "370.0 V"}, EXACT)
    assert (result.verdict, result.margin) == (Verdict.OUTSIDE, Margin.CLEAR)
    assert "50 Hz" not in result.text
    mistaken = derive(AT_WORK, CAPACITOR, {"amps": "5.23 A", "volts": "370.0 V"}, EXACT)
    assert "At 50 Hz" in mistaken.text


def test_almost_no_amps_is_an_open_section() -> None:
    result = derive(AT_WORK, CAPACITOR, {"amps": "0.02 A", "volts": "370.0 V"})
    assert (result.verdict, result.failed) == (Verdict.OPEN, True)


def test_close_to_the_limit_it_is_a_close_call() -> None:
    result = derive(AT_WORK, CAPACITOR, {"amps": "5.92 A", "volts": "370.0 V"})
    assert (result.verdict, result.margin) == (Verdict.WITHIN, Margin.CLOSE_CALL)


def test_a_measured_frequency() -> None:
    with_frequency = DerivedPoint("l", AT_WORK.kind, "at work", (*AT_WORK.inputs, ("frequency", "hertz")))
    readings = {"amps": "6.28 A", "volts": "370.0 V"}
    assert derive(with_frequency, CAPACITOR, readings).missing == ("frequency L1–L2",)
    assert derive(with_frequency, CAPACITOR, {}).missing == ("amps HERM–S", "volts C–HERM", "frequency L1–L2")
    assert derive(with_frequency, CAPACITOR, {**readings, "hertz": "60.0 Hz"}).value == "45.02 µF"
    assert derive(with_frequency, CAPACITOR, {**readings, "hertz": "400 Hz"}).text.count("not a mains frequency") == 1
    assert derive(with_frequency, CAPACITOR, {**readings, "hertz": "0 Hz"}).verdict is None


def test_a_rating_of_its_own() -> None:
    own = DerivedPoint(
        "l", AT_WORK.kind, "at work", AT_WORK.inputs[:2], Rating(Amount(Decimal(40), "µF"), "10 %"), AT_WORK.frequency
    )
    result = derive(own, CAPACITOR[:2], {"amps": "6.28 A", "volts": "370.0 V"})
    assert (result.verdict, result.value) == (Verdict.OUTSIDE, "45.02 µF")
    assert "40 µF 10 %" in result.basis


def test_without_a_rating_the_figure_is_shown_and_not_judged() -> None:
    bare = [*CAPACITOR[:3], point("cap", Quantity.CAPACITANCE, ("C", "HERM"), component="run capacitor")]
    result = derive(AT_WORK, bare, {"amps": "6.28 A", "volts": "370.0 V"})
    assert (result.verdict, result.value) == (Verdict.NO_LIMITS, "45.02 µF")
    assert "enter the rating" in result.text


@pytest.mark.parametrize("readings", [{"amps": "6.28 A", "volts": "0.0 V"}, {"amps": "-1.0 A", "volts": "370 V"}])
def test_impossible_volts_and_amps(readings: Readings) -> None:
    result = derive(AT_WORK, CAPACITOR, readings)
    assert result.verdict is None
    assert result.text


@given(st.decimals(min_value=1, max_value=80, places=2))
def test_the_current_of_a_capacitor_gives_its_capacitance(microfarads: Decimal) -> None:
    amps = float(microfarads) * 1e-6 * 2 * 3.141592653589793 * 60 * 370
    result = derive(AT_WORK, CAPACITOR, {"amps": f"{amps:.6f} A", "volts": "370.0 V"}, EXACT)
    value = Decimal(result.value.split()[0])
    assert abs(value - microfarads) <= microfarads * Decimal("0.0006")


# Windings


def test_windings_that_add_up_name_the_terminals() -> None:
    result = derive(OF_WINDINGS, WINDINGS, three("1.00 ohm", "4.00 ohm", "5.00 ohm"), EXACT)
    assert (result.verdict, result.margin, result.value) == (Verdict.WITHIN, None, "as marked")
    assert result.text.startswith("C–R 1.00 Ω, C–S 4.00 Ω, R–S 5.00 Ω.")


@pytest.mark.parametrize(
    ("displays", "verdict", "value"),
    [
        (("1.00 ohm", "4.00 ohm", "7.00 ohm"), Verdict.OUTSIDE, "DOES NOT ADD UP"),
        (("OL", "OL", "5.00 ohm"), Verdict.OPEN, "OPEN TO C"),
        (("1.00 ohm", "OL", "OL"), Verdict.OPEN, "OPEN TO S"),
        (("0.02 ohm", "4.00 ohm", "4.02 ohm"), Verdict.SHORTED, "SHORTED BETWEEN C–R"),
        (("4.00 ohm", "4.00 ohm", "4.00 ohm"), Verdict.OUTSIDE, "THREE EQUAL READINGS"),
        (("1.00 ohm", "OL", "5.00 ohm"), Verdict.NO_CONTACT, "NO CONTACT ON C–S"),
        (("0.2 ohm", "0.2 ohm", "0.2 ohm"), Verdict.CANNOT_TELL, "CANNOT TELL"),
    ],
)
def test_windings(displays: tuple[str, str, str], verdict: Verdict | None, value: str) -> None:
    result = derive(OF_WINDINGS, WINDINGS, three(*displays))
    assert (result.verdict, result.value) == (verdict, value)


def test_windings_with_other_terminal_names_are_identified() -> None:
    named = [
        point(key, Quantity.RESISTANCE, terminals, component="motor")
        for key, terminals in (("a", ("1", "2")), ("b", ("2", "3")), ("c", ("1", "3")))
    ]
    result = derive(OF_WINDINGS, named, three("1.00 ohm", "4.00 ohm", "5.00 ohm"), EXACT)
    assert (result.verdict, result.value) == (Verdict.WITHIN, "C = 2, S = 3, R = 1")


def test_a_three_phase_motor_has_three_equal_windings() -> None:
    points = [
        point(key, Quantity.RESISTANCE, terminals, component="motor")
        for key, terminals in (("a", ("T1", "T2")), ("b", ("T2", "T3")), ("c", ("T1", "T3")))
    ]
    assert derive(OF_WINDINGS, points, three("1.62 ohm", "1.63 ohm", "1.62 ohm")).verdict is Verdict.WITHIN
    assert derive(OF_WINDINGS, points, three("1.62 ohm", "1.63 ohm", "1.20 ohm")).verdict is Verdict.OUTSIDE


def test_the_error_of_a_second_meter_explains_a_wrong_sum() -> None:
    line = AccuracyLine(Decimal(1), Decimal(3))
    one_meter = derive(OF_WINDINGS, WINDINGS, three("10.00 ohm/m", "40.00 ohm/m", "50.30 ohm/m"), line)
    two_meters = derive(OF_WINDINGS, WINDINGS, three("10.00 ohm/m", "40.00 ohm/m", "50.30 ohm/n"), line)
    assert (one_meter.verdict, two_meters.verdict) == (Verdict.OUTSIDE, Verdict.WITHIN)
    assert "more than one meter" in two_meters.basis


def test_missing_windings_are_named() -> None:
    assert derive(OF_WINDINGS, WINDINGS, {"a": "1.00 ohm"}).missing == ("C–S", "R–S")


# Split


@pytest.mark.parametrize(
    ("return_air", "supply_air", "verdict"),
    [
        ("75.2 °F", "55.8 °F", Verdict.WITHIN),
        ("75.2 °F", "68.0 °F", Verdict.OUTSIDE),
        ("24.0 °C", "13.5 °C", Verdict.WITHIN),
        ("70 °F", "92 °F", Verdict.OUTSIDE),
    ],
)
def test_the_usual_split(return_air: str, supply_air: str, verdict: Verdict) -> None:
    result = derive(SPLIT, AIR, {"return": return_air, "supply": supply_air})
    assert result.verdict is verdict
    assert f"Return air {return_air}" in result.text
    assert "common practice" in result.basis


def test_a_split_with_its_own_limits_and_thermometer() -> None:
    own = DerivedPoint("s", SPLIT.kind, "split", SPLIT.inputs, Span(Decimal(8), Decimal(10), "°C"))
    close = derive(own, AIR, {"return": "24.0 °C", "supply": "14.1 °C"})
    clear = derive(own, AIR, {"return": "24.0 °C", "supply": "14.1 °C"}, EXACT)
    assert (close.verdict, close.margin, close.value) == (Verdict.WITHIN, Margin.CLOSE_CALL, "9.9 °C")
    assert clear.margin is Margin.CLEAR
    assert close.basis.startswith("8 to 10 °C; return air minus supply air")


def test_a_split_names_the_air_it_needs() -> None:
    assert derive(SPLIT, AIR, {"return": "24.0 °C"}).missing == ("supply air",)
