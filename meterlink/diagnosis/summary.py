"""The headline of a diagnosis: the best explanations, the open questions, the proven repairs."""

from collections.abc import Iterator, Sequence

from meterlink.core.equipment import CircuitState
from meterlink.core.verdicts import Verdict
from meterlink.diagnosis.causes import Cause, CauseKind, Confidence, Repair, RepairOutcome, RepairQuestion
from meterlink.diagnosis.observations import Case
from meterlink.diagnosis.subjects import is_resistance_to_ground

_MOST_NAMED = 2  # faults in one headline; more are counted
_NOT_NAMED = {Confidence.UNLIKELY, Confidence.UNDECIDED}


def summarize(
    case: Case, causes: Sequence[Cause], repairs: Sequence[Repair], questions: Sequence[RepairQuestion]
) -> str:
    """Return the headline of ``causes``, the surest first, of ``repairs`` and of ``questions``."""
    if not case.observations and not repairs:
        return "No reading is accepted: nothing to diagnose."
    likely = [cause for cause in causes if cause.confidence not in _NOT_NAMED]
    if likely and likely[0].kind is CauseKind.STOP:
        return "Stop: read the first cause before you touch the circuit again."
    sentences = [_explanation(case, likely)] if likely else []
    sentences += [asked.question.text for asked in questions]
    sentences += [repair.text for repair in repairs if repair.outcome is RepairOutcome.PROVEN]
    unexplained = [repair for repair in repairs if not any(_rests_on(cause, repair) for cause in likely)]
    sentences += [repair.text for repair in unexplained if repair.outcome is RepairOutcome.OUTSIDE]
    if not likely:
        sentences += [repair.text for repair in repairs if repair.outcome is RepairOutcome.NOT_PROVEN]
        sentences += _undecided(causes)
    return " ".join(sentences) or _nothing_found(case)


def _rests_on(cause: Cause, repair: Repair) -> bool:
    return bool(cause.reading_numbers & repair.reading_numbers)


def _undecided(causes: Sequence[Cause]) -> Iterator[str]:
    """Yield the surest cause of a reading outside its limits of which the evidence is outweighed."""
    undecided = next((cause for cause in causes if cause.confidence is Confidence.UNDECIDED), None)
    if undecided is not None:
        yield f"Measure again to decide: {_continued(undecided.title)}."


def _nothing_found(case: Case) -> str:
    newest = [
        point_readings.latest
        for point_readings in case.point_readings
        if point_readings.latest and not is_resistance_to_ground(point_readings.point)
    ]
    if newest and all(reading.verdict is Verdict.WITHIN for reading in newest):
        return "Every accepted reading is within its limits. These readings do not point to a part."
    return "These readings do not point to a part."


def _explanation(case: Case, likely: Sequence[Cause]) -> str:
    """Return the sentence on the surest causes: of independent faults each is named, up to two."""
    faults = _independent_faults(case, likely)
    if len(faults) == 1:
        best, *rivals = faults[0]
        if rivals:
            return "Several causes fit equally well: the next measurement decides."
        return f"The best explanation: {best.title} ({best.confidence})."
    first, second = (_fault_text(fault) for fault in faults[:_MOST_NAMED])
    more = len(faults) - _MOST_NAMED
    return f"The best explanations: {first}; and {_continued(second)}{f'; and {more} more' if more else ''}."


def _fault_text(fault: Sequence[Cause]) -> str:
    best, *rivals = fault
    return ", or ".join((best.title, *(_continued(rival.title) for rival in rivals))) + f" ({best.confidence})"


def _continued(title: str) -> str:
    """Return a title as it stands within a sentence; one that begins with the name of a terminal is unchanged."""
    return title[0].lower() + title[1:] if title.startswith("A ") or title[1:2].islower() else title


def _independent_faults(case: Case, likely: Sequence[Cause]) -> list[list[Cause]]:
    """Return the faults that do not explain each other, the surest first, each with the causes that rival it.

    A rival needs one of the same readings and is as sure. A cause that is included in another one is no rival of it.
    """
    parts = _Parts(case)
    faults: list[list[Cause]] = []
    for cause in likely:
        if all(parts.are_independent(cause, fault[0]) for fault in faults):
            faults.append([cause])
            continue
        for fault in faults:
            if (
                cause.score == fault[0].score
                and cause.reading_numbers & fault[0].reading_numbers
                and not fault[0].includes(cause)
            ):
                fault.append(cause)
    return faults


class _Parts:
    """The part and the state of the circuit behind each reading, by its number."""

    def __init__(self, case: Case) -> None:
        points = {
            reading.number: point_readings.point
            for point_readings in case.point_readings
            for reading in point_readings.readings
        }
        self._parts = {number: (point.circuit, point.component) for number, point in points.items()}
        self._energized = {number for number, point in points.items() if point.state is CircuitState.ENERGIZED}

    def are_independent(self, first: Cause, second: Cause) -> bool:
        """Return whether two causes are two faults: of other parts, from other readings, neither upstream of the other.

        Evidence links causes, too: a low supply is evidence about a coil.
        """
        if first.reading_numbers & second.evidence_numbers or second.reading_numbers & first.evidence_numbers:
            return False
        first_parts, second_parts = (
            {self._parts[number] for number in cause.reading_numbers if number in self._parts}
            for cause in (first, second)
        )
        if first_parts & second_parts:
            return False
        return not (
            CauseKind.UPSTREAM in {first.kind, second.kind}
            and first.reading_numbers & self._energized
            and second.reading_numbers & self._energized
        )
