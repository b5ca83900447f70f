"""The meaning that a frame gives its number beside the digits: the meanings possible, and those found."""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from decimal import Decimal

from meterlink.core.readings import Coupling
from meterlink.core.units import BASE_UNIT
from meterlink.profiles.model import Bit, Code, Meaning
from meterlink.teach.encodings import Encoding, SampleMatrix
from meterlink.teach.samples import Sample
from meterlink.teach.slow_bytes import SlowByte


@dataclass(frozen=True, slots=True)
class FrameMeaning:
    """The meaning that a frame must give its number: unit, coupling, places and scale."""

    unit: str
    coupling: Coupling | None
    places: int | None = None
    scale: Decimal | None = None

    def as_profile_meaning(self) -> Meaning:
        """Return the meaning in the profile's form."""
        return Meaning(unit=self.unit, coupling=self.coupling, places=self.places, scale=self.scale)


@dataclass(frozen=True, slots=True)
class FoundMeanings:
    """The meanings found beside the number, and the open questions.

    ``constant_bits`` never changed; those that were lit are inverted. ``unexplained_positions`` changed while the
    entries stayed the same. ``doubtful``: the bits that distinguish the ranges may do so by chance, because ranges have
    few entries and other bits change with every entry.

    ``freed_bytes`` follow time: bits of them that did not move may do so later. ``pinned_bytes`` seem to follow time,
    too, but a bit of them that did not move may be something else, and must not move. ``lone_overload`` is the only
    overload, which has no reading because its frame has a number.
    """

    codes: tuple[Code, ...]
    annunciators: tuple[tuple[Bit, Meaning], ...]
    overload_values: tuple[int, ...]
    constant_bits: tuple[Bit, ...]
    unexplained_positions: frozenset[int]
    suggested_readings: tuple[str, ...]
    doubtful: bool = False
    freed_bytes: tuple[int, ...] = ()
    pinned_bytes: tuple[SlowByte, ...] = ()
    lone_overload: Sample | None = None


def meaning_candidates(table: SampleMatrix, encoding: Encoding) -> Iterable[list[FrameMeaning | None]]:
    """Yield lists of meanings that the frames may carry: one per sample, None without a number; the fullest list first.

    A number that needs no places may come without them; a number in base units may come without the prefix shown.
    """
    full = [
        FrameMeaning(sample.displayed.unit, sample.displayed.coupling, scaling.places, scaling.scale)
        if sample.is_number
        else None
        for sample, scaling in zip(table.samples, encoding.scalings, strict=True)
    ]
    yield full
    if not (encoding.needs_no_places or encoding.finer_than_display):
        return
    yield [one and replace(one, places=None) for one in full]
    based = [one and _based(sample, one) for sample, one in zip(table.samples, full, strict=True)]
    if all(one is None or found is not None for one, found in zip(full, based, strict=True)):
        yield based


def _based(sample: Sample, said: FrameMeaning) -> FrameMeaning | None:
    if sample.prefix is None or sample.displayed.quantity is None:
        return None
    scale = (said.scale or Decimal(1)).scaleb(sample.prefix)
    return FrameMeaning(BASE_UNIT[sample.displayed.quantity], said.coupling, None, None if scale == 1 else scale)
