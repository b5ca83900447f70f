"""The parts that all encodings of the number share: the result of a search, and the evidence that it needs."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from typing import TypeVar

from meterlink.profiles.model import Code, FieldLocation, Meaning, NumberField, Rounding, Segments
from meterlink.teach.columns import Columns, bit_at
from meterlink.teach.samples import Sample
from meterlink.teach.slow_bytes import SlowByte

_T = TypeVar("_T")


@dataclass(frozen=True, slots=True)
class Scaling:
    """How the number in the frame becomes the number shown: `Meaning.places` and `Meaning.scale`; None if not given."""

    places: int | None = None
    scale: Decimal | None = None


@dataclass(frozen=True, slots=True)
class Encoding:
    """An encoding of the number that fits every sample.

    - ``used_positions``: the bits of the number.
    - ``scalings``: one for each sample; empty for a sample without a number.
    - ``signed``: whether the number carries its own sign.
    - ``guard_codes``: codes without a meaning; they refuse a frame in which bits differ that never differed in the
      samples.
    - ``key``: the exclusive-or found, ``{byte index: value}``.
    - ``suggested_readings``: readings that would widen the range that can be read.
    - ``needs_no_places``: whether the number equals the shown one without `Scaling.places`.
    - ``finer_than_display``: whether the number has more digits than the display.
    - ``largest_value``: the greatest number in the field for which the digits shown have room.
    - ``reserved_values``: field values reserved for 'no number', except those seen as a real reading.
    - ``rounding``: how the display rounds a number that has more digits.
    - ``sign_position``: the bit of the number's own sign; None without one, or if the bits above it were already
      examined.
    """

    name: str
    source: NumberField | Segments
    used_positions: frozenset[int]
    scalings: tuple[Scaling, ...]
    signed: bool = False
    guard_codes: tuple[Code, ...] = ()
    key: dict[int, int] = field(default_factory=dict)
    suggested_readings: tuple[str, ...] = ()
    needs_no_places: bool = False
    finer_than_display: bool = False
    largest_value: int | Decimal = 0
    reserved_values: frozenset[int] = frozenset()
    sign_position: int | None = None
    rounding: Rounding = Rounding.HALF_EVEN


def agreement_code(positions: Sequence[tuple[int, bool]]) -> Code:
    """Return a code that refuses a frame unless all the bits ``(position, inverted)`` are alike."""
    bits = tuple(bit_at(position, inverted=inverted) for position, inverted in positions)
    return Code(FieldLocation(bits=bits), ((0, Meaning()), ((1 << len(bits)) - 1, Meaning())))


def location_of_bits(positions: Sequence[tuple[int, bool]]) -> FieldLocation:
    """Return the location of the bits ``(position, inverted)``, highest first; whole bytes are named as bytes."""
    size, rest = divmod(len(positions), 8)
    if not rest and size <= 8 and not any(inverted for _, inverted in positions):
        first, last = positions[0][0], positions[-1][0]
        plain = [position for position, _ in positions]
        if plain == list(range(first, first - len(plain), -1)) and last % 8 == 0:
            return FieldLocation(at=last // 8, size=size, order="little")
        if plain == [8 * (first // 8 + byte) + bit for byte in range(size) for bit in range(7, -1, -1)]:
            return FieldLocation(at=first // 8, size=size, order="big")
    return FieldLocation(bits=tuple(bit_at(position, inverted=inverted) for position, inverted in positions))


def largest_number(samples: Sequence[Sample], scalings: Sequence[Scaling]) -> int:
    """Return the first number of the field for which the digits shown have no room at any scale; 0 without a scale."""
    room = [
        Decimal(10) ** len(sample.digit_text) * Decimal(1).scaleb(-sample.places) / scaling.scale
        for sample, scaling in zip(samples, scalings, strict=True)
        if sample.is_number and scaling.scale is not None
    ]
    return int(max(room, default=Decimal(0)))


def largest_digits(samples: Sequence[Sample]) -> int:
    """Return the greatest number of as many digits as were shown, but one: all nines may stand for an overload."""
    return int("9" * max(len(sample.digit_text) for sample in samples)) - 1


def top_bit(location: FieldLocation) -> int:
    """Return the position of the highest bit of the whole bytes at ``location``."""
    return 8 * (location.at + (location.size - 1 if location.order == "little" else 0)) + 7


def number_indexes(samples: Sequence[Sample]) -> list[int]:
    """Return the indexes of the samples that show a number."""
    return [place for place, sample in enumerate(samples) if sample.is_number]


def number_mask(samples: Sequence[Sample]) -> int:
    """Return the column of the samples that show a number: bit s is 1 if sample s does."""
    return sum(1 << place for place in number_indexes(samples))


@dataclass(frozen=True, slots=True)
class SampleMatrix:
    """The samples as a search uses them: the bits of their frames, and the samples that show a number.

    ``all_frames`` are the frames with and without an entry, in order of arrival. ``exempt_positions`` are the bits of
    counters and check bytes: their values prove nothing, even if they never changed. ``slow_bytes`` moved with time.
    """

    samples: tuple[Sample, ...]
    columns: Columns
    number_mask: int
    _where: dict[int, list[tuple[int, bool]]]
    all_frames: tuple[bytes, ...] = ()
    exempt_positions: frozenset[int] = frozenset()
    slow_bytes: tuple[SlowByte, ...] = ()

    @classmethod
    def from_samples(
        cls,
        samples: Sequence[Sample],
        all_frames: Sequence[bytes] = (),
        exempt_positions: frozenset[int] = frozenset(),
        slow_bytes: Sequence[SlowByte] = (),
    ) -> "SampleMatrix":
        """Build the matrix of samples whose frames are equally long."""
        columns, care = Columns([sample.frame for sample in samples]), number_mask(samples)
        where: dict[int, list[tuple[int, bool]]] = {}
        for position in range(columns.bits):
            seen = columns[position] & care
            if seen not in (0, care):
                where.setdefault(seen, []).append((position, False))
                where.setdefault(seen ^ care, []).append((position, True))
        return cls(tuple(samples), columns, care, where, tuple(all_frames), exempt_positions, tuple(slow_bytes))

    def matching_positions(self, sequence: int) -> list[tuple[int, bool]]:
        """Return ``(position, inverted)`` of the bits that followed ``sequence`` in all samples that show a number."""
        return self.prefer_unexempt(self._where.get(sequence & self.number_mask, []), lambda one: one[:1])

    def prefer_unexempt(self, candidates: list[_T], positions: Callable[[_T], Iterable[int]]) -> list[_T]:
        """Return the candidates that use no bit of a counter or a checksum; all candidates if each of them does."""
        free = [one for one in candidates if self.exempt_positions.isdisjoint(positions(one))]
        return free or candidates

    @property
    def number_samples(self) -> list[Sample]:
        """The samples that show a number."""
        return [sample for sample in self.samples if sample.is_number]

    def column_of(self, truths: Sequence[bool]) -> int:
        """Return the column of ``truths``: one truth for each sample that shows a number, in their order."""
        return sum(1 << place for place, true in zip(number_indexes(self.samples), truths, strict=True) if true)
