"""Numbers as ASCII characters at fixed bytes of a frame, plain or under a constant exclusive-or."""

from collections.abc import Iterator, Sequence
from decimal import Decimal
from itertools import product

from meterlink.core.readings import Status
from meterlink.profiles.model import FieldLocation, NumberField, NumberType
from meterlink.profiles.number_text import parse_ascii_number
from meterlink.teach import limits
from meterlink.teach.encodings import Encoding, SampleMatrix, Scaling, largest_digits
from meterlink.teach.samples import Sample

_LONGEST = 14  # characters: a sign, eight digits, a point and an exponent
_SIGNS = (("", ""), ("-", ""), ("-", " "), ("-", "+"), ("-", "0"))


def _with_point(sample: Sample) -> str:
    return f"{abs(sample.displayed.digits or Decimal(0)):f}"


def _without_point(sample: Sample) -> str:
    return sample.digit_text


def _counts(sample: Sample) -> str:
    return str(sample.counts)


_BARE = (_with_point, _without_point, _counts)


def character_encodings(table: SampleMatrix) -> Iterator[Encoding]:
    """Yield the encodings of the shown numbers as characters."""
    shown = table.number_samples
    if len({sample.counts for sample in shown}) < limits.FEWEST_DIFFERENT_NUMBERS:
        return
    plain = [found for at in range(len(shown[0].frame)) for found in _plain(table, shown, at)]
    if plain:
        # The widest field contains the narrower ones, and the blanks that a longer number will fill.
        yield max(plain, key=lambda one: (one.signed, one.source.location.size))  # type: ignore[union-attr]
    else:
        yield from _keyed(table, shown)


def _plain(table: SampleMatrix, shown: Sequence[Sample], at: int) -> Iterator[Encoding]:
    for size in range(min(_LONGEST, len(shown[0].frame) - at), 0, -1):
        read = [parse_ascii_number(sample.frame[at : at + size]) for sample in shown]
        if not any(isinstance(one, Status) for one in read):
            found = _encoding(
                table, shown, FieldLocation(at, size, "big"), [one for one in read if not isinstance(one, Status)]
            )
            if found is not None:
                yield found
                return


def _encoding(
    table: SampleMatrix, shown: Sequence[Sample], place: FieldLocation, read: Sequence[int | Decimal], key: bytes = b""
) -> Encoding | None:
    """Return the encoding if the numbers read are the numbers shown: as counts, as shown, or times a power of ten."""
    wanted = [sample.displayed.digits for sample in shown]
    signed = any(one < 0 for one in read)
    if not signed:
        wanted = [abs(one) for one in wanted if one is not None]
    scalings: dict[int, Scaling]
    counts = [(-1 if signed and sample.negative else 1) * sample.counts for sample in shown]
    if all(isinstance(one, int) for one in read) and list(read) == counts:
        scalings = {id(sample): Scaling(sample.places) for sample in shown}
    else:
        powers: dict[str, int] = {}
        for sample, one, digits in zip(shown, read, wanted, strict=True):
            if digits:
                if not one:
                    return None
                powers.setdefault(
                    sample.displayed.unit, digits.normalize().adjusted() - Decimal(one).normalize().adjusted()
                )
        if any(
            Decimal(one).scaleb(powers.get(sample.displayed.unit, 0)) != digits
            for sample, one, digits in zip(shown, read, wanted, strict=True)
        ) or any(sample.displayed.unit not in powers for sample in shown):
            return None
        scalings = {id(sample): _scaling(powers[sample.displayed.unit], read) for sample in shown}
    return Encoding(
        name="characters",
        source=NumberField(NumberType.ASCII, place),
        used_positions=frozenset(range(8 * place.at, 8 * (place.at + place.size))),
        scalings=tuple(scalings.get(id(sample), Scaling()) for sample in table.samples),
        signed=signed,
        key={place.at + byte: one for byte, one in enumerate(key) if one},
        needs_no_places=all(one.places is None for one in scalings.values()),
        largest_value=largest_digits(shown),
    )


def _scaling(power: int, read: Sequence[int | Decimal]) -> Scaling:
    # Without a scale, a whole number among numbers with a point would be read as counts.
    if power or any(isinstance(one, int) for one in read):
        return Scaling(None, Decimal(1).scaleb(power))
    return Scaling()


def _keyed(table: SampleMatrix, shown: Sequence[Sample]) -> Iterator[Encoding]:
    for (minus, plus), bare, pad, left in product(_SIGNS, _BARE, (" ", "0"), (False, True)):
        texts = _texts([bare(sample) for sample in shown], shown, minus, plus, pad, left=left)
        if texts is None:
            continue
        size = len(texts[0])
        for at in range(len(shown[0].frame) - size + 1):
            key = bytes(a ^ b for a, b in zip(shown[0].frame[at : at + size], texts[0], strict=True))
            if any(
                sample.frame[at + byte] != text[byte] ^ key[byte]
                for sample, text in zip(shown, texts, strict=True)
                for byte in range(size)
            ):
                continue
            read = [parse_ascii_number(text) for text in texts]
            found = _encoding(
                table, shown, FieldLocation(at, size, "big"), [one for one in read if not isinstance(one, Status)], key
            )
            if found is not None:
                yield found
                return


def _texts(
    bare: Sequence[str], shown: Sequence[Sample], minus: str, plus: str, pad: str, *, left: bool
) -> list[bytes] | None:
    """Return the text expected in each frame; None if this style cannot write all numbers at one width."""
    width = max(map(len, bare))
    texts = []
    for sample, text in zip(shown, bare, strict=True):
        sign = minus if sample.negative else plus
        if left and pad == "0":
            return None
        if pad == "0":
            texts.append(sign + text.rjust(width, "0"))
        elif left:
            texts.append((sign + text).ljust(width + len(minus)))
        else:
            texts.append((sign + text).rjust(width + len(minus)))
    return [text.encode() for text in texts] if len(set(map(len, texts))) == 1 else None
