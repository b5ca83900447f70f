"""Windings from three resistances between a motor's three terminals: of a single-phase or of a three-phase motor.

The names of the terminals, or the plan, say which motor it is. Without them the readings decide where only one of the
two fits; where both fit, the result is a question. Nothing is guessed.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from enum import StrEnum

from meterlink.core.errors import InputError
from meterlink.core.questions import Choice, Question
from meterlink.core.units import Amount, Quantity
from meterlink.core.verdicts import Verdict
from meterlink.judge.electrical.single_phase_windings import ROLES, judge_single_phase
from meterlink.judge.electrical.three_phase_windings import judge_three_phase
from meterlink.judge.electrical.winding_readings import SHORTED_BELOW, pair_readings
from meterlink.judge.electrical.windings_result import WindingsResult
from meterlink.judge.measured_value import MeasuredValue, MeterReading
from meterlink.judge.uncertainty import AccuracyLine, assumed_accuracy

__all__ = ["SHORTED_BELOW", "MotorKind", "WindingsResult", "identify_windings"]

# The marks of the terminals of three-phase motors (IEC 60034-8 and NEMA MG-1, from memory).
_THREE_PHASE_MARKS = (frozenset({"T1", "T2", "T3"}), frozenset({"U", "V", "W"}), frozenset({"U1", "V1", "W1"}))


class MotorKind(StrEnum):
    """The kind of motor that three windings belong to."""

    SINGLE_PHASE = "single-phase"
    THREE_PHASE = "three-phase"


def identify_windings(
    measurements: Sequence[tuple[str, str, MeasuredValue]],
    accuracy: AccuracyLine | None = None,
    shorted_below: Amount = SHORTED_BELOW,
    *,
    motor: MotorKind | None = None,
) -> WindingsResult:
    """Identify the windings from three resistances read with one meter: ``(terminal, terminal, value)`` each.

    They may come in any order and have any names. The meter has the line ``accuracy`` (None: the assumed one). See
    `judge_windings`.

    Raises:
        InputError: there are not three terminals with each pair read once, a value is not in ohms, or it is negative.
    """
    line = accuracy or assumed_accuracy(Quantity.RESISTANCE)
    readings = [(one, other, MeterReading(measured, line)) for one, other, measured in measurements]
    return judge_windings(readings, shorted_below, motor=motor)


def judge_windings(
    readings: Sequence[tuple[str, str, MeterReading]],
    shorted_below: Amount = SHORTED_BELOW,
    *,
    motor: MotorKind | None = None,
) -> WindingsResult:
    """Identify the windings from three resistances: ``(terminal, terminal, reading)`` each, in any order.

    A sum adds up when its error is at most the meter's expanded uncertainty (k = 2, JCGM 100, 6.3.3). Readings with one
    meter on one range share its gain and zero error: two of them differ when their difference exceeds the repeatability
    of the display, and one zero error stays in the sum. Readings with several meters or on several ranges are taken as
    independent. Up to ``shorted_below`` a pair is shorted.

    ``motor`` None: the names C, S and R are of a single-phase motor; T1, T2 and T3 or U, V and W of a three-phase one;
    with any other names the readings decide. Where they fit both, the verdict is cannot tell, with a question.

    Raises:
        InputError: there are not three terminals with each pair read once, a value is not in ohms, or it is negative.
    """
    pairs = pair_readings(readings)
    names = frozenset().union(*(pair.ends for pair in pairs))
    by_mark = {name.upper(): name for name in names}
    marked = by_mark if set(by_mark) == set(ROLES) else {}
    kind = motor or _kind_of_names(frozenset(by_mark))
    limit = shorted_below.to("Ω")
    if kind is MotorKind.SINGLE_PHASE:
        return judge_single_phase(pairs, limit, marked)
    if kind is MotorKind.THREE_PHASE:
        return judge_three_phase(pairs, limit)
    return _unnamed(judge_single_phase(pairs, limit, marked), judge_three_phase(pairs, limit))


def parse_motor_kind(text: str) -> MotorKind:
    """Return the kind of motor that ``text`` names: single-phase, three-phase, 1 or 3.

    Raises:
        InputError: it names neither.
    """
    words = {"1": MotorKind.SINGLE_PHASE, "3": MotorKind.THREE_PHASE, **{kind.value: kind for kind in MotorKind}}
    if text.strip().lower() not in words:
        raise InputError(f"{text!r} is no kind of motor.", f"Use {' or '.join(MotorKind)}.")
    return words[text.strip().lower()]


def _kind_of_names(marks: frozenset[str]) -> MotorKind | None:
    if marks == frozenset(ROLES):
        return MotorKind.SINGLE_PHASE
    return MotorKind.THREE_PHASE if marks in _THREE_PHASE_MARKS else None


def _unnamed(single: WindingsResult, three: WindingsResult) -> WindingsResult:
    """Return the result that the readings alone allow, of what they say of either kind of motor."""
    if single.verdict is three.verdict and single.verdict is not Verdict.WITHIN:
        reason = f"As a single-phase motor: {single.reason} As a three-phase motor: {three.reason}"
        return replace(single, reason=reason)
    if single.verdict is Verdict.WITHIN and three.verdict is Verdict.OUTSIDE:
        return single
    if three.verdict is Verdict.WITHIN and single.verdict is Verdict.OUTSIDE:
        return three
    results: Mapping[MotorKind, WindingsResult] = {MotorKind.SINGLE_PHASE: single, MotorKind.THREE_PHASE: three}
    question = Question(
        "Is this a single-phase or a three-phase motor?",
        tuple(Choice(kind.value, result.headline, result) for kind, result in results.items()),
    )
    reason = f"The readings fit both kinds of motor. As single-phase: {single.reason} As three-phase: {three.reason}"
    return WindingsResult(Verdict.CANNOT_TELL, "CANNOT TELL: WHICH KIND OF MOTOR?", reason, question=question)
