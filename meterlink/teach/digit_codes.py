"""Digits of one byte each, from a table of characters that the meter does not tell: a font, a code of its own.

The entries give the digit in every place of every sample. All places use one table, so that a digit seen in one place
is known in all.
"""

from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping, Sequence
from math import log2

from meterlink.profiles.model import FieldLocation, NumberField, NumberType
from meterlink.teach import limits
from meterlink.teach.displays import display_texts
from meterlink.teach.encodings import Encoding, SampleMatrix, Scaling, largest_digits
from meterlink.teach.samples import Sample
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


def fitting_frames(samples: Sequence[Sample], frames: Sequence[Mapping[bytes, float]]) -> list[set[bytes]]:
    """Return for each sample those of its ``frames`` that write its digits by one table, that of the most samples.

    ``frames`` are equally long, each with the share of time that it was shown. A sample without a number has none.
    """
    shown = [index for index, sample in enumerate(samples) if sample.is_number]
    best: list[set[bytes]] = [set() for _ in samples]
    if not shown:
        return best
    length = len(next(iter(frames[shown[0]])))
    shares = [frames[index] for index in shown]
    at_a_glance = [{max(some, key=some.__getitem__): 1.0} for some in shares]
    for texts in display_texts([samples[index] for index in shown]):
        width = len(texts[0])
        for at in range(length - width + 1):
            for step in (1, -1):
                place = slice(at, at + width)
                seen = _fitting(texts, _fields(at_a_glance, place, step), at_a_glance)
                if sum(map(bool, seen)) < limits.LEAST_SHARE_AT_A_GLANCE * len(shown):
                    continue
                found = _fitting(texts, _fields(shares, place, step), shares)
                if sum(map(bool, found)) > sum(map(bool, best)):
                    best = [set() for _ in samples]
                    for index, some in zip(shown, found, strict=True):
                        best[index] = some
    return best


def _fields(frames: Sequence[Mapping[bytes, float]], place: slice, step: int) -> list[dict[bytes, bytes]]:
    return [{frame: frame[place][::step] for frame in some} for some in frames]


def _fitting(
    texts: Sequence[str], fields: Sequence[Mapping[bytes, bytes]], shares: Sequence[Mapping[bytes, float]]
) -> list[set[bytes]]:
    """Return for each text the frames of ``fields`` that write it by the table that most frames vote for."""
    votes: defaultdict[tuple[int, str], float] = defaultdict(float)
    for text, some, share in zip(texts, fields, shares, strict=True):
        for frame, field in some.items():
            for pair in zip(field, text, strict=True):
                votes[pair] += share[frame]
    table = _elected(votes)
    return [
        {frame for frame, field in some.items() if "".join(table.get(byte, "?") for byte in field) == text}
        for text, some in zip(texts, fields, strict=True)
    ]


def _elected(votes: Mapping[tuple[int, str], float]) -> dict[int, str]:
    """Return the table of the pairs with the most votes: a byte has one character, and a character one byte."""
    table: dict[int, str] = {}
    for (byte, character), _ in sorted(votes.items(), key=lambda pair: (-pair[1], pair[0])):
        if byte not in table and character not in table.values():
            table[byte] = character
    return table


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
    times = Counter("".join(texts))
    missing = [digit for digit in "0123456789" if times[digit] <= 1]  # a single one is not confirmed
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
