"""One derived quantity has one uncertainty: in `meterlink judge`, in a plan's derived points, and in a diagnosis."""

import re
from decimal import Decimal
from functools import partial
from typing import Any

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from meterlink.core.equipment import (
    CircuitState,
    DerivedPoint,
    DerivedPointKind,
    PointKind,
    Rating,
    Span,
    TestPoint,
)
from meterlink.core.units import Amount, Quantity
from meterlink.core.verdicts import Verdict
from meterlink.diagnosis.derived_points import DerivedInputs, DerivedResult, judge_derived_points
from meterlink.diagnosis.engine import diagnose
from meterlink.diagnosis.observations import Case, PointReadings, observe
from meterlink.judge.electrical.insulation import DEFAULT_INSULATION_MINIMUM, insulation_limits, judge_insulation
from meterlink.judge.electrical.winding_readings import winding_sum
from meterlink.judge.electrical.windings import identify_windings
from meterlink.judge.estimates import Estimate, closing_error, difference_uncertainty
from meterlink.judge.measured_value import MeasuredValue, MeterReading
from meterlink.judge.repeats import combine_readings
from meterlink.judge.uncertainty import assumed_accuracy, parse_accuracy
from meterlink.station.rules import shipped_rules
from support.commands import run_for_json
from support.examples import examples
from support.measured_values import ohms, volts

printed_json = partial(run_for_json, "judge")

LINE = assumed_accuracy(Quantity.RESISTANCE)
PAIRS = (("C", "S"), ("C", "R"), ("R", "S"))


def motor_points() -> list[TestPoint]:
    return [
        TestPoint(
            f"{one}{other}".lower(), "compressor", "compressor motor", (one, other), Quantity.RESISTANCE,
            CircuitState.ISOLATED, PointKind.RANGE, None, "",
        )
        for one, other in PAIRS
    ]  # fmt: skip


def read(points: list[TestPoint], values: list[MeasuredValue]) -> dict[str, PointReadings]:
    return {
        point.key: PointReadings(point, (observe(point, value, number),))
        for number, (point, value) in enumerate(zip(points, values, strict=True), 1)
    }


def derive(derived_point: DerivedPoint, readings: dict[str, PointReadings]) -> DerivedResult:
    (result,) = judge_derived_points((derived_point,), DerivedInputs(readings, dict.fromkeys(readings)))
    return result


def of_windings(values: list[MeasuredValue]) -> DerivedResult:
    roles = tuple(zip(("first", "second", "third"), ("cs", "cr", "rs"), strict=True))
    return derive(DerivedPoint("w", DerivedPointKind.WINDINGS, "windings", roles), read(motor_points(), values))


def diagnosed_causes(values: list[MeasuredValue]) -> set[str]:
    case = Case(tuple(read(motor_points(), values).values()))
    return {cause.rule for cause in diagnose(case, shipped_rules()).causes}


hundredths = st.integers(30, 900).map(lambda number: Decimal(number) / 100)


@examples(150)
@given(hundredths, hundredths, st.integers(-120, 120))
def test_a_sum_of_windings_adds_up_in_the_judge_the_plan_and_the_diagnosis(
    start: Decimal, run: Decimal, error: int
) -> None:
    assume(start > run + Decimal("0.1"))
    series = start + run + Decimal(error) / 100
    assume(series > start + Decimal("0.1"))  # R–S is the largest, as in every motor
    values = [MeasuredValue(Quantity.RESISTANCE, value, "Ω", Decimal("0.01")) for value in (start, run, series)]
    typed = identify_windings([(*pair, value) for pair, value in zip(PAIRS, values, strict=True)])
    planned = of_windings(values)
    adds_up = typed.verdict is Verdict.WITHIN
    assert planned.verdict is typed.verdict
    assert bool(diagnosed_causes(values) & {"sum-too-high", "sum-too-low"}) is not adds_up
    readings = [MeterReading(value, LINE) for value in values]
    assert winding_sum(readings[2], readings[:2]).allowed == typed.sum_uncertainty


def test_the_three_answers_name_the_same_uncertainty() -> None:
    values = [ohms(text) for text in ("4.00 ohm", "1.00 ohm", "5.04 ohm")]
    fields = printed_json("windings", "C-S=4.00ohm", "C-R=1.00ohm", "R-S=5.04ohm")
    # ±5 digits of zero error once, 1 % of the 0.04 Ω that are left, and a digit and half a digit of repeatability each.
    expected = 2 * ((0.05**2 + 0.0004**2) / 3 + 3 * (0.01**2 + 0.005**2) / 3) ** 0.5
    assert fields["sum_uncertainty"] == pytest.approx(expected, rel=1e-5)
    assert "the meter may be off by 0.062 Ω on this" in fields["reason"]
    assert "the meter may be off by 0.062 Ω on this" in of_windings(values).text
    case = Case(tuple(read(motor_points(), [*values[:2], ohms("6.50 ohm")]).values()))
    texts = [
        text
        for cause in diagnose(case, shipped_rules()).causes
        for text in (*cause.evidence_for, *cause.evidence_against)
    ]
    limit = winding_sum(MeterReading(ohms("6.50 ohm"), LINE), [MeterReading(value, LINE) for value in values[:2]])
    assert any(f"The meter's error here is up to {limit.allowed:.2g} Ω." in text for text in texts)


def test_two_meters_err_independently_in_a_sum() -> None:
    # JCGM 100, 5.1.2: with three meters nothing cancels, and the three uncertainties add in squares.
    readings = [MeterReading(ohms(f"{text} ohm"), LINE, text) for text in ("4.00", "1.00", "5.00")]
    estimates = [Estimate.from_measured_value(reading.measured, LINE) for reading in readings]
    squares = sum(estimate.standard_uncertainty**2 for estimate in estimates if estimate)
    assert closing_error(readings[2], readings[:2]).standard_uncertainty == pytest.approx(squares**0.5)
    assert difference_uncertainty(*readings[:2]) > difference_uncertainty(
        *(reading._replace(meter="") for reading in readings[:2])
    )


def half_width(text: str, unit: str) -> float:
    match = re.search(rf"± ?([0-9.e-]+) {unit}", text)
    assert match, text
    return float(match[1])


LINES = [
    TestPoint(key, "c", "line", terminals, Quantity.VOLTAGE, CircuitState.ENERGIZED, PointKind.RANGE, None, "")
    for key, terminals in (("a", ("L1", "L2")), ("b", ("L2", "L3")), ("c", ("L1", "L3")))
]
UNBALANCE = DerivedPoint(
    "u", DerivedPointKind.UNBALANCE, "unbalance", (("first", "a"), ("second", "b"), ("third", "c")),
    Span(None, Decimal(2), "%"),
)  # fmt: skip


def test_an_unbalance_has_one_uncertainty() -> None:
    fields = printed_json("unbalance", "460.0V", "467.0V", "450.0V")
    planned = derive(UNBALANCE, read(LINES, [volts(text) for text in ("460.0V", "467.0V", "450.0V")]))
    assert half_width(planned.text, "%") == float(f"{fields['expanded_uncertainty']:.2g}")
    assert (str(planned.verdict), str(planned.margin)) == (fields["verdict"], fields["margin"])
    assert planned.text.startswith(fields["reason"].split(" While a motor runs")[0])


CAPACITOR = [
    TestPoint(key, "c", "run capacitor", terminals, quantity, state, kind, specification, "HERM")
    for key, terminals, quantity, state, kind, specification in (
        ("amps", ("HERM", "S"), Quantity.CURRENT, CircuitState.ENERGIZED, PointKind.RANGE, None),
        ("volts", ("C", "HERM"), Quantity.VOLTAGE, CircuitState.ENERGIZED, PointKind.RANGE, None),
        (
            "cap", ("C", "HERM"), Quantity.CAPACITANCE, CircuitState.ISOLATED, PointKind.CAPACITOR,
            Rating(Amount(Decimal(45), "µF"), "6 %"),
        ),
    )
]  # fmt: skip
AT_WORK = DerivedPoint(
    "l", DerivedPointKind.UNDER_LOAD, "at work", (("amps", "amps"), ("volts", "volts"), ("capacitor", "cap")),
    frequency=Amount(Decimal(60), "Hz"),
)  # fmt: skip


def at_work(amps: str) -> tuple[dict[str, PointReadings], Any]:
    """Return the readings of a capacitor at work, and the output of `judge under-load` for them."""
    current = MeasuredValue(Quantity.CURRENT, Decimal(amps), "A", Decimal("0.01"))
    bench = MeasuredValue(Quantity.CAPACITANCE, Decimal("44.8"), "µF", Decimal("0.1"))
    readings = read(CAPACITOR, [current, volts("370.0V"), bench])
    typed = ("under-load", f"--amps={amps}A", "--volts=370.0V", "--frequency=60Hz", "--rated=45uF")
    return readings, printed_json(*typed)


def test_a_capacitance_under_load_has_one_uncertainty() -> None:
    readings, fields = at_work("5.70")
    (planned,) = judge_derived_points((AT_WORK,), DerivedInputs(readings, {}))
    assert half_width(planned.text, "µF") == float(f"{fields['expanded_uncertainty']:.2g}")
    readings, fields = at_work("4.00")
    causes = diagnose(Case(tuple(readings.values()), mains_frequency=60.0), shipped_rules()).causes
    texts = [text for cause in causes for text in (*cause.evidence_for, *cause.evidence_against)]
    told = [text for text in texts if text.startswith("Under load it has")]
    assert told
    assert all(half_width(text, "µF") == pytest.approx(fields["expanded_uncertainty"], rel=0.01) for text in told)


AIR = [
    TestPoint(key, "air", f"{key} air", ("duct", "bead"), Quantity.TEMPERATURE, CircuitState.ENERGIZED,
              PointKind.RANGE, None, "")
    for key in ("return", "supply")
]  # fmt: skip
SPLIT = DerivedPoint("s", DerivedPointKind.SPLIT, "split", (("return", "return"), ("supply", "supply")))


@pytest.mark.parametrize(("warm", "cold"), [("75.0F", "58.5F"), ("24.0C", "14.9C")])
def test_a_split_has_one_uncertainty(warm: str, cold: str) -> None:
    fields: dict[str, Any] = printed_json("split", f"--return={warm}", f"--supply={cold}")
    values = [MeasuredValue.from_text(text, Quantity.TEMPERATURE) for text in (warm, cold)]
    planned = derive(SPLIT, read(AIR, values))
    assert half_width(planned.text, fields["unit"]) == float(f"{fields['expanded_uncertainty']:.2g}")
    assert (str(planned.verdict), str(planned.margin)) == (fields["verdict"], fields["margin"])


def test_the_leads_are_as_uncertain_as_the_sum_that_shows_them() -> None:
    line = parse_accuracy("0.5 % + 2 digits")
    values = [ohms(text) for text in ("4.30 ohm", "1.30 ohm", "5.30 ohm")]
    result = identify_windings([(*pair, value) for pair, value in zip(PAIRS, values, strict=True)], line)
    assert result.lead_ohms == pytest.approx(0.3)
    assert f"leads add 0.3 Ω (±{result.sum_uncertainty:.2g} Ω) to each reading" in result.reason


@given(st.integers(1, 2000), st.sampled_from(["1 % + 5 digits", "3 digits", "2 %"]))
def test_one_reading_has_the_uncertainty_of_its_judgement(hundredths_of_megohm: int, text: str) -> None:
    digits, line = Decimal(hundredths_of_megohm) / 100, parse_accuracy(text)
    reading = MeasuredValue(Quantity.RESISTANCE, digits, "MΩ", Decimal("0.01"))
    judgement = judge_insulation(insulation_limits(DEFAULT_INSULATION_MINIMUM), reading, line)
    combined = combine_readings([MeterReading(reading, line)], "Ω")
    assert combined.expanded_uncertainty == pytest.approx(1e6 * float(judgement.expanded_uncertainty or 0))
