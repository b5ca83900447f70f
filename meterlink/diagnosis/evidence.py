"""Facts, which are named statements about a subject, and the evidence for them."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, ClassVar, Protocol, TypeVar

from meterlink.diagnosis.observations import Case, Observation


@dataclass(frozen=True, slots=True)
class Evidence:
    """Whether a fact holds (None: the readings do not show it), with a sentence that gives the numbers.

    ``reading_numbers`` are the numbers of the readings behind it. ``weight`` is set by a fact that computes its own
    weight, in half-powers of ten: see `meterlink.diagnosis.likelihood`.
    """

    holds: bool | None
    text: str = ""
    reading_numbers: frozenset[int] = frozenset()
    weight: int = 0


UNKNOWN = Evidence(None)
DOES_NOT_HOLD = Evidence(holds=False)


def make_evidence(
    holds: bool,  # noqa: FBT001  # reads as a sentence
    text: str,
    *readings: Observation | None,
    weight: int = 0,
) -> Evidence:
    """Return evidence from ``readings``; None among them is ignored. ``weight`` is in half-powers of ten."""
    return Evidence(holds, text, frozenset(reading.number for reading in readings if reading), weight)


def make_positive_evidence(text: str, *readings: Observation | None) -> Evidence:
    """Return evidence from ``readings`` for a fact that holds."""
    return make_evidence(True, text, *readings)  # noqa: FBT003  # reads as a sentence


class Subject(Protocol):
    """The thing that a rule is about, found in a case and named in the rule's sentences."""

    KIND: ClassVar[str]
    PLACEHOLDERS: ClassVar[frozenset[str]]

    @property
    def placeholders(self) -> dict[str, str]:
        """The texts for the placeholders in a rule's sentences: ``{name in PLACEHOLDERS: text}``."""
        ...

    @classmethod
    def find_all(cls, case: Case) -> "list[Any]":
        """Return every subject of this kind in ``case``."""
        ...


@dataclass(frozen=True, slots=True)
class Fact:
    """A statement about a subject and the function that evaluates it; ``description`` is the function's docstring."""

    statement: str
    description: str
    evaluate: Callable[[Any], Evidence]


_SubjectT = TypeVar("_SubjectT", bound=Subject)
FACTS: dict[tuple[str, str], Fact] = {}  # by kind of subject and statement


def fact(
    subject: type[_SubjectT], statement: str
) -> Callable[[Callable[[_SubjectT], Evidence]], Callable[[_SubjectT], Evidence]]:
    """Register the decorated function as the fact that ``statement`` names, about subjects of this class."""

    def register(function: Callable[[_SubjectT], Evidence]) -> Callable[[_SubjectT], Evidence]:
        FACTS[subject.KIND, statement] = Fact(statement, function.__doc__ or "", function)
        return function

    return register
