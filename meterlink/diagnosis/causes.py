"""What a diagnosis says."""

from dataclasses import dataclass
from enum import StrEnum


class CauseKind(StrEnum):
    """Where a finding looks for the cause; the order is the one to check them in, cheapest first."""

    STOP = "stop"  # before any hand goes there again
    MEASUREMENT = "measurement"
    CONNECTION = "connection"
    UPSTREAM = "upstream"
    PART = "part"


class Confidence(StrEnum):
    """How sure a finding is: what its evidence adds up to, in half-powers of ten of the odds against anything else.

    Never certain: a reading says what was between two leads, not what is wrong with a part.
    """

    VERY_LIKELY = "very likely"  # 4 and more: 100 to 1
    LIKELY = "likely"  # 2 or 3: 10 to 1
    POSSIBLE = "possible"  # 0 or 1
    UNLIKELY = "unlikely"  # below 0: more speaks against it

    @classmethod
    def from_score(cls, score: int) -> "Confidence":
        """Return the word for a sum of weights."""
        for least, word in ((4, cls.VERY_LIKELY), (2, cls.LIKELY), (0, cls.POSSIBLE)):
            if score >= least:
                return word
        return cls.UNLIKELY


@dataclass(frozen=True, slots=True)
class Cause:
    """One explanation of some readings.

    ``rule`` is the key of the rule it comes from, for programs; ``score`` the sum of weights behind ``confidence``.
    ``next_measurement`` is what would decide, ``caution`` what goes for the hand that takes it. ``readings`` are the
    numbers of the readings without which the finding would not be; ``beside`` the titles of findings that explain one
    of them in another way or add to it.
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
    """Findings, the most urgent and then the surest first; ``summary`` is a sentence for the top.

    ``notes`` say what the findings leave open: readings with nothing to hold them against, readings that are outside
    and that no rule explains, close calls.
    """

    summary: str
    causes: tuple[Cause, ...]
    notes: tuple[str, ...]
