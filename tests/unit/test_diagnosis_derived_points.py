"""What is worked out of several held readings: each kind within, outside, close, incomplete and impossible."""

from collections.abc import Mapping
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.core.equipment import CircuitState, DerivedPoint, DerivedPointKind, PointKind, Rating, Span, TestPoint
from meterlink.core.units import Amount, Quantity, parse_amount, resolution_of
from meterlink.core.verdicts import Limits, Margin, Verdict
from meterlink.diagnosis.derived_points import DerivedInputs, DerivedResult, judge_derived_points
from meterlink.diagnosis.observations import PointReadings, observe
from meterlink.judge.judging import MeasuredValue, limits_for
from meterlink.judge.uncertainty import AccuracyLine

EXACT = AccuracyLine(Decimal(0), Decimal(0))
TOLERANCE = "6 %"


def point(key: str, quantity: Quantity, ends: tuple[str, str], **more: object) -> TestPoint:
    check = PointKind.CAPACITOR if quantity is Quantity.CAPACITANCE else PointKind.RANGE
    given = {"state": CircuitState.ENERGIZED, "check": check, "section": "", "component": "line", **more}
    return TestPoint(key=key, circuit="c", terminals=ends, quantity=quantity, **given)  # type: ignore[arg-type]


LINES = [
    point(key, Quantity.VOLTAGE, ends) for key, ends in (("a", ("L1", "L2")), ("b", ("L2", "L3")), ("c", ("L1", "L3")))
]
LEADS = [point(key, Quantity.CURRENT, (f"T{n}", "motor"), component="motor") for n, key in enumerate("abc", 1)]
WINDINGS = [
    point(key, Quantity.RESISTANCE, ends, component="motor", state=CircuitState.ISOLATED)
    for key, ends in (("a", ("C", "R")), ("b", ("C", "S")), ("c", ("R", "S")))
]
CAPACITOR = [
    point("amps", Quantity.CURRENT, ("HERM", "S")),
    point("volts", Quantity.VOLTAGE, ("C", "HERM")),
    point("hertz", Quantity.FREQUENCY, ("L1", "L2")),
    point("cap", Quantity.CAPACITANCE, ("C", "HERM"), component="run capacitor", section="HERM",
          against=Rating(Amount(Decimal(45), "µF"), None)),
]  # fmt: skip
AIR = [
    point("back", Quantity.TEMPERATURE, ("duct", "bead"), component="return air"),
    point("out", Quantity.TEMPERATURE, ("duct", "bead"), component="supply air"),
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
SPLIT = DerivedPoint("s", DerivedPointKind.SPLIT, "split", (("return", "back"), ("supply", "out")))

OHMS = "OL"
# text of a reading -> with another meter's name after a slash: "230.1 V/other"
Readings = Mapping[str, str]


def worked_out(
    check: DerivedPoint, points: list[TestPoint], readings: Readings, accuracy: AccuracyLine | None = None
) -> DerivedResult:
    takes, limits = {}, dict[str, Limits | None]()
    for number, at in enumerate(points, 1):
        taken = ()
        if at.key in readings:
            shown, _, meter = readings[at.key].partition("/")
            if shown == OHMS:
                measured = MeasuredValue(at.quantity, None, "Ω", Decimal("0.01"))
            else:
                amount = parse_amount(shown, at.quantity)
                measured = MeasuredValue(at.quantity, amount.digits, amount.unit, resolution_of(amount.digits))
            seen = observe(at, measured, number, accuracy)
            taken = (type(seen)(**{name: getattr(seen, name) for name in seen.__slots__} | {"meter": meter}),)
        takes[at.key] = PointReadings(at, taken)
        limits[at.key] = limits_for(at, TOLERANCE)
    (derived,) = judge_derived_points((check,), DerivedInputs(takes, limits, TOLERANCE))
    return derived


def volts(*three: str) -> Readings:
    return dict(zip("abc", three, strict=True))


# Unbalance


def test_the_usual_example_of_unbalance() -> None:
    """460, 467, 450 V: mean 459, largest deviation 9, 1.96 % (NEMA MG-1, 14.36, the common example; from memory)."""
    found = worked_out(UNBALANCE, LINES, volts("460 V", "467 V", "450 V"))
    assert (found.verdict, found.margin, found.value) == (Verdict.WITHIN, Margin.CLOSE_CALL, "1.961 %")
    assert "Mean 459 V" in found.text
    assert "V2/V1" in found.text
    assert "0.95 of its rated power" in found.text
    assert "NEMA MG-1" in found.basis
    assert "one meter on one range" in found.basis
    assert not found.missing


def test_unbalance_outside_and_clear() -> None:
    found = worked_out(UNBALANCE, LINES, volts("460.1 V", "467.0 V", "440.2 V"))
    assert (found.verdict, found.margin, found.failed) == (Verdict.OUTSIDE, Margin.CLEAR, True)
    assert "above the high limit of 2 %" in found.text


def test_above_five_percent_no_motor_is_to_run() -> None:
    found = worked_out(UNBALANCE, LINES, volts("460.1 V", "467.0 V", "400.2 V"))
    assert "do not operate a motor" in found.text


def test_amps_have_their_own_limit_and_no_derating() -> None:
    usual = DerivedPoint("u", DerivedPointKind.UNBALANCE, "unbalance", UNBALANCE.inputs)
    found = worked_out(usual, LEADS, volts("10.0 A", "10.4 A", "9.7 A"))
    assert found.verdict is Verdict.WITHIN
    assert "at most 10 %" in found.basis
    assert "I2/I1" in found.text
    assert "rated power" not in found.text
    assert worked_out(usual, LEADS, volts("10.0 A", "13.4 A", "9.7 A")).verdict is Verdict.OUTSIDE


def test_several_meters_or_ranges_leave_more_doubt() -> None:
    one = worked_out(UNBALANCE, LINES, volts("460.1 V/m", "464.0 V/m", "455.0 V/m"))
    two = worked_out(UNBALANCE, LINES, volts("460.1 V/m", "464.0 V/n", "455.0 V/m"))
    ranges = worked_out(UNBALANCE, LINES, volts("460.1 V/m", "464 V/m", "455.0 V/m"))
    assert (one.verdict, two.verdict, ranges.verdict) == (Verdict.WITHIN,) * 3
    assert (one.margin, two.margin, ranges.margin) == (Margin.CLEAR, Margin.CLOSE_CALL, Margin.CLOSE_CALL)
    assert "each by itself" in two.basis


def test_units_are_brought_together() -> None:
    assert worked_out(UNBALANCE, LINES, volts("460.0 V", "0.4600 kV", "460.0 V")).verdict is Verdict.WITHIN


@pytest.mark.parametrize("kept", ["", "a", "b", "ab", "ac", "bc"])
def test_what_is_missing_is_named(kept: str) -> None:
    readings = dict.fromkeys(kept, "460.0 V")
    found = worked_out(UNBALANCE, LINES, readings)
    where = {"a": "L1–L2", "b": "L2–L3", "c": "L1–L3"}
    assert found.missing == tuple(where[key] for key in "abc" if key not in kept)
    assert found.verdict is found.margin is None
    assert found.text == f"Needs {', '.join(found.missing)}."
    assert not found.failed
    assert "at most 2 %" in found.basis


@pytest.mark.parametrize("three", [("460 V", "3 V", "5 V"), ("0 V", "0 V", "0 V")])
def test_volts_that_cannot_be_get_no_verdict_but_words(three: tuple[str, str, str]) -> None:
    found = worked_out(UNBALANCE, LINES, volts(*three))
    assert found.verdict is None
    assert not found.missing
    assert "line to line" in found.text or "not all zero" in found.text


values = st.decimals(min_value=200, max_value=260, places=1)


@given(values, values, values, st.permutations("abc"))
def test_the_order_of_the_three_does_not_matter(a: Decimal, b: Decimal, c: Decimal, order: list[str]) -> None:
    three = [f"{each} V" for each in (a, b, c)]
    found = worked_out(UNBALANCE, LINES, dict(zip("abc", three, strict=True)))
    turned = worked_out(UNBALANCE, LINES, dict(zip(order, three, strict=True)))
    assert (found.verdict, found.margin, found.value) == (turned.verdict, turned.margin, turned.value)
    mean = (a + b + c) / 3
    worst = 100 * max(abs(each - mean) for each in (a, b, c)) / mean
    assert abs(Decimal(found.value.removesuffix(" %")) - worst) <= worst * Decimal("0.0006")
    assert (found.verdict is Verdict.OUTSIDE) == (worst > 2)


# Under load


def test_a_capacitor_at_work_against_the_rating_of_its_test_point() -> None:
    """6.28 A, 370 V, 60 Hz: 45.02 µF (I/(2πfV), recomputed)."""
    found = worked_out(AT_WORK, CAPACITOR, {"amps": "6.28 A", "volts": "370.0 V"})
    assert (found.verdict, found.value) == (Verdict.WITHIN, "45.02 µF")
    assert "6.28 A and 370.0 V at 60 Hz" in found.text
    assert "the rating of the run capacitor HERM" in found.basis
    assert "amps in its own lead" in found.basis
    assert "±0.2 Hz, assumed" in found.basis


def test_a_weak_one_is_outside_and_the_other_mains_frequency_is_thought_of() -> None:
    found = worked_out(AT_WORK, CAPACITOR, {"amps": "4.00 A", "volts": "370.0 V"}, EXACT)
    assert (found.verdict, found.margin) == (Verdict.OUTSIDE, Margin.CLEAR)
    assert "50 Hz" not in found.text
    mistaken = worked_out(AT_WORK, CAPACITOR, {"amps": "5.23 A", "volts": "370.0 V"}, EXACT)
    assert "At 50 Hz" in mistaken.text


def test_next_to_no_amps_is_an_open_section() -> None:
    found = worked_out(AT_WORK, CAPACITOR, {"amps": "0.02 A", "volts": "370.0 V"})
    assert (found.verdict, found.failed) == (Verdict.OPEN, True)


def test_close_to_the_limit_it_is_a_close_call() -> None:
    found = worked_out(AT_WORK, CAPACITOR, {"amps": "5.92 A", "volts": "370.0 V"})
    assert (found.verdict, found.margin) == (Verdict.WITHIN, Margin.CLOSE_CALL)


def test_a_frequency_that_is_read() -> None:
    read = DerivedPoint("l", AT_WORK.kind, "at work", (*AT_WORK.inputs, ("frequency", "hertz")))
    readings = {"amps": "6.28 A", "volts": "370.0 V"}
    assert worked_out(read, CAPACITOR, readings).missing == ("frequency L1–L2",)
    assert worked_out(read, CAPACITOR, {}).missing == ("amps HERM–S", "volts C–HERM", "frequency L1–L2")
    assert worked_out(read, CAPACITOR, {**readings, "hertz": "60.0 Hz"}).value == "45.02 µF"
    assert worked_out(read, CAPACITOR, {**readings, "hertz": "400 Hz"}).text.count("no mains frequency") == 1
    assert worked_out(read, CAPACITOR, {**readings, "hertz": "0 Hz"}).verdict is None


def test_a_rating_of_its_own() -> None:
    own = DerivedPoint(
        "l", AT_WORK.kind, "at work", AT_WORK.inputs[:2], Rating(Amount(Decimal(40), "µF"), "10 %"), AT_WORK.frequency
    )
    found = worked_out(own, CAPACITOR[:2], {"amps": "6.28 A", "volts": "370.0 V"})
    assert (found.verdict, found.value) == (Verdict.OUTSIDE, "45.02 µF")
    assert "40 µF 10 %" in found.basis


def test_without_a_rating_the_figure_is_shown_and_not_judged() -> None:
    bare = [*CAPACITOR[:3], point("cap", Quantity.CAPACITANCE, ("C", "HERM"), component="run capacitor")]
    found = worked_out(AT_WORK, bare, {"amps": "6.28 A", "volts": "370.0 V"})
    assert (found.verdict, found.value) == (Verdict.NO_LIMITS, "45.02 µF")
    assert "enter the rating" in found.text


@pytest.mark.parametrize("readings", [{"amps": "6.28 A", "volts": "0.0 V"}, {"amps": "-1.0 A", "volts": "370 V"}])
def test_volts_and_amps_that_cannot_be(readings: Readings) -> None:
    found = worked_out(AT_WORK, CAPACITOR, readings)
    assert found.verdict is None
    assert found.text


@given(st.decimals(min_value=1, max_value=80, places=2))
def test_what_a_capacitor_draws_gives_its_capacitance_back(microfarads: Decimal) -> None:
    amps = float(microfarads) * 1e-6 * 2 * 3.141592653589793 * 60 * 370
    found = worked_out(AT_WORK, CAPACITOR, {"amps": f"{amps:.6f} A", "volts": "370.0 V"}, EXACT)
    value = Decimal(found.value.split()[0])
    assert abs(value - microfarads) <= microfarads * Decimal("0.0006")


# Windings


def test_windings_that_add_up_name_the_terminals() -> None:
    found = worked_out(OF_WINDINGS, WINDINGS, volts("1.00 ohm", "4.00 ohm", "5.00 ohm"), EXACT)
    assert (found.verdict, found.margin, found.value) == (Verdict.WITHIN, None, "as marked")
    assert found.text.startswith("C–R 1.00 Ω, C–S 4.00 Ω, R–S 5.00 Ω.")


@pytest.mark.parametrize(
    ("three", "verdict", "says"),
    [
        (("1.00 ohm", "4.00 ohm", "7.00 ohm"), Verdict.OUTSIDE, "DOES NOT ADD UP"),
        (("OL", "OL", "5.00 ohm"), Verdict.OPEN, "OPEN TO C"),
        (("1.00 ohm", "OL", "OL"), Verdict.OPEN, "OPEN TO S"),
        (("0.02 ohm", "4.00 ohm", "4.02 ohm"), Verdict.SHORTED, "SHORTED BETWEEN C–R"),
        (("4.00 ohm", "4.00 ohm", "4.00 ohm"), Verdict.OUTSIDE, "THREE EQUAL READINGS"),
        (("1.00 ohm", "OL", "5.00 ohm"), Verdict.NO_CONTACT, "NO CONTACT ON C–S"),
        (("0.2 ohm", "0.2 ohm", "0.2 ohm"), None, "CANNOT TELL"),
    ],
)
def test_windings(three: tuple[str, str, str], verdict: Verdict | None, says: str) -> None:
    found = worked_out(OF_WINDINGS, WINDINGS, volts(*three))
    assert (found.verdict, found.value) == (verdict, says)


def test_windings_under_other_names_are_told_apart() -> None:
    named = [
        point(key, Quantity.RESISTANCE, ends, component="motor")
        for key, ends in (("a", ("1", "2")), ("b", ("2", "3")), ("c", ("1", "3")))
    ]
    found = worked_out(OF_WINDINGS, named, volts("1.00 ohm", "4.00 ohm", "5.00 ohm"), EXACT)
    assert (found.verdict, found.value) == (Verdict.WITHIN, "C = 2, S = 3, R = 1")


def test_a_three_phase_motor_has_three_equal_windings() -> None:
    three = [
        point(key, Quantity.RESISTANCE, ends, component="motor")
        for key, ends in (("a", ("T1", "T2")), ("b", ("T2", "T3")), ("c", ("T1", "T3")))
    ]
    assert worked_out(OF_WINDINGS, three, volts("1.62 ohm", "1.63 ohm", "1.62 ohm")).verdict is Verdict.WITHIN
    assert worked_out(OF_WINDINGS, three, volts("1.62 ohm", "1.63 ohm", "1.20 ohm")).verdict is Verdict.OUTSIDE


def test_another_meters_error_may_make_a_sum_that_fails() -> None:
    line = AccuracyLine(Decimal(1), Decimal(3))
    one = worked_out(OF_WINDINGS, WINDINGS, volts("10.00 ohm/m", "40.00 ohm/m", "50.30 ohm/m"), line)
    two = worked_out(OF_WINDINGS, WINDINGS, volts("10.00 ohm/m", "40.00 ohm/m", "50.30 ohm/n"), line)
    assert (one.verdict, two.verdict) == (Verdict.OUTSIDE, Verdict.WITHIN)
    assert "more than one meter" in two.basis


def test_windings_still_to_be_read() -> None:
    assert worked_out(OF_WINDINGS, WINDINGS, {"a": "1.00 ohm"}).missing == ("C–S", "R–S")


# Split


@pytest.mark.parametrize(
    ("back", "out", "verdict"),
    [
        ("75.2 °F", "55.8 °F", Verdict.WITHIN),
        ("75.2 °F", "68.0 °F", Verdict.OUTSIDE),
        ("24.0 °C", "13.5 °C", Verdict.WITHIN),
        ("70 °F", "92 °F", Verdict.OUTSIDE),
    ],
)
def test_the_usual_split(back: str, out: str, verdict: Verdict) -> None:
    found = worked_out(SPLIT, AIR, {"back": back, "out": out})
    assert found.verdict is verdict
    assert f"Return air {back}" in found.text
    assert "common practice" in found.basis


def test_a_split_with_its_own_limits_and_thermometer() -> None:
    own = DerivedPoint("s", SPLIT.kind, "split", SPLIT.inputs, Span(Decimal(8), Decimal(10), "°C"))
    close = worked_out(own, AIR, {"back": "24.0 °C", "out": "14.1 °C"})
    clear = worked_out(own, AIR, {"back": "24.0 °C", "out": "14.1 °C"}, EXACT)
    assert (close.verdict, close.margin, close.value) == (Verdict.WITHIN, Margin.CLOSE_CALL, "9.9 °C")
    assert clear.margin is Margin.CLEAR
    assert close.basis.startswith("8 to 10 °C; return air less supply air")


def test_a_split_names_the_air_it_needs() -> None:
    assert worked_out(SPLIT, AIR, {"back": "24.0 °C"}).missing == ("supply air",)
