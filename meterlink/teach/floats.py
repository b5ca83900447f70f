"""Floating point in the frame: IEEE 754 of 32 and 64 bits, and the two decimal formats of IEEE 11073."""

import struct
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from decimal import ROUND_HALF_EVEN, Decimal
from itertools import cycle

from meterlink.core.binary_numbers import (
    EXACT_CONTEXT,
    decode_float32,
    decode_float64,
    decode_medfloat16,
    decode_medfloat32,
)
from meterlink.core.readings import Status
from meterlink.profiles.model import ByteOrder, FieldLocation, NumberField, NumberType
from meterlink.teach import limits
from meterlink.teach.encodings import Encoding, SampleMatrix, Scaling, top_bit
from meterlink.teach.samples import Sample

_ORDERS: tuple[ByteOrder, ByteOrder] = ("little", "big")
_MANTISSA = {NumberType.SFLOAT: 12, NumberType.FLOAT: 24}  # bits of IEEE 11073-20601's two formats
_BINARY: dict[NumberType, tuple[int, str, Callable[[bytes], Decimal | Status]]] = {
    NumberType.FLOAT32: (4, "f", decode_float32),
    NumberType.FLOAT64: (8, "d", decode_float64),
}
_DECIMAL: dict[NumberType, tuple[int, Callable[[bytes], Decimal | Status]]] = {
    NumberType.SFLOAT: (2, decode_medfloat16),
    NumberType.FLOAT: (4, decode_medfloat32),
}


def binary_float_encodings(table: SampleMatrix) -> Iterator[Encoding]:
    """Yield the encodings of the shown numbers as binary floating point."""
    shown = table.number_samples
    if len({sample.displayed.digits for sample in shown}) < limits.FEWEST_DIFFERENT_NUMBERS:
        return
    size_of_frame = len(shown[0].frame)
    for kind, (size, code, convert) in _BINARY.items():
        for at in range(size_of_frame - size + 1):
            for order in _ORDERS:
                for key in _keys(shown, at, size, order, code):
                    found = _fits(table, kind, FieldLocation(at, size, order), key, convert)
                    if found is not None:
                        yield found


def decimal_float_encodings(table: SampleMatrix) -> Iterator[Encoding]:
    """Yield the encodings of the shown numbers in a format of IEEE 11073.

    The exponent must have changed with the point: a field that never changed may be anything.
    """
    shown = table.number_samples
    if len({sample.counts for sample in shown}) < limits.FEWEST_DIFFERENT_NUMBERS:
        return
    for kind, (size, convert) in _DECIMAL.items():
        as_shown = tuple(-sample.places for sample in shown)
        in_base = tuple((sample.prefix or 0) - sample.places for sample in shown)
        for exponents in dict.fromkeys((as_shown, in_base)):
            if len(set(exponents)) < 2:
                continue
            width = _MANTISSA[kind]
            spare = 8 * size - width
            for at in range(len(shown[0].frame) - size + 1):
                for order in _ORDERS:
                    words = [int.from_bytes(sample.frame[at : at + size], order) for sample in shown]
                    expected = [
                        (exponent & (1 << spare) - 1) << width | _signed(sample) & (1 << width) - 1
                        for exponent, sample in zip(exponents, shown, strict=True)
                    ]
                    masks = {word ^ one for word, one in zip(words, expected, strict=True)}
                    if len(masks) == 1:
                        key = masks.pop().to_bytes(size, order)
                        found = _fits(table, kind, FieldLocation(at, size, order), key, convert)
                        if found is not None:
                            yield found


def _signed(sample: Sample) -> int:
    return -sample.counts if sample.negative else sample.counts


def _keys(shown: Sequence[Sample], at: int, size: int, order: ByteOrder, code: str) -> list[bytes]:
    """Return the keys worth trying: none, the key that makes the shown numbers exact, or a short key repeated."""
    first = next((sample for sample in shown if sample.counts), None)
    if first is None:
        return []
    keys = []
    if _plausible(first, at, size, order, code):
        keys.append(bytes(size))
    for shift in {0, *((sample.prefix or 0) for sample in shown)}:
        in_base = shift != 0
        expected = [_packed(sample, (sample.prefix or 0) if in_base else 0, order, code) for sample in shown]
        masks = {
            bytes(a ^ b for a, b in zip(sample.frame[at : at + size], one, strict=True))
            for sample, one in zip(shown, expected, strict=True)
        }
        if len(masks) == 1:
            keys.append(masks.pop())
            continue
        # The first two bytes of a number finer than the display nearly always equal those of the shown one.
        high = slice(0, 2) if order == "big" else slice(size - 2, size)
        tops = Counter(
            bytes(a ^ b for a, b in zip(sample.frame[at : at + size][high], one[high], strict=True))
            for sample, one in zip(shown, expected, strict=True)
            if sample.counts
        )
        (pair, votes), *_ = tops.most_common(1)
        if 2 * votes > sum(tops.values()) and any(pair):
            keys.append(bytes(byte for byte, _ in zip(cycle(pair), range(size), strict=False)))
    return list(dict.fromkeys(keys))


def _plausible(sample: Sample, at: int, size: int, order: ByteOrder, code: str) -> bool:
    (value,) = struct.unpack(("<" if order == "little" else ">") + code, sample.frame[at : at + size])
    return bool(10.0**-limits.FARTHEST_POWERS < abs(value) < 10.0 ** (2 * limits.FARTHEST_POWERS))


def _packed(sample: Sample, prefix: int, order: ByteOrder, code: str) -> bytes:
    return struct.pack(("<" if order == "little" else ">") + code, float(_digits(sample).scaleb(prefix)))


def _fits(
    table: SampleMatrix,
    kind: NumberType,
    place: FieldLocation,
    key: bytes,
    convert: Callable[[bytes], Decimal | Status],
) -> Encoding | None:
    """Return the encoding if, at one scale for each unit, every sample's number rounds to the shown one."""
    pairs: list[tuple[Sample, Decimal]] = []
    for sample in table.number_samples:
        data = bytes(a ^ b for a, b in zip(sample.frame[place.at : place.at + place.size], key, strict=True))
        raw = convert(data if place.order == "little" else data[::-1])
        if isinstance(raw, Status):
            return None
        pairs.append((sample, raw))
    scales = _scales(pairs)
    if scales is None:
        return None
    exact = True
    for sample, raw in pairs:
        digits, power = _digits(sample), scales[sample.displayed.unit]
        if not _rounds(raw, power, digits):
            return None
        exact &= raw.scaleb(power, EXACT_CONTEXT) == digits
    return Encoding(
        name=kind.value,
        source=NumberField(kind, place),
        used_positions=frozenset(range(8 * place.at, 8 * (place.at + place.size))),
        scalings=tuple(_scaling(sample, scales, exact=exact and kind in _DECIMAL) for sample in table.samples),
        signed=True,
        sign_position=top_bit(place) if kind in _BINARY else None,
        key={place.at + byte: one for byte, one in enumerate(key) if one},
        needs_no_places=exact,
        finer_than_display=not exact,
        largest_value=_largest(table.number_samples, scales),
    )


def _largest(shown: Sequence[Sample], scales: dict[str, int]) -> Decimal:
    """Return the first number for which the digits shown have no room in any unit."""
    return max(
        Decimal(1).scaleb(len(sample.digit_text) - sample.places - scales[sample.displayed.unit]) for sample in shown
    )


def _scales(pairs: Sequence[tuple[Sample, Decimal]]) -> dict[str, int] | None:
    """Return ``{unit: power of ten from the number to the shown one}``; None if a unit has no single power."""
    scales: dict[str, int] = {}
    for sample, raw in pairs:
        digits = _digits(sample)
        if not digits or sample.displayed.unit in scales:
            continue
        guess = digits.adjusted() - raw.adjusted() if raw else 0
        near = [power for power in (guess - 1, guess, guess + 1) if _rounds(raw, power, digits)]
        if len(near) != 1 or abs(near[0]) > limits.FARTHEST_POWERS:
            return None
        scales[sample.displayed.unit] = near[0]
    units = {sample.displayed.unit for sample, _ in pairs}
    if units <= scales.keys():
        return scales
    # Zeros show no scale: a unit with zeros only gets the scale that all other units share.
    return dict.fromkeys(units, min(scales.values())) if len(set(scales.values())) == 1 else None


def _digits(sample: Sample) -> Decimal:
    assert sample.displayed.digits is not None  # noqa: S101  # samples that show a number
    return sample.displayed.digits


def _scaling(sample: Sample, scales: dict[str, int], *, exact: bool) -> Scaling:
    if not sample.is_number:
        return Scaling()
    power = scales.get(sample.displayed.unit, 0)
    return Scaling(None if exact else sample.places, Decimal(1).scaleb(power) if power else None)


def _rounds(raw: Decimal, power: int, digits: Decimal) -> bool:
    return raw.scaleb(power, EXACT_CONTEXT).quantize(digits, ROUND_HALF_EVEN, EXACT_CONTEXT) == digits
