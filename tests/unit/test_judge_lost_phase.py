"""A lost phase: named by amps, by volts only where they can tell; nothing flowing is no balance."""

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.core.errors import InputError
from meterlink.core.units import Quantity, parse_amount
from meterlink.core.verdicts import Margin, Verdict
from meterlink.judge.electrical.lost_phase import VOLTS_CANNOT_TELL, LineReading, lost_line
from meterlink.judge.electrical.unbalance import DEFAULT_UNBALANCE_LIMIT, HIGH_LEG, PhasesResult, judge_phases
from meterlink.judge.judging import MeasuredValue

PAIRS = (("L1", "L2"), ("L2", "L3"), ("L1", "L3"))
LINES = (("L1",), ("L2",), ("L3",))


def line_readings(texts: tuple[str, ...]) -> list[LineReading]:
    quantity = Quantity.CURRENT if texts[0].endswith("A") else Quantity.VOLTAGE
    names = LINES if quantity is Quantity.CURRENT else PAIRS
    return [
        LineReading(lines, MeasuredValue.from_amount(quantity, parse_amount(text, quantity)))
        for lines, text in zip(names, texts, strict=True)
    ]


def phases(texts: tuple[str, ...], limit: Decimal | None = None, *, motor_runs: bool | None = None) -> PhasesResult:
    readings = line_readings(texts)
    quantity = readings[0].measured.quantity
    return judge_phases(readings, limit or DEFAULT_UNBALANCE_LIMIT[quantity], motor_runs=motor_runs)


@pytest.mark.parametrize(
    ("texts", "lost"),
    [
        # Two lines carry the motor, the third nothing: single-phasing. Common practice, no source.
        (("12.1A", "12.3A", "0.0A"), "L3"),
        (("0.2A", "21.0A", "20.4A"), "L1"),
        (("8.00A", "0.31A", "8.20A"), "L2"),
        # Line side, L3 open: hangs between L1 and L2 through what is still connected.
        (("238V", "119V", "120V"), "L3"),
        # L1 open and nothing connected to it: the meter alone pulls it down.
        (("3V", "480V", "2V"), "L1"),
        (("12V", "10V", "208V"), "L2"),
    ],
)
def test_a_lost_phase_is_named(texts: tuple[str, ...], lost: str) -> None:
    result = phases(texts)
    assert result.lost_line == lost
    assert (result.judgement.verdict, result.judgement.margin) == (Verdict.OUTSIDE, Margin.CLEAR)
    assert lost in result.judgement.reason
    # However much unbalance is accepted, a lost phase is not: the motor overheats.
    for percent in (Decimal(300), phases(texts).unbalance.nema_percent):
        accepted = phases(texts, percent).judgement
        assert (accepted.verdict, accepted.margin) == (Verdict.OUTSIDE, Margin.CLEAR)


@pytest.mark.parametrize(
    ("texts", "lost"),
    [
        # Stray current of up to 15 % of the other two; these differ by up to 25 %. Common practice, no source.
        (("10.00A", "10.00A", "1.50A"), "L3"),
        (("10.00A", "10.00A", "1.51A"), None),
        (("11.25A", "8.75A", "0.00A"), "L3"),
        (("11.26A", "8.75A", "0.00A"), None),
        # The two volts of a lost line: up to 70 % of the third, and together up to 110 % of it.
        (("100.0V", "70.0V", "39.0V"), "L3"),
        (("100.0V", "70.1V", "39.0V"), None),
        (("100.0V", "70.0V", "41.0V"), None),
    ],
)
def test_how_far_the_readings_of_a_lost_line_may_be_off(texts: tuple[str, ...], lost: str | None) -> None:
    assert lost_line(line_readings(texts)) == lost


@pytest.mark.parametrize(
    "texts",
    [
        ("12.0A", "12.3A", "11.8A"),
        ("12.0A", "9.0A", "6.0A"),  # a weak phase, not a lost one
        ("460V", "467V", "450V"),
        ("230V", "198V", "215V"),
    ],
)
def test_three_that_carry_are_judged_by_their_unbalance(texts: tuple[str, ...]) -> None:
    result = phases(texts)
    assert result.lost_line is None
    assert result.unbalance is not None
    assert result.judgement.verdict in {Verdict.WITHIN, Verdict.OUTSIDE}


def test_volts_cannot_tell_while_a_motor_runs() -> None:
    # The motor on two phases holds the third near normal: 460, 431, 440 V. Common practice, no source.
    for runs, said in ((True, True), (None, True), (False, False)):
        result = phases(("460V", "455V", "461V"), motor_runs=runs)
        assert result.judgement.verdict is Verdict.WITHIN
        assert (VOLTS_CANNOT_TELL in result.judgement.reason) is said
    # Even where they look lost, no line is named while the motor runs.
    running = phases(("238V", "120V", "125V"), motor_runs=True)
    assert running.lost_line is None
    assert running.judgement.verdict is Verdict.OUTSIDE
    assert VOLTS_CANNOT_TELL in running.judgement.reason
    assert phases(("238V", "120V", "125V"), motor_runs=False).lost_line == "L3"


@pytest.mark.parametrize("texts", [("0.0A", "0.1A", "0.0A"), ("0.00A", "0.00A", "0.00A"), ("0V", "1V", "0V")])
def test_nothing_flowing_is_not_balanced(texts: tuple[str, ...]) -> None:
    result = phases(texts)
    assert (result.judgement.verdict, result.judgement.margin) == (Verdict.NOTHING_FLOWS, None)
    assert result.unbalance is None


def test_the_meter_s_errors_may_open_the_triangle_a_little() -> None:
    # 200 V is 1 V above the sum of the others: three readings of ±(1.2 % + 5 digits) explain that.
    close = phases(("200V", "150V", "49V"))
    assert close.judgement.verdict is Verdict.OUTSIDE
    assert close.unbalance is not None
    assert close.unbalance.true_percent <= 100
    with pytest.raises(InputError, match="above the sum"):
        phases(("200V", "150V", "20V"))


@given(st.lists(st.integers(30, 600), min_size=3, max_size=3), st.booleans())
def test_a_sound_supply_never_loses_a_line(tenths: list[int], amps: bool) -> None:
    """A line is named only where one reading, or the two of one line, is far below the rest."""
    unit, quantity = ("A", Quantity.CURRENT) if amps else ("V", Quantity.VOLTAGE)
    names = LINES if amps else PAIRS
    readings = [
        LineReading(lines, MeasuredValue(quantity, Decimal(value) / 10, unit, Decimal("0.1")))
        for lines, value in zip(names, tenths, strict=True)
    ]
    lost = lost_line(readings)
    low, middle, high = sorted(tenths)
    if lost is not None:
        assert low < 0.2 * middle if amps else middle <= 0.7 * high
    if low > 0.75 * high:
        assert lost is None


def test_what_a_lost_phase_needs() -> None:
    volts = LineReading(("L1", "L2"), MeasuredValue(Quantity.VOLTAGE, Decimal(230), "V", Decimal(1)))
    for readings in (
        [],
        [volts, volts],
        [volts, volts, LineReading(("L1",), MeasuredValue(Quantity.VOLTAGE, None, "V", Decimal(0)))],
    ):
        with pytest.raises(InputError, match="three currents or three line-to-line"):
            lost_line(readings)


@pytest.mark.parametrize(
    ("volts", "is_high_leg"),
    [
        (("120V", "208V", "120V"), True),  # 240 V·√3/2 = 208 V: the height of the triangle (textbook)
        (("118V", "121V", "206V"), True),
        (("240V", "208V", "240V"), False),
        (("240V", "241V", "236V"), False),
    ],
)
def test_volts_to_neutral_of_a_high_leg_are_named(volts: tuple[str, str, str], *, is_high_leg: bool) -> None:
    judgement = phases(volts, motor_runs=False).judgement
    assert (HIGH_LEG in judgement.reason) is is_high_leg
