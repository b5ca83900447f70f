from decimal import Decimal
from itertools import combinations, permutations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.core.errors import InputError
from meterlink.core.units import Amount, Quantity, parse_amount
from meterlink.core.verdicts import Verdict
from meterlink.judge.electrical.insulation import DEFAULT_INSULATION_MINIMUM, insulation_limits, judge_insulation
from meterlink.judge.electrical.winding_temperature import (
    WindingMetal,
    is_plausible_temperature,
    resistance_at_temperature,
    winding_temperature,
)
from meterlink.judge.electrical.windings import WindingsResult, identify_windings
from meterlink.judge.judging import MeasuredValue
from meterlink.judge.uncertainty import AccuracyLine

OVERLOAD = MeasuredValue(Quantity.RESISTANCE, None, "Ω", Decimal(0))
FINE = AccuracyLine(Decimal("0.5"), Decimal(2))


def ohms(text: str) -> MeasuredValue:
    if text == "OL":
        return OVERLOAD
    return MeasuredValue.from_amount(Quantity.RESISTANCE, parse_amount(text, Quantity.RESISTANCE, unit="Ω"))


def windings(labels: str, first: str, second: str, third: str, accuracy: AccuracyLine | None = None) -> WindingsResult:
    """Identify the windings from readings 1–2, 2–3 and 1–3; ``labels`` names the three terminals."""
    a, b, c = tuple(labels)
    return identify_windings([(a, b, ohms(first)), (b, c, ohms(second)), (a, c, ohms(third))], accuracy)


hundredths = st.integers(30, 3000)


@given(hundredths, st.integers(20, 3000), st.permutations("CSR"), st.permutations([0, 1, 2]), st.booleans())
def test_identification_does_not_depend_on_names_or_order(
    run: int, more: int, names: list[str], order: list[int], flip: bool
) -> None:
    start = run + more
    # The names are permuted among the terminals, so that only the resistances count.
    c, s, r = (name.lower() + "x" for name in names)
    readings = [(c, s, start), (c, r, run), (r, s, start + run)]
    measurements = [
        (b, a, ohms(f"{Decimal(value) / 100:.2f}")) if flip else (a, b, ohms(f"{Decimal(value) / 100:.2f}"))
        for a, b, value in (readings[i] for i in order)
    ]
    result = identify_windings(measurements, FINE)
    assert result.terminals_by_role == {"C": c, "S": s, "R": r}
    assert result.verdict is Verdict.WITHIN


@pytest.mark.parametrize("labels", ["".join(names) for names in permutations("123")])
def test_every_naming_of_a_common_compressor(labels: str) -> None:
    c, s, r = tuple(labels)
    result = identify_windings([(s, c, ohms("2.6")), (c, r, ohms("0.8")), (r, s, ohms("3.4"))])
    assert result.verdict is Verdict.WITHIN
    assert result.terminals_by_role == {"C": c, "S": s, "R": r}


def test_a_marking_contradicted_by_the_readings() -> None:
    right = identify_windings([("C", "S", ohms("4.0")), ("C", "R", ohms("1.0")), ("R", "S", ohms("5.0"))])
    assert right.terminals_by_role == {"C": "C", "S": "S", "R": "R"}
    assert "contradict" not in right.reason
    wrong = identify_windings([("C", "S", ohms("1.0")), ("C", "R", ohms("4.0")), ("R", "S", ohms("5.0"))])
    assert wrong.terminals_by_role == {"C": "C", "S": "R", "R": "S"}
    assert "contradict" in wrong.reason
    assert "NOT AS MARKED" in wrong.headline


@pytest.mark.parametrize("dead", ["C", "S", "R"])
def test_one_terminal_open_to_both_others(dead: str) -> None:
    readings = [(a, b, OVERLOAD if dead in {a, b} else ohms("5.0")) for a, b in combinations("CSR", 2)]
    result = identify_windings(readings)
    assert result.verdict is Verdict.OPEN
    assert result.headline == f"OPEN TO {dead}"
    assert not result.terminals_by_role
    expected = {"C": "internal protector", "S": "open start winding", "R": "open run winding"}
    for role, words in expected.items():
        assert (words in result.reason) == (role == dead)
    # With neutral names the same readings leave all three possible; nothing is guessed, and the protector is named.
    unnamed = [(a.replace("C", "1"), b.replace("C", "1"), value) for a, b, value in readings]
    open_reason = identify_windings(unnamed).reason
    assert "internal protector" in open_reason
    assert "S or R" in open_reason


def test_all_open() -> None:
    result = windings("123", "OL", "OL", "OL")
    assert result.verdict is Verdict.OPEN
    assert "probes" in result.reason


def test_one_overload_contradicts_the_two_that_conduct() -> None:
    result = windings("123", "1.0", "4.0", "OL")
    assert result.verdict is Verdict.NO_CONTACT
    assert "1–3" in result.headline


@pytest.mark.parametrize(
    ("pair", "words"), [("CS", "start winding is shorted"), ("CR", "run winding is shorted"), ("RS", "bridged")]
)
def test_shorted(pair: str, words: str) -> None:
    result = identify_windings(
        [(a, b, ohms("0.0" if {a, b} == set(pair) else "2.0")) for a, b in combinations("CSR", 2)]
    )
    assert result.verdict is Verdict.SHORTED
    assert words in result.reason
    assert "0.0 Ω" in result.reason


def test_shorted_with_neutral_names_or_touching_probes() -> None:
    assert "or S and R are bridged" in windings("123", "0.1", "2.0", "2.0").reason
    assert "do the probes touch" in windings("123", "0.0", "0.1", "0.1").reason
    # The boundary of "shorted" is a setting; a reading on it is shorted.
    readings = [("1", "2", ohms("0.15")), ("2", "3", ohms("0.65")), ("1", "3", ohms("0.80"))]
    assert identify_windings(readings, FINE).verdict is Verdict.WITHIN
    assert identify_windings(readings, FINE, Amount(Decimal("0.15"), "Ω")).verdict is Verdict.SHORTED


@pytest.mark.parametrize("values", [("4.0", "4.0", "4.0"), ("4.0", "4.1", "4.0"), ("15.0", "15.3", "15.2")])
def test_equal_readings_are_never_taken_for_a_single_phase_motor(values: tuple[str, str, str]) -> None:
    result = windings("123", *values)
    assert result.headline == "THREE EQUAL READINGS"
    assert "three-phase" in result.reason
    assert not result.terminals_by_role


def test_equal_readings_within_the_uncertainty_of_a_sum() -> None:
    result = windings("123", "0.3", "0.3", "0.3")
    assert result.verdict is None
    assert not result.terminals_by_role


def test_start_and_run_alike_leave_only_the_common_terminal() -> None:
    result = windings("abc", "2.0", "2.0", "4.0")
    assert result.verdict is Verdict.WITHIN
    assert result.terminals_by_role == {"C": "b"}


def test_a_sum_that_fails() -> None:
    high = windings("123", "4.00", "1.00", "5.80", FINE)
    assert high.verdict is Verdict.OUTSIDE
    assert high.sum_error == pytest.approx(0.8)
    assert "zeroed add" not in high.reason
    # 0.3 Ω of leads in each reading: the largest is 0.3 Ω short of the sum.
    leads = windings("123", "4.30", "1.30", "5.30", FINE)
    assert leads.verdict is Verdict.OUTSIDE
    assert "zeroed add" in leads.reason


def test_uncertainty_of_the_sum() -> None:
    # One range: one zero error of 2 digits, and three times a digit of repeatability and half a digit of rounding.
    one_range = windings("123", "4.0", "1.0", "5.0", FINE)
    u2 = (0.2**2 + 3 * (0.1**2 + 0.05**2)) / 3
    assert one_range.sum_uncertainty == pytest.approx(2 * u2**0.5)
    # Two ranges: the accuracy line of each reading.
    two_ranges = windings("123", "40.0", "1.00", "41.0", FINE)
    u2 = sum((0.005 * v + 2 * step) ** 2 + (step / 2) ** 2 for v, step in ((40, 0.1), (1, 0.01), (41, 0.1))) / 3
    assert two_ranges.sum_uncertainty == pytest.approx(2 * u2**0.5)


@pytest.mark.parametrize(
    "readings",
    [
        [],
        [("1", "2", ohms("1.0"))],
        [("1", "2", ohms("1.0")), ("1", "2", ohms("1.0")), ("1", "3", ohms("1.0"))],
        [("1", "1", ohms("1.0")), ("2", "3", ohms("1.0")), ("1", "3", ohms("1.0"))],
        [("1", "2", ohms("1.0")), ("3", "4", ohms("1.0")), ("1", "3", ohms("1.0"))],
        [("1", "2", ohms("-1.0")), ("2", "3", ohms("1.0")), ("1", "3", ohms("1.0"))],
        [("1", "2", MeasuredValue(Quantity.VOLTAGE, Decimal(1), "V", Decimal(1)))] * 3,
    ],
)
def test_readings_that_are_not_three_windings(readings: list[tuple[str, str, MeasuredValue]]) -> None:
    with pytest.raises(InputError):
        identify_windings(readings)


def test_insulation() -> None:
    limits = insulation_limits(DEFAULT_INSULATION_MINIMUM)
    assert judge_insulation(limits, OVERLOAD).verdict is Verdict.WITHIN
    assert judge_insulation(limits, ohms("1.00Mohm")).verdict is Verdict.WITHIN
    assert judge_insulation(limits, ohms("0.99Mohm")).verdict is Verdict.OUTSIDE
    assert judge_insulation(limits, ohms("0.3")).verdict is Verdict.OUTSIDE
    with pytest.raises(InputError, match="overload does not show"):
        judge_insulation(insulation_limits(Amount(Decimal(100), "MΩ")), OVERLOAD)
    with pytest.raises(InputError):
        insulation_limits(Amount(Decimal(0), "MΩ"))


@given(st.floats(0.01, 1e4), st.floats(-50, 250), st.floats(-50, 250), st.sampled_from([m.value for m in WindingMetal]))
def test_resistance_and_temperature_undo_each_other(r: float, cold: float, hot: float, k: float) -> None:
    converted = resistance_at_temperature(r, cold, hot, k)
    assert resistance_at_temperature(converted, hot, cold, k) == pytest.approx(r)
    assert winding_temperature(r, cold, converted, k) == pytest.approx(hot, abs=1e-6)


def test_values_that_no_winding_has() -> None:
    for call in (
        lambda: resistance_at_temperature(0.0, 20.0, 25.0, 234.5),
        lambda: resistance_at_temperature(1.0, -300.0, 25.0, 234.5),
        lambda: resistance_at_temperature(1.0, 20.0, 251.0, 234.5),
        lambda: winding_temperature(1.0, 20.0, -1.0, 234.5),
        lambda: resistance_at_temperature(1.0, -45.0, 25.0, 40.0),
    ):
        with pytest.raises(InputError):
            call()
    assert not is_plausible_temperature(winding_temperature(1.0, 20.0, 3.0, 234.5))
