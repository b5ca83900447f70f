"""Ratings of run and start capacitors as written on the part: ``45+7.5 MFD ±6% 440 VAC 50/60 Hz``.

A text with one possible meaning is read; any other raises a question that lists its meanings. The rules:

- A unit belongs to the number before it, and to the numbers that a ``/``, ``+``, ``-`` or ``to`` joins to that number.
  The units tell the slashes in ``45/5 uF``, ``370/440 V`` and ``50/60 Hz`` apart.
- Two values in µF: ``+`` makes them the sections of a dual capacitor, ``to`` the range of a start capacitor. ``-`` is a
  range where the second is above the first by at most half (88-106); ``/`` makes sections where one is at least twice
  the other (45/5). Values in between raise a question.
- The larger section is HERM, the smaller FAN. Common practice, no source.
- J, K and M are IEC 60062 tolerance letters. Its other letters raise a question: on these labels they are as often a
  class, a terminal or a unit.
- A number without a unit raises a question, unless the caller gives the unit.
- Words without digits, and codes that begin with two letters or more (``CBB65``), are not values: they are listed in
  ``unused_words``, as are DC volts, amperes, ohms and temperatures. Any other remaining text raises a question.
"""

from collections.abc import Iterator
from dataclasses import dataclass

from meterlink.core.errors import InputError
from meterlink.core.units import Quantity, quantity_of
from meterlink.judge.judging import format_decimal
from meterlink.judge.label.parser import RATING_EXAMPLE, parse_label
from meterlink.judge.label.rated_part import CapacitorKind, RatedPart
from meterlink.judge.label.tokens import MAX_LABEL_LENGTH, UnclearLabelError, normalize_label

_DEEPEST = 4  # questions that one interpretation answers; a label with more must be typed again
_MOST_CANDIDATES = 6  # interpretations to choose from; a longer list is no help


@dataclass(frozen=True, slots=True)
class LabelInterpretation:
    """One meaning of an ambiguous text: ``text`` is a spelling that is read without a question."""

    text: str
    description: str


class AmbiguousRatingError(InputError):
    """A rating has several meanings, or its meaning needs an assumption.

    ``question`` names the unclear part. ``interpretations`` are the possible meanings to offer, at least one.
    """

    def __init__(self, text: str, question: str, interpretations: tuple[LabelInterpretation, ...]) -> None:
        self.text = text
        self.question = question
        self.interpretations = interpretations
        listed = " or ".join(repr(candidate.text) for candidate in interpretations)
        super().__init__(f"{text!r}: {question}", f"Is it {listed}?")

    def as_json_object(self) -> dict[str, object]:
        """Return the error for JSON: ``{"text", "question", "interpretations": [{"text", "description"}]}``."""
        offered = [{"text": candidate.text, "description": candidate.description} for candidate in self.interpretations]
        return {"text": self.text, "question": self.question, "interpretations": offered}


def parse_rating(text: str, *, kind: CapacitorKind | None = None, unit: str | None = None) -> RatedPart:
    """Return the part that the label ``text`` describes.

    ``kind`` is the known kind of the part; ``unit`` (of capacitance) applies to the first value without a unit.

    Raises:
        AmbiguousRatingError: the text has several meanings, or its meaning needs an assumption.
        InputError: the text is not a rating, or ``unit`` is not a unit of capacitance.
    """
    if unit is not None and quantity_of(unit) is not Quantity.CAPACITANCE:
        raise InputError(f"{unit!r} is not a unit of capacitance.", "Use µF.")
    if len(text) > MAX_LABEL_LENGTH:
        raise InputError(f"{text[:20]!r}… is longer than any rating.", f"Write only the rating: {RATING_EXAMPLE}.")
    given = normalize_label(text)
    try:
        return parse_label(given, kind, unit)
    except UnclearLabelError as question:
        candidates: dict[str, LabelInterpretation] = {}
        for part in _answers(given, question, kind, unit, _DEEPEST):
            candidates.setdefault(str(part), LabelInterpretation(str(part), describe_part(part)))
            if len(candidates) == _MOST_CANDIDATES:
                break
        if candidates:
            raise AmbiguousRatingError(text.strip(), question.reason, tuple(candidates.values())) from None
        raise InputError(f"{text.strip()!r}: {question.reason}", f"Write the rating as {RATING_EXAMPLE}.") from None


def describe_part(part: RatedPart) -> str:
    """Return a rating in words: ``dual run capacitor, HERM 45 µF, FAN 5 µF, ±6 %, up to 440 V``."""
    kind = f"{part.kind} capacitor" if part.kind else "capacitor"
    if part.marked_range is not None:
        words = [kind, f"marked {part.marked_range}"]
    elif len(part.sections) == 2:
        words = [
            f"dual {kind}",
            *(f"{name} {value}" for name, value in zip(part.section_names, part.sections, strict=True)),
        ]
    else:
        words = [kind, str(part.sections[0])]
    if part.tolerance is not None:
        words.append(str(part.tolerance))
    if part.max_volts is not None:
        words.append(f"up to {format_decimal(part.max_volts)} V")
    if part.hertz:
        words.append("/".join(map(format_decimal, part.hertz)) + " Hz")
    return ", ".join(words)


def _answers(
    text: str, question: UnclearLabelError, kind: CapacitorKind | None, unit: str | None, depth: int
) -> Iterator[RatedPart]:
    """Yield the part that ``text`` describes with each answer to ``question`` put in its place."""
    for instead in question.alternatives:
        answered = text[: question.start] + instead + text[question.end :]
        try:
            yield parse_label(answered, kind, unit)
        except UnclearLabelError as next_question:
            if depth:
                yield from _answers(answered, next_question, kind, unit, depth - 1)
        except InputError:
            continue
