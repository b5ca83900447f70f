"""Facts: small named statements about a subject, and the evidence they return."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, ClassVar, Protocol, TypeVar

from meterlink.diagnosis.observations import Case, Observation


@dataclass(frozen=True, slots=True)
class Evidence:
    """Whether a fact holds (None: the readings do not tell), in a sentence with its numbers.

    ``rests_on`` are the numbers of the readings it was told from. ``weight`` is set by facts that weigh themselves, in
    half-powers of ten: see `meterlink.diagnosis.likelihood`.
    """

    holds: bool | None
    text: str = ""
    reading_numbers: frozenset[int] = frozenset()
    weight: int = 0


UNKNOWN = Evidence(None)
DOES_NOT_HOLD = Evidence(holds=False)


def make_evidence(holds: bool, text: str, *readings: Observation | None, weight: int = 0) -> Evidence:  # noqa: FBT001  # reads as a sentence
    """Return evidence told from ``readings``."""
    return Evidence(holds, text, frozenset(each.number for each in readings if each), weight)


def make_positive_evidence(text: str, *readings: Observation | None) -> Evidence:
    """Return evidence that holds, told from ``readings``."""
    return make_evidence(True, text, *readings)  # noqa: FBT003  # it is what tell() is told


class Subject(Protocol):
    """What a rule is about: found in a case, named in words."""

    KIND: ClassVar[str]
    PLACEHOLDERS: ClassVar[frozenset[str]]

    @property
    def placeholders(self) -> dict[str, str]:
        """What a rule's sentences may name, by the keys in ``WORDS``."""
        ...

    @classmethod
    def find_all(cls, case: Case) -> "list[Any]":
        """Return every subject of this kind."""
        ...


@dataclass(frozen=True, slots=True)
class Fact:
    """A statement and the function that tells whether it holds of a subject; ``how`` is that function's docstring."""

    statement: str
    description: str
    evaluate: Callable[[Any], Evidence]


_S = TypeVar("_S", bound=Subject)
FACTS: dict[tuple[str, str], Fact] = {}  # by scope and statement


def fact(subject: type[_S], statement: str) -> Callable[[Callable[[_S], Evidence]], Callable[[_S], Evidence]]:
    """Register the decorated function as the one that tells whether ``statement`` holds of such a subject."""

    def register(function: Callable[[_S], Evidence]) -> Callable[[_S], Evidence]:
        FACTS[subject.KIND, statement] = Fact(statement, function.__doc__ or "", function)
        return function

    return register
