"""The readings of parts before and after their replacement: whether they prove the repair."""

from collections.abc import Iterator

from meterlink.core.equipment import CircuitState, PointKind
from meterlink.core.questions import Choice, Question
from meterlink.core.verdicts import FAILED_VERDICTS, Limits, Margin, Verdict
from meterlink.diagnosis.causes import Repair, RepairOutcome, RepairQuestion
from meterlink.diagnosis.likelihood import readings_agree
from meterlink.diagnosis.observations import Case, Observation, PointReadings
from meterlink.judge.judging import format_decimal

# A capacitor that reads overload may be shorted, and a circuit in which nothing flows may have an open part.
_NOT_SOUND = FAILED_VERDICTS | {Verdict.OVER_RANGE, Verdict.NOTHING_FLOWS}


def find_repairs(case: Case) -> tuple[Repair, ...]:
    """Return the repairs, one for each test point of a replaced part, in the order of the plan."""
    found = (_repair_at(point_readings) for point_readings in case.point_readings if point_readings.replacement)
    return tuple(repair for repair in found if repair is not None)


def _repair_at(point_readings: PointReadings) -> Repair | None:
    before, after = point_readings.latest_before, point_readings.latest
    if before is None and after is None:
        return None
    outcome, text = _compare(point_readings, before, after)
    numbers = frozenset(reading.number for reading in (before, after) if reading is not None)
    return Repair(point_readings.point.title, point_readings.terminals_text, outcome, text, numbers)


def _compare(
    point_readings: PointReadings, before: Observation | None, after: Observation | None
) -> tuple[RepairOutcome, str]:
    part, terminals = point_readings.point.title, point_readings.terminals_text
    if after is None:
        text = f"The {part} was replaced. Read {terminals} of the new part: that proves the repair."
        return RepairOutcome.NOT_PROVEN, text
    compared = f"{terminals} read {before_and_after(point_readings.point.kind, before, after)}"
    if after.verdict in FAILED_VERDICTS:
        text = f"The new part is outside as well: {compared}. Check its rating, the wiring and the meter."
        return RepairOutcome.OUTSIDE, text
    if doubt := _doubt(point_readings, after):
        return RepairOutcome.NOT_PROVEN, f"The repair is not proven: {compared}. {doubt}"
    if before is not None and before.verdict in _NOT_SOUND:
        return RepairOutcome.PROVEN, f"Repair proven: {compared}."
    return RepairOutcome.WITHIN, f"The new part is within its limits: {compared}."


def _doubt(point_readings: PointReadings, after: Observation) -> str:
    """Return why the newest reading proves nothing yet, empty where it does."""
    if after.verdict is not Verdict.WITHIN or after.judgement is None:
        return (after.judgement.next_measurement if after.judgement else "") or "Its reading has no verdict of within."
    if after.judgement.margin is Margin.CLOSE_CALL:
        return f"It is a close call. {after.judgement.next_measurement}".rstrip()
    if after.low_battery:
        return "The meter's battery was low: change it and measure again."
    if any(voltage in point_readings.readings for voltage in point_readings.stray_voltages):
        return "Voltage was read there, which makes the reading doubtful. Isolate, verify, and measure again."
    if any(readings_agree(earlier, after) is not True for earlier in point_readings.matching_readings):
        return "The readings of the new part do not repeat. Clean the terminals and measure again."
    return ""


def before_and_after(kind: PointKind, before: Observation | None, after: Observation) -> str:
    """Return two readings of one test point in words: ``38.2 µF of 45 before and 45.1 after``."""
    new_rating = _rating_text(kind, after)
    if before is None:
        return f"{after.text}{new_rating} after"
    old_rating = _rating_text(kind, before)
    same_unit = after.measured.unit == before.measured.unit and after.measured.digits is not None
    after_text = f"{after.measured.digits:f}" if same_unit else after.text
    # Another rating, and other limits, are said for each part.
    rating = "" if new_rating == old_rating else new_rating
    return f"{before.text}{old_rating} before and {after_text}{rating} after"


def _rating_text(kind: PointKind, reading: Observation) -> str:
    limits = reading.judgement.limits if reading.judgement else None
    if limits is None:
        return ""
    return f" of {_rated_value(limits)}" if kind is PointKind.CAPACITOR else f" ({limits.basis})"


def _rated_value(limits: Limits) -> str:
    is_range = limits.nominal is None or limits.basis.startswith(f"{limits.low:f} to")
    return limits.basis if is_range or limits.nominal is None else format_decimal(limits.nominal)


def jumped_to_within(point_readings: PointReadings) -> Observation | None:
    """Return the last reading before a jump: all up to it are clearly outside, all after it clearly within.

    None where the readings show no such jump, or where a replacement is recorded, or at a test point whose part is not
    replaced to change its reading: a supply, a motor that dries or cools.
    """
    if point_readings.replacement is not None or not _shows_a_replaceable_part(point_readings):
        return None
    readings = point_readings.matching_readings
    outside = [_is_clearly_outside(reading) for reading in readings]
    count = sum(outside)
    if not 0 < count < len(readings) or not all(outside[:count]):
        return None
    return readings[count - 1] if all(_is_clearly_within(reading) for reading in readings[count:]) else None


def _shows_a_replaceable_part(point_readings: PointReadings) -> bool:
    point = point_readings.point
    if point.state is CircuitState.ISOLATED:
        return point.kind in {PointKind.CAPACITOR, PointKind.COIL}
    return "contacts" in point.component.lower()


def _is_clearly_outside(reading: Observation) -> bool:
    return (
        reading.verdict in FAILED_VERDICTS
        and reading.judgement is not None
        and reading.judgement.margin is not Margin.CLOSE_CALL
    )


def _is_clearly_within(reading: Observation) -> bool:
    return reading.judgement is not None and (reading.verdict, reading.judgement.margin) == (
        Verdict.WITHIN,
        Margin.CLEAR,
    )


def repair_questions(case: Case) -> Iterator[RepairQuestion]:
    """Yield a question for each test point whose readings jumped to within with no replacement recorded."""
    for point_readings in case.point_readings:
        before, after = jumped_to_within(point_readings), point_readings.latest
        if before is None or after is None:
            continue
        part, terminals = point_readings.point.title, point_readings.terminals_text
        compared = before_and_after(point_readings.point.kind, before, after)
        yield RepairQuestion(
            Question(
                f"Was the {part} replaced in between? {terminals} read {compared}.",
                (
                    Choice("yes", "the part was replaced", f"Repair proven: {terminals} read {compared}."),
                    Choice("no", "it is the same part", _same_part_advice(point_readings)),
                ),
            ),
            frozenset({before.number, after.number}),
        )


def _same_part_advice(point_readings: PointReadings) -> str:
    """Return the advice about one part whose reading jumped to within."""
    if len({reading.meter for reading in point_readings.matching_readings}) > 1:
        return (
            "One of the meters is wrong, or a probe was off: read a part of known value with each, then read this one"
            " again with the meter that was right."
        )
    return (
        f"A bad contact at {point_readings.terminals_text}, or a probe that was off: clean them, pull on each crimp and"
        " spade, and read it three times without moving the leads."
    )
