"""The judge asks where a reading has several meanings: zeros left out, an overload on capacitance, AC or DC."""

from dataclasses import replace
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.core.clock import Timestamp
from meterlink.core.equipment import PointKind, Rating
from meterlink.core.readings import MANUAL_ENTRY, Coupling, Reading
from meterlink.core.units import Amount, Quantity
from meterlink.core.verdicts import Judgement, Limits, Margin, Verdict
from meterlink.judge.accuracy import AccuracyRange, AccuracySheet
from meterlink.judge.decision_rules import SIMPLE_ACCEPTANCE, parse_decision_rule
from meterlink.judge.flow import Flow
from meterlink.judge.judging import judge
from meterlink.judge.limits import rated_limits, span_limits
from meterlink.judge.measured_value import MOST_DISPLAY_DIGITS, MeasuredValue
from meterlink.judge.uncertainty import parse_accuracy
from support.points import rated, span

NOW = Timestamp(0, 0)


def typed(text: str, unit: str = "µF", quantity: Quantity = Quantity.CAPACITANCE) -> MeasuredValue:
    return replace(MeasuredValue.from_text(f"{text} {unit}", quantity), is_typed=True)


def capacitor(text: str, microfarads: str = "5") -> Judgement:
    return judge(PointKind.CAPACITOR, rated_limits(rated(microfarads)), typed(text))


def choices(judgement: Judgement) -> dict[str, tuple[Verdict, Margin | None]]:
    assert judgement.question is not None
    return {choice.key: (choice.conclusion.verdict, choice.conclusion.margin) for choice in judgement.question.choices}


# The decimals of a display. A technician who reads 5.00 may type 5; taken as it is, that has 100 times the error.


def test_a_typed_5_uf_is_asked_about() -> None:
    judgement = capacitor("5")
    assert (judgement.verdict, judgement.margin, judgement.probability) == (Verdict.CANNOT_TELL, None, None)
    assert choices(judgement) == {
        "5": (Verdict.CANNOT_TELL, None),
        "5.0": (Verdict.WITHIN, Margin.CLOSE_CALL),
        "5.00": (Verdict.WITHIN, Margin.CLEAR),
    }
    assert judgement.question is not None
    answered = judgement.question.choose("5.00").conclusion
    shown = judge(PointKind.CAPACITOR, answered.limits, MeasuredValue.from_text("5.00 uF", Quantity.CAPACITANCE))
    assert answered == replace(
        shown,
        reason=f"{shown.reason} Answered: the display showed 5.00, or more zeros.",
        answer="5.00",
        resolution=Decimal("0.01"),
    )


@pytest.mark.parametrize("text", ["5.00", "5.0", "4.70", "12", "2.1", "4.7"])
def test_a_typed_value_is_not_asked_about_where_nothing_depends_on_it(text: str) -> None:
    """Zeros behind the point were copied off the display; a value far outside or on the limit is so on any display."""
    assert capacitor(text).question is None


def test_zero_may_be_an_open_section_or_a_display_too_coarse_for_it() -> None:
    assert choices(capacitor("0")) == {"0": (Verdict.CANNOT_TELL, None), "0.0": (Verdict.OPEN, None)}


def test_a_reading_from_a_packet_has_its_step_and_is_never_asked_about() -> None:
    reading = Reading(Quantity.CAPACITANCE, Decimal(5), "µF", NOW, resolution=Decimal(1), channel="ffe1")
    limits = rated_limits(rated("5"))
    assert judge(PointKind.CAPACITOR, limits, MeasuredValue.from_reading(reading)).question is None
    by_hand = replace(reading, channel=MANUAL_ENTRY)
    assert judge(PointKind.CAPACITOR, limits, MeasuredValue.from_reading(by_hand)).question is not None
    answered = MeasuredValue.from_reading(by_hand, Decimal("0.01"))
    assert (str(answered), answered.resolution) == ("5.00 µF", Decimal("0.01"))
    assert judge(PointKind.CAPACITOR, limits, answered).question is None


def test_the_meters_own_sheet_shows_the_usual_display() -> None:
    line = parse_accuracy("3 % + 5 digits")
    row = AccuracyRange(
        Quantity.CAPACITANCE, line, Amount(Decimal(10), "µF"), resolution=Amount(Decimal("0.001"), "µF")
    )
    judgement = judge(PointKind.CAPACITOR, rated_limits(rated("5")), typed("5"), AccuracySheet((row,)))
    assert judgement.question is not None
    assert judgement.question.usual == "5.00"  # '5.00, or more zeros' has the step of 0.001 µF


def test_without_limits_nothing_depends_on_the_step() -> None:
    judgement = judge(PointKind.CAPACITOR, None, typed("5"))
    assert (judgement.verdict, judgement.question) == (Verdict.NO_LIMITS, None)


numbers = st.tuples(st.integers(0, 99_999), st.integers(0, 4)).map(lambda drawn: Decimal(drawn[0]).scaleb(-drawn[1]))
lines = st.sampled_from([None, *map(parse_accuracy, ("0.5 % + 2 digits", "2 % + 5 digits", "5 % + 10 digits", "20 %"))])
rules = st.sampled_from([SIMPLE_ACCEPTANCE, parse_decision_rule("guarded", None)])
parts = st.sampled_from(
    [
        (PointKind.CAPACITOR, Quantity.CAPACITANCE, "µF", span("4.7", "5.3", "µF"), None),
        (PointKind.CAPACITOR, Quantity.CAPACITANCE, "µF", span("42.3", "47.7", "µF"), None),
        (PointKind.COIL, Quantity.RESISTANCE, "Ω", span("10", "18", "Ω"), None),
        (PointKind.INSULATION, Quantity.RESISTANCE, "MΩ", span("1", None, "MΩ"), None),
        (PointKind.RANGE, Quantity.VOLTAGE, "V", span("207", "253", "V"), Flow.EXPECTED),
        (PointKind.RANGE, Quantity.VOLTAGE, "V", span(None, "0.2", "V"), Flow.PROVEN),
        (PointKind.RANGE, Quantity.CURRENT, "A", span(None, "1.2", "A"), Flow.EXPECTED),
        (PointKind.RANGE, Quantity.TEMPERATURE, "°C", span("8", "12", "°C"), None),
    ]
)


@given(numbers, parts, lines, rules)
def test_no_typed_reading_whose_verdict_depends_on_the_step_passes_unasked(
    digits: Decimal, part: tuple[PointKind, Quantity, str, object, Flow | None], line: object, rule: object
) -> None:
    kind, quantity, unit, limits_span, flow = part
    limits: Limits = span_limits(limits_span)  # type: ignore[arg-type]  # as drawn above
    value = MeasuredValue(quantity, digits, unit, Decimal(1).scaleb(int(digits.as_tuple().exponent)), is_typed=True)
    judged = judge(kind, limits, value, line, rule=rule, flow=flow)  # type: ignore[arg-type]  # as drawn above
    decimals = max(-int(digits.as_tuple().exponent), 0)
    whole = max(digits.adjusted() + 1, 1)
    copied = decimals > 0 and f"{digits:f}".endswith("0")
    most = decimals if copied else max(MOST_DISPLAY_DIGITS - whole, decimals)
    verdicts = set()
    for places in range(decimals, most + 1):
        step = Decimal(1).scaleb(-places)
        shown = MeasuredValue(quantity, digits.quantize(step), unit, step)
        known = judge(kind, limits, shown, line, rule=rule, flow=flow)  # type: ignore[arg-type]
        assert known.question is None
        verdicts.add((known.verdict, known.margin))
    assert (judged.question is None) is (len(verdicts) == 1)
    if judged.question is not None:
        assert (judged.verdict, judged.margin) == (Verdict.CANNOT_TELL, None)
        assert set(choices(judged).values()) == verdicts
        for choice in judged.question.choices:
            # Who answers sees the consequence of each answer beforehand.
            assert choice.conclusion.verdict.upper() in choice.words
            assert (Margin.CLOSE_CALL in choice.words) is (choice.conclusion.margin is Margin.CLOSE_CALL)


@pytest.mark.parametrize(
    ("typed", "displays"),
    [
        # A handheld meter shows at most five digits: common practice, no source.
        ("5", ["5", "5.0", "5.00", "5.000", "5.0000"]),
        ("0.5", ["0.5", "0.50", "0.500", "0.5000"]),
        ("451.2", ["451.2", "451.20"]),
        ("60000", ["60000"]),
        ("5.00", ["5.00"]),  # nobody types zeros that the display does not show
    ],
)
def test_the_displays_that_a_typed_number_may_stand_for(typed: str, displays: list[str]) -> None:
    digits = Decimal(typed)
    step = Decimal(1).scaleb(int(digits.as_tuple().exponent))
    value = MeasuredValue(Quantity.RESISTANCE, digits, "Ω", step, is_typed=True)
    assert [f"{shown.digits:f}" for shown in value.possible_displays()] == displays


def test_an_overload_stays_one_whatever_the_step_of_the_display() -> None:
    overload = MeasuredValue.from_text("OL", Quantity.RESISTANCE).with_resolution(Decimal("0.1"))
    assert (overload.digits, overload.resolution) == (None, Decimal("0.1"))


# An overload on capacitance. A meter shows OL on a shorted capacitor as on one above its range; ohms tell them apart:
# a short stays almost zero, a capacitor charges until the meter shows overload. Common practice, no source.


def test_an_overload_is_never_a_short_by_itself() -> None:
    judgement = capacitor("OL")
    assert judgement.verdict is Verdict.OVER_RANGE
    assert choices(judgement) == {
        "almost zero": (Verdict.SHORTED, None),
        "steady": (Verdict.CANNOT_TELL, None),
        "overload": (Verdict.OVER_RANGE, None),
    }
    assert judgement.question is not None
    for choice in judgement.question.choices:
        assert choice.conclusion.answer == choice.key
        assert choice.conclusion.question is None
        assert choice.conclusion.reason.startswith("Answered: ohms across it ")


def test_an_overload_on_a_plain_range_of_capacitance_is_asked_about_too() -> None:
    limits = rated_limits(Rating(Amount(Decimal(5), "µF"), "6 %"))
    assert judge(PointKind.RANGE, limits, typed("OL")).question is not None


@pytest.mark.parametrize(
    ("microfarads", "up_to", "usual"),
    [
        ("45", None, "almost zero"),  # every meter that measures capacitance reaches 100 µF
        ("300", None, None),  # some meters end at 200 µF, others reach 10 mF
        ("300", "200", "overload"),
        ("300", "2000", "almost zero"),
        ("200", "200", None),  # within its tolerance it may be above the range
    ],
)
def test_the_usual_answer_compares_the_rating_with_the_range(
    microfarads: str, up_to: str | None, usual: str | None
) -> None:
    line = parse_accuracy("3 % + 5 digits")
    sheet = None
    if up_to is not None:
        sheet = AccuracySheet((AccuracyRange(Quantity.CAPACITANCE, line, Amount(Decimal(up_to), "µF")),))
    judgement = judge(PointKind.CAPACITOR, rated_limits(rated(microfarads)), typed("OL"), sheet)
    assert judgement.question is not None
    assert judgement.question.usual == usual


def test_an_overload_on_ohms_or_volts_is_not_asked_about() -> None:
    ohms, volts = span_limits(span("10", "18", "Ω")), span_limits(span("207", "253", "V"))
    assert judge(PointKind.COIL, ohms, typed("OL", "Ω", Quantity.RESISTANCE)).question is None
    assert judge(PointKind.RANGE, volts, typed("OL", "V", Quantity.VOLTAGE)).question is None


# AC or DC. On DC a meter shows almost nothing of AC volts: 0.2 V may be typed where 240 V are.


def volts(text: str, coupling: Coupling | None = None, needed: Coupling | None = Coupling.AC) -> Judgement:
    value = replace(typed(text, "V", Quantity.VOLTAGE), coupling=coupling)
    limits = span_limits(span("207", "253", "V"))
    return judge(PointKind.RANGE, limits, value, flow=Flow.EXPECTED, coupling=needed)


def test_typed_volts_without_ac_or_dc_are_asked_about_where_the_point_needs_one() -> None:
    judgement = volts("0.00")
    assert judgement.verdict is Verdict.CANNOT_TELL
    assert choices(judgement) == {"AC": (Verdict.NOTHING_FLOWS, None), "DC": (Verdict.CANNOT_TELL, None)}
    assert judgement.question is not None
    assert judgement.question.usual == "AC"
    assert (judgement.digits, judgement.question.choose("DC").conclusion.digits) == (None, None)  # no evidence yet
    assert judgement.question.choose("AC").conclusion.digits == Decimal("0.00")
    assert "measure again" in judgement.question.choose("DC").conclusion.next_measurement
    assert volts("240.0", Coupling.AC).question is None
    assert volts("240.0", needed=None).question is None


def test_after_ac_the_decimals_are_asked_about() -> None:
    first = volts("250").question
    assert first is not None
    second = first.choose("AC").conclusion
    assert second.verdict is Verdict.CANNOT_TELL
    assert set(choices(second)) == {"250", "250.00"}
