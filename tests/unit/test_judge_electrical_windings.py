from decimal import Decimal
from itertools import combinations, permutations

import pytest
from hypothesis import assume, given
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
from meterlink.judge.electrical.windings import MotorKind, WindingsResult, identify_windings, parse_motor_kind
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
    assume(more > 0.11 * run)  # two nearly equal readings and their sum are also an open delta
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
    # Readings that contradict the marking prove nothing sound: turns of the start winding may be shorted.
    assert wrong.verdict is Verdict.OUTSIDE
    assert "contradict" in wrong.reason
    assert "NOT AS MARKED" in wrong.headline


def test_a_marked_common_is_compared_even_where_start_and_run_read_alike() -> None:
    """2 Ω and 2 Ω make 4 Ω, so the terminal between them is C; marked as S or R, a lead or a name is swapped."""
    right = identify_windings([("C", "S", ohms("2.0")), ("C", "R", ohms("2.0")), ("R", "S", ohms("4.0"))])
    assert right.verdict is Verdict.WITHIN
    wrong = identify_windings([("C", "S", ohms("2.0")), ("C", "R", ohms("4.0")), ("R", "S", ohms("2.0"))])
    assert wrong.verdict is Verdict.OUTSIDE
    assert wrong.headline == "OUTSIDE: NOT AS MARKED, READS AS C = S"


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
    # Without names it may be either kind of motor: only a star has a star point that opens all.
    assert "As a single-phase motor: " in result.reason
    assert "As a three-phase motor: " in result.reason


def test_one_overload_contradicts_the_two_that_conduct() -> None:
    result = windings("123", "1.0", "4.0", "OL")
    assert result.verdict is Verdict.NO_CONTACT
    assert "1–3" in result.headline
    # In a single-phase motor that pair is the sum, which a low range may not reach; three equal windings have no sum.
    named = [("C", "S", ohms("4.0")), ("C", "R", ohms("1.0")), ("R", "S", OVERLOAD)]
    assert "above the meter's range" in identify_windings(named).reason
    three = identify_windings([("U", "V", ohms("4.0")), ("V", "W", ohms("1.0")), ("U", "W", OVERLOAD)])
    assert three.verdict is Verdict.NO_CONTACT
    assert "range" not in three.reason


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
    # Without a setting zeroed leads read at most 0.1 Ω: common practice, no source.
    assert windings("CSR", "0.10", "2.10", "2.00", FINE).verdict is Verdict.SHORTED
    assert windings("CSR", "0.11", "2.11", "2.00", FINE).verdict is not Verdict.SHORTED


@pytest.mark.parametrize("values", [("4.0", "4.0", "4.0"), ("4.0", "4.1", "4.0"), ("15.0", "15.3", "15.2")])
def test_equal_readings_are_never_taken_for_a_single_phase_motor(values: tuple[str, str, str]) -> None:
    result = windings("123", *values)
    assert result.headline == "WITHIN: THREE EQUAL WINDINGS"
    assert not result.terminals_by_role
    a, b, c = "CSR"
    assert windings(a + b + c, *values).verdict is Verdict.OUTSIDE


def test_equal_readings_within_the_uncertainty_of_a_sum() -> None:
    result = windings("123", "0.3", "0.3", "0.3")
    assert result.verdict is Verdict.CANNOT_TELL
    assert not result.terminals_by_role


def test_start_and_run_alike_leave_only_the_common_terminal() -> None:
    readings = [("a", "b", ohms("2.0")), ("b", "c", ohms("2.0")), ("a", "c", ohms("4.0"))]
    result = identify_windings(readings, motor=MotorKind.SINGLE_PHASE)
    assert result.verdict is Verdict.WITHIN
    assert result.terminals_by_role == {"C": "b"}


def test_a_sum_that_fails() -> None:
    high = windings("123", "4.00", "1.00", "5.80", FINE)
    assert high.verdict is Verdict.OUTSIDE
    assert high.sum_error == pytest.approx(0.8)
    assert "1–3 reads 5.80 Ω, but 1–2 and 2–3 make 5.00 Ω" in high.reason
    assert "zeroed" not in high.reason  # leads make the sum of two readings larger, never the third


def test_three_readings_reveal_the_leads() -> None:
    # 0.3 Ω of leads in each reading: (4.3 + 1.3) − 5.3 = 0.3.
    result = windings("123", "4.30", "1.30", "5.30", FINE)
    assert (result.verdict, result.lead_ohms) == (Verdict.WITHIN, pytest.approx(0.3))
    # The leads are as uncertain as the sum that shows them.
    assert result.sum_uncertainty == pytest.approx(0.032, abs=0.0005)
    assert "leads add 0.3 Ω (±0.032 Ω) to each reading, or the contact at 2 adds 0.15 Ω to two of them" in result.reason
    # More than leads and terminals add, or more than the winding itself, is no lead.
    for values in (("4.60", "1.60", "5.60"), ("0.70", "0.55", "0.80")):
        other = windings("123", *values, FINE)
        assert (other.verdict, other.lead_ohms) == (Verdict.OUTSIDE, None)
        assert "Leads that were not zeroed would have to add" in other.reason


THREE_PHASE = [
    # (T1–T2, T2–T3, T1–T3, verdict, words): hand-worked with 1.00 Ω between any two terminals of a sound motor.
    ("1.00", "1.00", "1.00", Verdict.WITHIN, "three equal windings"),
    ("1.00", "1.02", "0.99", Verdict.WITHIN, "differ by 3 % of their mean"),
    # Delta of 1.5 Ω each: with T1–T2 open, T2–T3 and T1–T3 read 1.5 Ω, T1–T2 reads both in series, 3.0 Ω.
    ("3.00", "1.50", "1.50", Verdict.OPEN, "in delta the winding between T1–T2 is open"),
    # What passed for a sound single-phase motor: named T1, T2, T3 it is an open winding.
    ("0.50", "0.50", "1.00", Verdict.OPEN, "in delta the winding between T1–T3 is open"),
    # Sound windings of 15 Ω differ by up to 0.75 Ω (5 %), so the sum of two misses the third by as much.
    ("15.00", "15.50", "30.00", Verdict.OPEN, "in delta the winding between T1–T3 is open"),
    ("15.00", "15.50", "28.00", Verdict.OUTSIDE, "a joint of the winding T1–T3 is bad"),
    # Star of 0.5 Ω each: with T1 open only T2–T3 reads.
    ("OL", "1.00", "OL", Verdict.OPEN, "the winding of T1"),
    ("OL", "OL", "OL", Verdict.OPEN, "star point or the internal protector"),
    ("OL", "1.00", "1.00", Verdict.NO_CONTACT, "T1–T2 cannot be open"),
    # Star, half the turns of T1 shorted: 0.25 + 0.5 at both its pairs.
    ("0.75", "1.00", "0.75", Verdict.OUTSIDE, "turns of the winding of T1 are shorted"),
    # Delta of 1.5 Ω, half of T1–T2 shorted: 0.75 ∥ 3.0 = 0.60; the others 1.5 ∥ 2.25 = 0.90.
    ("0.60", "0.90", "0.90", Verdict.OUTSIDE, "turns of the winding between T1–T2 are shorted"),
    # Star, 0.3 Ω more in the joint of T3.
    ("1.00", "1.30", "1.30", Verdict.OUTSIDE, "in star, a joint of T3 is bad"),
    ("1.00", "1.30", "1.15", Verdict.OUTSIDE, "turns are shorted, or a joint is bad"),
    ("0.00", "1.00", "1.00", Verdict.SHORTED, "no more than the test leads alone"),
    ("0.05", "0.05", "0.05", Verdict.CANNOT_TELL, "milliohms"),
    ("0.05", "0.10", "0.05", Verdict.CANNOT_TELL, "milliohms"),  # all three within the 0.1 Ω of the leads
    ("0.05", "0.11", "0.05", Verdict.SHORTED, "no more than the test leads alone"),
    ("0.3", "0.3", "0.3", Verdict.CANNOT_TELL, "too coarse"),
    ("0.3", "0.3", "0.4", Verdict.CANNOT_TELL, "too coarse"),
]


@pytest.mark.parametrize(("first", "second", "third", "verdict", "words"), THREE_PHASE)
@pytest.mark.parametrize("names", [("T1", "T2", "T3"), ("t1", "t2", "t3"), ("U", "V", "W")])
def test_three_phase_windings(
    first: str, second: str, third: str, verdict: Verdict, words: str, names: tuple[str, str, str]
) -> None:
    a, b, c = names
    result = identify_windings([(a, b, ohms(first)), (b, c, ohms(second)), (a, c, ohms(third))], FINE)
    assert result.verdict is verdict
    assert not result.terminals_by_role
    assert result.question is None
    renamed = words
    for number, name in enumerate(names, 1):
        renamed = renamed.replace(f"T{number}", name)
    assert renamed in result.headline.lower() + result.reason
    if verdict is Verdict.OPEN and "delta" in words:
        low, middle, high = sorted(Decimal(value) for value in (first, second, third))
        assert result.sum_error == pytest.approx(float(high - low - middle))


@pytest.mark.parametrize("values", [("0.50", "0.50", "1.00"), ("2.00", "1.98", "4.00")])
def test_readings_that_fit_both_kinds_of_motor_are_asked_about(values: tuple[str, str, str]) -> None:
    result = windings("123", *values, FINE)
    assert result.verdict is Verdict.CANNOT_TELL
    assert result.question is not None
    single, three = (result.question.choose(kind).conclusion for kind in ("single-phase", "three-phase"))
    assert single.verdict is Verdict.WITHIN
    assert three.verdict is Verdict.OPEN
    for kind, conclusion in ((MotorKind.SINGLE_PHASE, single), (MotorKind.THREE_PHASE, three)):
        a, b, c = "123"
        readings = [(a, b, ohms(values[0])), (b, c, ohms(values[1])), (a, c, ohms(values[2]))]
        assert identify_windings(readings, FINE, motor=kind) == conclusion


def test_a_sum_that_only_a_delta_allows_is_asked_about() -> None:
    """1.50 + 1.50 misses 3.08 by more than this meter may, but by no more than sound windings differ (5 %).

    So it may be an open delta, or a single-phase motor with a bad terminal: without names the readings do not say.
    """
    result = windings("123", "1.50", "1.50", "3.08", FINE)
    assert result.verdict is Verdict.CANNOT_TELL
    assert result.question is not None
    assert result.question.choose("single-phase").conclusion.verdict is Verdict.OUTSIDE
    assert result.question.choose("three-phase").conclusion.verdict is Verdict.OPEN


def test_a_kind_of_motor_is_named() -> None:
    assert parse_motor_kind("3") is parse_motor_kind("Three-phase") is MotorKind.THREE_PHASE
    assert parse_motor_kind(" 1 ") is MotorKind.SINGLE_PHASE
    with pytest.raises(InputError, match="no kind of motor"):
        parse_motor_kind("two")


@given(st.lists(st.integers(20, 3000), min_size=3, max_size=3))
def test_no_three_phase_fault_is_within_and_no_set_is_guessed(values: list[int]) -> None:
    texts = [f"{Decimal(value) / 100:.2f}" for value in values]
    result = windings("123", texts[0], texts[1], texts[2], FINE)
    named = identify_windings(
        [("T1", "T2", ohms(texts[0])), ("T2", "T3", ohms(texts[1])), ("T1", "T3", ohms(texts[2]))], FINE
    )
    spread = (max(values) - min(values)) / (sum(values) / 3)
    if named.verdict is Verdict.WITHIN:
        assert spread <= 0.05
    if result.question is not None:
        assert result.verdict is Verdict.CANNOT_TELL


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
    # The judgement says whose minimum it is.
    assert [insulation_limits(DEFAULT_INSULATION_MINIMUM, basis).basis for basis in ("", "IEEE 43")] == [
        "the minimum to ground",
        "IEEE 43",
    ]
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
        lambda: resistance_at_temperature(1.0, -40.0, 25.0, 40.0),  # this metal has no resistance at -40 °C
    ):
        with pytest.raises(InputError):
            call()
    assert not is_plausible_temperature(winding_temperature(1.0, 20.0, 3.0, 234.5))
    plausible = {celsius: is_plausible_temperature(celsius) for celsius in (-50.1, -50.0, 250.0, 250.1)}
    assert plausible == {-50.1: False, -50.0: True, 250.0: True, 250.1: False}
