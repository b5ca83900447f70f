"""Questions that the judge asks instead of guessing, where a text or a set of readings has several meanings.

A function returns a `Question` in the place of its result. The caller shows the choices to a person, or picks one.
"""

from dataclasses import dataclass
from typing import Generic, TypeVar

from meterlink.core.errors import InputError

Conclusion_co = TypeVar("Conclusion_co", covariant=True)


@dataclass(frozen=True, slots=True)
class Choice(Generic[Conclusion_co]):
    """One answer to a question.

    ``key`` names the choice to a program and on a command line; ``words`` describe it to a person. ``conclusion`` is
    the result if it is the right one.
    """

    key: str
    words: str
    conclusion: Conclusion_co


@dataclass(frozen=True, slots=True)
class Question(Generic[Conclusion_co]):
    """A question with its choices, at least one, each with a key of its own.

    ``usual`` is the key of the choice that is right most of the time, None if there is none. It is a hint for the
    person who answers, never an answer.
    """

    text: str
    choices: tuple[Choice[Conclusion_co], ...]
    usual: str | None = None

    def __post_init__(self) -> None:
        keys = [choice.key for choice in self.choices]
        if not keys or len(set(keys)) < len(keys) or self.usual not in {None, *keys}:
            raise ValueError(f"not the choices of a question: {keys}, usual {self.usual!r}")

    def choose(self, answer: str) -> Choice[Conclusion_co]:
        """Return the choice that ``answer`` names: by its key, or by its number from 1.

        Raises:
            InputError: no choice has this key or number.
        """
        by_answer = {str(number): choice for number, choice in enumerate(self.choices, 1)}
        by_answer |= {choice.key: choice for choice in self.choices}
        if answer.strip() not in by_answer:
            keys = ", ".join(f"{number} ({choice.key})" for number, choice in enumerate(self.choices, 1))
            raise InputError(f"{answer!r} answers no choice of: {self.text}", f"Answer with {keys}.")
        return by_answer[answer.strip()]

    def as_json_object(self) -> dict[str, object]:
        """Return the question for JSON: ``{"question", "choices": [{"key", "words"}], "usual"}``."""
        choices = [{"key": choice.key, "words": choice.words} for choice in self.choices]
        return {"question": self.text, "choices": choices, "usual": self.usual}


class OpenQuestionError(InputError):
    """A question must be answered first, and the caller has no way to ask it. ``question`` has the choices."""

    exit_code = 3

    def __init__(self, question: Question[object]) -> None:
        listed = " or ".join(repr(choice.key) for choice in question.choices)
        super().__init__(question.text, f"Is it {listed}?")
        self.question = question
