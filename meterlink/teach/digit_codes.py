"""Digits of one byte each, from a table of characters that the meter does not tell: a font, a code of its own.

The entries give the digit in every place of every sample. All places use one table, so that a digit seen in one place
is known in all.
"""

from collections.abc import Iterator, Sequence
from math import log2

from meterlink.profiles.model import FieldLocation, NumberField, NumberType
from meterlink.teach import limits
from meterlink.teach.displays import display_texts
from meterlink.teach.encodings import Encoding, SampleMatrix, Scaling, largest_digits
from meterlink.teach.wishes import digit_wish

_BITS_OF_A_DIGIT = log2(10)


def digit_code_encodings(table: SampleMatrix) -> Iterator[Encoding]:
    """Yield the encodings of the shown digits as bytes of one table of characters."""
    shown = table.number_samples
    if len({sample.counts for sample in shown}) < limits.FEWEST_DIFFERENT_NUMBERS:
        return
    for texts in display_texts(shown):
        width = len(texts[0])
        if width < limits.FEWEST_CODED_PLACES:
            continue
        for at in range(len(shown[0].frame) - width + 1):
            fields = [sample.frame[at : at + width] for sample in shown]
            for order, ordered in (("big", fields), ("little", [field[::-1] for field in fields])):
                characters = _characters(ordered, texts)
                if characters is not None:
                    yield _encoding(table, FieldLocation(at, width, order), characters, texts)  # type: ignore[arg-type]


def _characters(fields: Sequence[bytes], texts: Sequence[str]) -> dict[int, str] | None:
    """Return ``{byte: character}`` where each byte always stood for one character, and the other way round."""
    characters: dict[int, str] = {}
    for field, text in zip(fields, texts, strict=True):
        for byte, character in zip(field, text, strict=True):
            if characters.setdefault(byte, character) != character:
                return None
    if len(set(characters.values())) != len(characters):
        return None
    # Each character met again is evidence, in a place that changed; the first time only fills the table.
    changing = sum(len(set(place)) > 1 for place in zip(*texts, strict=True))
    evidence = (changing * len(texts) - len(characters)) * _BITS_OF_A_DIGIT
    return characters if evidence >= limits.LEAST_EVIDENCE_BITS else None


def _encoding(
    table: SampleMatrix, location: FieldLocation, characters: dict[int, str], texts: Sequence[str]
) -> Encoding:
    missing = [digit for digit in "0123456789" if digit not in characters.values()]
    wanted = [digit_wish(missing)] * bool(missing)
    if all(len(sample.digit_text) == location.size for sample in table.number_samples):
        wanted.append("a reading with fewer digits")
    return Encoding(
        name="digits by a table of characters",
        source=NumberField(NumberType.DIGIT_CODES, location, characters=tuple(sorted(characters.items()))),
        used_positions=frozenset(range(8 * location.at, 8 * (location.at + location.size))),
        scalings=tuple(Scaling(sample.places if sample.is_number else None) for sample in table.samples),
        signed=any("-" in text for text in texts),
        suggested_readings=tuple(wanted),
        largest_value=largest_digits(table.number_samples),
    )
