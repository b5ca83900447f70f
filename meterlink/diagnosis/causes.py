"""A diagnosis: its causes, the repairs that it proves, and the questions that it asks."""

from dataclasses import dataclass
from enum import StrEnum

from meterlink.core.questions import Question


class CauseKind(StrEnum):
    """Where a cause lies; the order is the order of checking, cheapest first."""

    STOP = "stop"  # cleared before anybody touches the circuit again
    MEASUREMENT = "measurement"
    CONNECTION = "connection"
    UPSTREAM = "upstream"
    PART = "part"


class Confidence(StrEnum):
    """How sure a cause is, by the sum of its weights (half-powers of ten of the odds for it).

    No cause is certain: a reading is a value between two leads, not the state of a part.
    """

    VERY_LIKELY = "very likely"  # 4 or more: 100 to 1
    LIKELY = "likely"  # 2 or 3: 10 to 1
    POSSIBLE = "possible"  # 0 or 1
    UNLIKELY = "unlikely"  # below 0: more evidence against it than for it
    # Below 0, for a reading outside its limits that stands until it is measured again: that of an isolated part, or one
    # that no other cause explains.
    UNDECIDED = "cannot tell until measured again"

    @classmethod
    def from_score(cls, score: int) -> "Confidence":
        """Return the confidence for ``score``, a sum of weights in half-powers of ten."""
        for least, confidence in ((4, cls.VERY_LIKELY), (2, cls.LIKELY), (0, cls.POSSIBLE)):
            if score >= least:
                return confidence
        return cls.UNLIKELY


@dataclass(frozen=True, slots=True)
class Cause:
    """One explanation of some readings.

    ``rule`` is the key of its rule, for programs. ``score`` is the sum of weights behind ``confidence``, in half-powers
    of ten. ``next_measurement`` decides about the cause, and ``caution`` applies while it is made. ``reading_numbers``
    are the numbers of the readings that the rule needs, ``evidence_numbers`` those of all its evidence. ``related`` are
    the titles of the causes that need one of the same readings: they compete with this cause or add to it.
    ``is_decided``: nothing is left to measure, and ``next_measurement`` is the repair with its proof.
    """

    rule: str
    title: str
    kind: CauseKind
    confidence: Confidence
    score: int
    evidence_for: tuple[str, ...]
    evidence_against: tuple[str, ...]
    next_measurement: str
    caution: str
    reading_numbers: frozenset[int]
    related: tuple[str, ...] = ()
    evidence_numbers: frozenset[int] = frozenset()
    is_decided: bool = False

    def includes(self, other: "Cause") -> bool:
        """Return whether it explains the readings of an equally sure ``other`` and more: they are one fault, not two.

        A mistake of the measurement is never part of a fault: they contradict each other.
        """
        in_circuit = {CauseKind.CONNECTION, CauseKind.UPSTREAM, CauseKind.PART}
        faults = self.kind in in_circuit and other.kind in in_circuit
        return faults and self.score == other.score and self.reading_numbers > other.reading_numbers


class RepairOutcome(StrEnum):
    """The outcome of a replacement, by the readings of the new part."""

    PROVEN = "proven"  # the old part read outside its limits, the new one within
    WITHIN = "new part within"  # and so did the old one
    OUTSIDE = "new part outside"
    NOT_PROVEN = "not proven"  # the new part is not read yet, or its reading decides nothing


@dataclass(frozen=True, slots=True)
class Repair:
    """The readings of one test point before and after a replacement, in one sentence, ``text``.

    ``reading_numbers`` are the numbers of the two readings that it compares.
    """

    part: str
    terminals: str
    outcome: RepairOutcome
    text: str
    reading_numbers: frozenset[int]


@dataclass(frozen=True, slots=True)
class RepairQuestion:
    """Whether a part was replaced between the two readings ``reading_numbers``, which jumped from outside to within.

    The conclusion of each choice is a sentence.
    """

    question: Question[str]
    reading_numbers: frozenset[int]


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """The causes of a visit: the kind ``stop`` first, then the surest first.

    ``summary`` is the headline. ``notes`` are sentences about the readings that the causes leave open:
    readings without limits, readings outside that no rule explains, and close calls. ``repairs`` are the parts replaced
    at this visit, by test point. ``questions`` ask about readings that jumped from outside to within with no
    replacement recorded between them.
    """

    summary: str
    causes: tuple[Cause, ...]
    notes: tuple[str, ...]
    repairs: tuple[Repair, ...] = ()
    questions: tuple[RepairQuestion, ...] = ()
