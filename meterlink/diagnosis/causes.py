"""A diagnosis and its causes."""

from dataclasses import dataclass
from enum import StrEnum


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
    are the numbers of the readings that the rule needs. ``related`` are the titles of the causes that need one of the
    same readings: they compete with this cause or add to it.
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


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """The causes of a visit: the kind ``stop`` first, then the surest first.

    ``summary`` is one sentence for the top. ``notes`` are sentences about the readings that the causes leave open:
    readings without limits, readings outside that no rule explains, and close calls.
    """

    summary: str
    causes: tuple[Cause, ...]
    notes: tuple[str, ...]
