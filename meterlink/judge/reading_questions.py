"""The questions about one reading: the decimals of the display, the meaning of an overload, AC or DC."""

from collections.abc import Callable, Sequence
from dataclasses import replace
from decimal import Decimal

from meterlink.core.questions import Choice, Question
from meterlink.core.readings import Coupling
from meterlink.core.units import convert
from meterlink.core.verdicts import Judgement, Limits, Margin, Verdict
from meterlink.judge.accuracy import Accuracy, AccuracySheet
from meterlink.judge.measured_value import MeasuredValue, format_decimal

# The answers to the question about an overload on capacitance; the diagnosis reads them as evidence.
ALMOST_ZERO = "almost zero"
STEADY = "steady"
RISES_TO_OVERLOAD = "overload"

# The ohms that separate the answers are those of the diagnosis. Leads and contacts have some tenths of an ohm; a sound
# film capacitor has far more than a megohm. Common practice, no source.
SHORT_OHMS = 10
LEAK_MEGOHMS = 1

# A handheld meter that measures capacitance reaches this value, and mostly far more. Common practice, no source.
LEAST_HIGHEST_RANGE = Decimal(100)  # µF


def overload_question(
    asked: Judgement, limits: Limits, measured: MeasuredValue, accuracy: Accuracy | None
) -> Judgement:
    """Return ``asked``, the judgement on an overload on capacitance, with the question that tells a short from it."""
    shorted = replace(
        asked,
        verdict=Verdict.SHORTED,
        reason="Answered: ohms across it are almost zero. It is shorted, unless something is still connected.",
        answer=ALMOST_ZERO,
    )
    leaks = replace(
        asked,
        verdict=Verdict.CANNOT_TELL,
        reason="Answered: ohms across it are steady. It leaks, or a bleed resistor or a winding is still connected.",
        next_measurement="Take every lead and any bleed resistor off and read ohms: a value that stays is a leak.",
        answer=STEADY,
    )
    most = limits.high or limits.low
    reach = "more" if most is None else f"more than {format_decimal(most)} {limits.unit}"
    charges = replace(
        asked,
        reason="Answered: ohms across it rise to overload. It charges, so it is not shorted: it is above the range.",
        next_measurement="Compare the rating with the meter's highest capacitance range. Below it, choose automatic "
        f"ranging; above it, use a meter that measures {reach}.",
        answer=RISES_TO_OVERLOAD,
    )
    question = Question(
        "Isolated, discharged and verified, with every lead off: what do ohms across it show?",
        (
            Choice(ALMOST_ZERO, f"below {SHORT_OHMS} Ω and steady, as with the probes touching: SHORTED", shorted),
            Choice(STEADY, f"a steady value up to {LEAK_MEGOHMS} MΩ: CANNOT TELL", leaks),
            Choice(RISES_TO_OVERLOAD, f"they rise above {LEAK_MEGOHMS} MΩ or to overload: OVER RANGE", charges),
        ),
        _usual_overload(limits, measured, accuracy),
    )
    return replace(asked, question=question)


def _usual_overload(limits: Limits, measured: MeasuredValue, accuracy: Accuracy | None) -> str | None:
    """Return the usual answer by the rating and the meter's highest range; None where they decide nothing."""
    listed = _highest_range(measured, accuracy, limits.unit)
    highest = convert(LEAST_HIGHEST_RANGE, "µF", limits.unit) if listed is None else listed
    if limits.high is not None and limits.high <= highest:
        return ALMOST_ZERO
    return RISES_TO_OVERLOAD if listed is not None and limits.low is not None and limits.low > listed else None


def _highest_range(measured: MeasuredValue, accuracy: Accuracy | None, unit: str) -> Decimal | None:
    """Return the end of the highest range on the meter's sheet, in ``unit``; None where the sheet lists none."""
    rows = accuracy.rows_for(measured) if isinstance(accuracy, AccuracySheet) else []
    ends = [row.up_to.to(unit) for row in rows if row.up_to is not None]
    return max(ends) if ends and len(ends) == len(rows) else None


def judge_typed(
    measured: MeasuredValue, judge_display: Callable[[MeasuredValue], Judgement], accuracy: Accuracy | None
) -> Judgement:
    """Judge a value that a person typed: asked where the zeros that may be left out change the verdict or its margin.

    ``judge_display`` judges a value whose display step is known.
    """
    displays = measured.possible_displays()
    judged = [(display, judge_display(display)) for display in displays]
    first = judged[0][1]
    groups: list[list[tuple[MeasuredValue, Judgement]]] = []
    for display, judgement in judged:
        if not groups or _statement(groups[-1][0][1]) != _statement(judgement):
            groups.append([])
        groups[-1].append((display, judgement))
    if len(groups) == 1:
        return first
    choices = tuple(_display_choice(group) for group in groups)
    shown = [choice.key for choice in choices]
    question = Question(
        f"Did the display show {', '.join(shown[:-1])} or {shown[-1]} {measured.unit}?",
        choices,
        _usual_display(groups, accuracy),
    )
    return replace(
        first,
        verdict=Verdict.CANNOT_TELL,
        margin=None,
        probability=None,
        prior="",
        reason=f"{measured} was typed: the verdict depends on the decimals that the display showed.",
        next_measurement="Answer with the display, or type the reading again with every decimal.",
        question=question,
    )


def _statement(judgement: Judgement) -> tuple[Verdict, Margin | None]:
    return judgement.verdict, judgement.margin


def _display_choice(group: Sequence[tuple[MeasuredValue, Judgement]]) -> Choice[Judgement]:
    """Return the choice of displays with one conclusion: that of the coarsest, which is the most doubtful."""
    display, judgement = group[0]
    key = f"{display.digits:f}"
    zeros = "or more zeros" if len(group) > 1 else ""
    conclusion = replace(
        judgement,
        reason=f"{judgement.reason} Answered: the display showed {', '.join(filter(None, (key, zeros)))}.",
        answer=key,
        resolution=display.resolution,
    )
    return Choice(key, ": ".join(filter(None, (zeros, _statement_words(judgement)))), conclusion)


def _usual_display(
    groups: Sequence[Sequence[tuple[MeasuredValue, Judgement]]], accuracy: Accuracy | None
) -> str | None:
    """Return the key of the choice whose step the meter's sheet lists for this value; None where it lists none."""
    if not isinstance(accuracy, AccuracySheet):
        return None
    listed = [
        f"{group[0][0].digits:f}"
        for group in groups
        if any(
            row.resolution_in(display.unit) == display.resolution
            for display, _ in group
            for row in accuracy.rows_for(display)
        )
    ]
    return listed[0] if len(listed) == 1 else None


def coupling_question(
    needed: Coupling, measured: MeasuredValue, judge_value: Callable[[MeasuredValue], Judgement]
) -> Judgement:
    """Judge a typed value without AC or DC at a test point that needs one of them: asked.

    A meter on the other function shows a number, too, mostly near zero: until the answer, the judgement has no digits.
    ``judge_value`` judges a value whose coupling is known.
    """
    matching = judge_value(replace(measured, coupling=needed))
    if matching.verdict is Verdict.NO_LIMITS:
        return matching
    other = Coupling.DC if needed is Coupling.AC else Coupling.AC
    undecided = replace(
        matching, verdict=Verdict.CANNOT_TELL, margin=None, digits=None, deviation_percent=None,
        expanded_uncertainty=None, coverage_factor=None, probability=None, prior="", question=None, answer="",
        resolution=None,
    )  # fmt: skip
    mistaken = replace(
        undecided,
        reason=f"{measured} was read on {other}, and this test point needs {needed}.",
        next_measurement=f"Set the meter to {needed}, and measure again.",
        answer=other,
    )
    answered = replace(matching, reason=f"{matching.reason} Answered: the meter was set to {needed}.", answer=needed)
    question = Question(
        f"Was the meter set to AC or DC for the {measured}?",
        (
            Choice(str(needed), _statement_words(matching), answered),
            Choice(str(other), f"CANNOT TELL: measure again on {needed}", mistaken),
        ),
        str(needed),
    )
    return replace(
        undecided,
        reason=f"{measured} was typed without AC or DC, and this test point needs {needed}.",
        next_measurement=f"Answer, or type the reading with {needed}.",
        question=question,
    )


def _statement_words(judgement: Judgement) -> str:
    if judgement.question is not None:
        return "then one more question"
    return judgement.verdict.upper() + (f", {judgement.margin}" if judgement.margin is Margin.CLOSE_CALL else "")
