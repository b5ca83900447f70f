"""Heaters by watts and volts, coils by volts and volt-amperes, ranges of coil volts."""

from decimal import Decimal

import pytest

from meterlink.core.equipment import PointKind, Span
from meterlink.core.errors import InputError
from meterlink.core.units import Quantity, parse_amount
from meterlink.core.verdicts import Limits, Verdict
from meterlink.judge.electrical.bands import CoilTest, coil_voltage_limits
from meterlink.judge.electrical.coils import CoilRating, judge_coil_by_rating, parse_coil_rating
from meterlink.judge.electrical.heaters import (
    HeaterRating,
    heater_current_limits,
    heater_resistance_limits,
    parse_heater_rating,
)
from meterlink.judge.judging import MeasuredValue, judge
from meterlink.judge.limits import span_limits
from meterlink.plans import parse_specification
from support.commands import run_command, run_for_json

R, A, V = Quantity.RESISTANCE, Quantity.CURRENT, Quantity.VOLTAGE


def heater(text: str) -> HeaterRating:
    rating = parse_heater_rating(text)
    assert rating is not None
    return rating


def coil(text: str) -> CoilRating:
    rating = parse_coil_rating(text)
    assert rating is not None
    return rating


def band(limits: Limits) -> tuple[float, float]:
    assert limits.low is not None
    assert limits.high is not None
    return float(limits.low), float(limits.high)


def ohms(text: str) -> MeasuredValue:
    return MeasuredValue.from_text(text, R)


# Heaters


@pytest.mark.parametrize(
    ("text", "printed"),
    [
        ("5 kW 240 V", "5 kW 240 V"),
        ("5kW@240VAC", "5 kW 240 V"),
        ("240V, 5kW", "5 kW 240 V"),
        ("5/3.75 kW 240/208 V", "5/3.75 kW 240/208 V"),
        ("70 W 240 V", "70 W 240 V"),
        ("1 kW 240 V", "1 kW 240 V"),
    ],
)
def test_a_marking_is_read_and_printed_so_that_it_is_read_again(text, printed):
    assert str(heater(text)) == printed
    assert heater(printed) == heater(text)


@pytest.mark.parametrize("text", ["5 kW", "240 V", "45 uF", "24 V 9 VA", "", "10 to 18 ohm"])
def test_other_texts_are_no_heater(text):
    assert parse_heater_rating(text) is None


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("5 kW 208/240 V", "the watts are at which volts"),
        ("0 kW 240 V", "not above zero"),
        ("5/5 kW 240/208 V", "two resistances"),
        ("5/0 kW 240/208 V", "not above zero"),
    ],
)
def test_an_impossible_marking(text, message):
    with pytest.raises(InputError, match=message):
        parse_heater_rating(text)


def test_resistance_of_a_strip():
    """5 kW at 240 V: 11.52 Ω. At most 5 % more power, at most 10 % less, and 10 % less resistance when cold."""
    low, high = band(heater_resistance_limits(heater("5 kW 240 V")))
    assert low == pytest.approx(11.52 / 1.05 * 0.9, rel=1e-3)
    assert high == pytest.approx(11.52 / 0.9, rel=1e-3)
    # The air handler of the bench has strips of 11.52 Ω. An open one of two in parallel leaves twice the ohms.
    limits = heater_resistance_limits(heater("10 kW 240 V"))
    assert judge(PointKind.RANGE, limits, ohms("5.76 ohm")).verdict is Verdict.WITHIN
    assert judge(PointKind.RANGE, limits, ohms("11.52 ohm")).verdict is Verdict.OUTSIDE


def test_a_small_heater_has_a_wider_power():
    """70 W at 240 V: 823 Ω, 10 % either way by the power."""
    low, high = band(heater_resistance_limits(heater("70 W 240 V")))
    assert (low, high) == (pytest.approx(822.9 / 1.1 * 0.9, rel=1e-3), pytest.approx(822.9 / 0.9, rel=1e-3))
    tiny = band(heater_resistance_limits(heater("20 W 24 V")))
    assert tiny == (pytest.approx(28.8 / 1.2 * 0.9, rel=1e-3), pytest.approx(28.8 / 0.8, rel=1e-3))
    # 20 W is more than 5 % of 300 W.
    assert band(heater_resistance_limits(heater("300 W 240 V")))[0] == pytest.approx(192 * 300 / 320 * 0.9, rel=1e-3)


def test_amps_of_a_heater():
    """20.8 A for 5 kW at 240 V; the current follows the voltage, which may be 10 % off."""
    low, high = band(heater_current_limits(heater("5 kW 240 V")))
    assert (low, high) == (pytest.approx(20.833 * 0.9 * 0.9, rel=1e-3), pytest.approx(20.833 * 1.05 * 1.1, rel=1e-3))
    at_208 = band(heater_current_limits(heater("5 kW 240 V"), parse_amount("208 V")))
    assert at_208 == (pytest.approx(208 / 11.52 * 0.9, rel=1e-3), pytest.approx(208 / 11.52 * 1.05, rel=1e-3))
    # One of two, three or four equal strips is open: outside, at every supply within its tolerance.
    for count in (2, 3, 4):
        limits = heater_current_limits(heater(f"{5 * count} kW 240 V"))
        assert limits.low is not None
        assert Decimal("20.833") * (count - 1) < limits.low
    with pytest.raises(InputError, match="not above zero"):
        heater_current_limits(heater("5 kW 240 V"), parse_amount("0 V"))


def test_a_heater_for_two_voltages_allows_for_both():
    one, both = (band(heater_current_limits(heater(text))) for text in ("5 kW 240 V", "5/3.75 kW 240/208 V"))
    assert both[0] < one[0]
    assert both[1] == one[1]


# In plans, and typed at a test point


def test_a_marking_rates_a_test_point():
    for text, quantity, unit in (("5 kW 240 V", R, "Ω"), ("5 kW 240 V", A, "A"), ("208/240 V ±10 %", V, "V")):
        span = parse_specification(text, quantity, PointKind.RANGE)
        assert isinstance(span, Span)
        assert (span.unit, str(span)) == (unit, text)
        assert parse_specification(str(span), quantity, PointKind.RANGE) == span
        assert span_limits(span).basis == text


def test_volts_of_two_ratings_run_from_the_low_end_of_the_lower_to_the_high_end_of_the_higher():
    span = parse_specification("208/240 V 10 %", V, PointKind.RANGE)
    assert isinstance(span, Span)
    assert (span.low, span.high) == (Decimal("187.2"), Decimal(264))
    with pytest.raises(InputError, match="two ways to wire"):
        parse_specification("115/230 V 10 %", V, PointKind.RANGE)
    with pytest.raises(InputError, match="needs its tolerance"):
        parse_specification("208/240 V", V, PointKind.RANGE)


def test_a_heater_has_no_other_tolerance():
    with pytest.raises(InputError, match="tolerance is that of its power"):
        parse_specification("5 kW 240 V ±5 %", R, PointKind.RANGE)


def test_volt_amperes_give_a_coil_no_limits():
    with pytest.raises(InputError, match=r"24 V 9 VA gives no limits: a coil's ohms on DC are well below U²/VA, 64 Ω"):
        parse_specification("24 V 9 VA", R, PointKind.COIL)


# Coils


@pytest.mark.parametrize(
    ("reading", "verdict", "words"),
    [
        ("OL", Verdict.OPEN, "nothing conducts"),
        ("0.3 ohm", Verdict.SHORTED, "less than a hundredth of U²/VA = 64 Ω"),
        ("14.2 ohm", Verdict.CANNOT_TELL, "well below U²/VA = 64 Ω"),
        ("90.0 ohm", Verdict.CANNOT_TELL, "more than U²/VA = 64 Ω"),
    ],
)
def test_a_coil_by_its_marking(reading, verdict, words):
    """The wire of an AC coil has a fraction of its impedance at work, which one depends on the coil: textbook."""
    judgement = judge_coil_by_rating(coil("24 V 9 VA"), ohms(reading))
    assert judgement.verdict is verdict
    assert words in judgement.reason
    assert judgement.margin is None
    assert bool(judgement.next_measurement) is (verdict is Verdict.CANNOT_TELL)


def test_the_least_ohms_of_a_coil():
    """No coil's wire has less than a hundredth of U²/VA, 0.64 Ω of 64 Ω: common practice, no source."""
    verdicts = [judge_coil_by_rating(coil("24v 9va"), ohms(f"{text} ohm")).verdict for text in ("0.64", "0.65")]
    assert verdicts == [Verdict.SHORTED, Verdict.CANNOT_TELL]


def test_a_coil_for_a_range_of_volts():
    rating = coil("208/240V 10VA")
    assert str(rating) == "208/240 V 10 VA"
    assert rating.most_ohms == 5760
    assert coil("24 V 0.9 VA").most_ohms == 640  # the coil of a small relay
    with pytest.raises(InputError, match="no coil takes 0 VA"):
        parse_coil_rating("24 V 0 VA")
    with pytest.raises(InputError, match="is no resistance"):
        judge_coil_by_rating(rating, MeasuredValue.from_text("24 V", V))
    with pytest.raises(InputError, match="two ways to wire"):
        parse_coil_rating("120/240 V 9 VA")
    assert parse_coil_rating("24 V") is None


def test_the_volts_of_a_coil_with_a_range():
    """Of a range 85 % of the lower and 110 % of the higher: IEC 60947-4-1, from memory."""
    assert band(coil_voltage_limits("208/240V", CoilTest.PICK_UP)) == (pytest.approx(176.8), pytest.approx(264))
    assert band(coil_voltage_limits("208/240V", CoilTest.DROP_OUT)) == (pytest.approx(48), pytest.approx(156))
    assert band(coil_voltage_limits("24V", CoilTest.PICK_UP)) == (pytest.approx(20.4), pytest.approx(26.4))
    # A coil pulls in at its rating; a range has no one rating, and a coil that drops out is not at it.
    nominal = [coil_voltage_limits(text, test).nominal for text in ("24V", "208/240V") for test in CoilTest]
    assert nominal == [24, None, None, None]


# The commands


def test_judge_heater():
    fields = run_for_json("judge", "heater", "--rated=5 kW 240 V", "--reading=11.52ohm")
    assert (fields["verdict"], fields["unit"], fields["basis"]) == ("within", "Ω", "5 kW 240 V")
    for reading, words in (
        ("OL", "a limit switch or fusible link in series"),
        ("23.0ohm", "one of several elements in parallel is open"),
        ("2.00ohm", "two elements in parallel"),
        ("10.1A", "one of several elements is open"),
        ("41.0A", "two elements on one lead"),
        ("0.0A", "With voltage at the heater"),
        ("20.8A", "Its watts and volts fit"),
    ):
        _, out, _ = run_command("judge", "heater", "--rated=5 kW 240 V", f"--reading={reading}")
        assert words in out, reading
        assert "self-regulating" in out
        assert "local codes" in out


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["heater", "--rated=45 uF", "--reading=11ohm"], "'45 uF' is no marking of a heater"),
        (["heater", "--rated=5 kW 240 V", "--reading=11ohm", "--volts=240V"], "--volts is for a reading in amps"),
        (["heater", "--rated=5 kW 240 V", "--reading=45uF"], "Write the reading as"),
        (["coil", "--low=10ohm", "--reading=11ohm"], "A coil is judged by two limits or by its marking"),
        (["coil", "--rated=24 V", "--reading=11ohm"], "'24 V' is no marking of a coil"),
        (["coil", "--rated=24 V 9 VA", "--low=1ohm", "--reading=11ohm"], "two limits or by its marking"),
    ],
)
def test_unusable_input(arguments, message):
    code, out, err = run_command("judge", *arguments)
    assert (code, out) == (2, "")
    assert message in err


def test_judge_coil_by_its_marking():
    fields = run_for_json("judge", "coil", "--rated=24 V 9 VA", "--reading=14.2ohm")
    assert (fields["verdict"], fields["low"], fields["high"]) == ("cannot tell", None, None)
