"""Frames paired with entries: the frames that each entry describes, and the value that they must decode to."""

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from meterlink.capture.capture_file import Capture, CapturedPacket, DisplayedValue, DisplayEntry, pair_packets
from meterlink.core.readings import Coupling
from meterlink.core.units import BASE_UNIT, Quantity, convert

_FORCED = frozenset({Quantity.VOLTAGE, Quantity.CURRENT})
_SIGNED = frozenset({Quantity.VOLTAGE, Quantity.CURRENT, Quantity.TEMPERATURE, None})


@dataclass(frozen=True, slots=True)
class SampleFrame:
    """One frame, complete at ``t`` seconds. ``label`` is the index of the entry that describes it, None without."""

    t: float
    data: bytes
    label: int | None = None


@dataclass(frozen=True, slots=True)
class Sample:
    """One entry and the frames of its window, in order of time; at least one.

    The last frame must decode to the entry. An earlier frame may still carry the previous display: it counts only if it
    decodes to the entry, too.
    """

    entry: DisplayEntry
    displayed: DisplayedValue
    frames: tuple[bytes, ...]

    @property
    def frame(self) -> bytes:
        """The last frame of the window: the entry certainly describes it."""
        return self.frames[-1]

    @property
    def is_number(self) -> bool:
        """Whether the display showed a number."""
        return self.displayed.digits is not None

    @property
    def digit_text(self) -> str:
        """The shown digits without point and sign: ``005`` for ``-0.05``; empty without a number."""
        return "" if self.displayed.digits is None else f"{abs(self.displayed.digits):f}".replace(".", "")

    @property
    def counts(self) -> int:
        """The shown digits as a whole number; 0 without a number."""
        return int(self.digit_text or "0")

    @property
    def negative(self) -> bool:
        """Whether the display showed a minus."""
        return self.displayed.negative

    @property
    def places(self) -> int:
        """The number of digits after the point."""
        exponent = 0 if self.displayed.digits is None else self.displayed.digits.as_tuple().exponent
        return max(0, -exponent) if isinstance(exponent, int) else 0

    @property
    def prefix(self) -> int | None:
        """The power of ten of the shown unit in base units (mV: -3); None without a unit and for °F."""
        if self.displayed.quantity is None or self.displayed.unit == "°F":
            return None
        return convert(Decimal(1), self.displayed.unit, BASE_UNIT[self.displayed.quantity]).adjusted()

    @property
    def function(self) -> "MeterFunction":
        """The function of the meter that the entry shows."""
        return MeterFunction(self.displayed.quantity, self.displayed.coupling)


@dataclass(frozen=True, slots=True)
class MeterFunction:
    """A function of the meter, as its entries show it; ``str()`` gives its name: ``voltage AC``."""

    quantity: Quantity | None
    coupling: Coupling | None

    @property
    def signed(self) -> bool:
        """Whether readings may be negative: voltage and current except AC, temperature, and an unknown quantity."""
        return self.quantity in _SIGNED and self.coupling is not Coupling.AC

    def __str__(self) -> str:
        return " ".join(str(part) for part in (self.quantity or "no unit", self.coupling) if part)


def may_overload(samples: Sequence[Sample]) -> bool:
    """Return whether a person may be asked for an overload: where no reading but volts and amps was taken, never.

    Open leads overload the ohms of a meter. What overloads its volts or its amps is more than it is made for.
    """
    return any(sample.displayed.quantity not in _FORCED for sample in samples)


def label_frames(
    frames: Sequence[tuple[float, bytes]], labels: Sequence[DisplayEntry]
) -> tuple[list[SampleFrame], list[Sample]]:
    """Return ``(frames, samples)``: all frames with the index of their entry, and a sample per entry that has a frame.

    ``frames`` are ``(seconds, bytes)``, in order of time.
    """
    packets = tuple(CapturedPacket(t, "", data, line) for line, (t, data) in enumerate(frames))
    number = {id(label): place for place, label in enumerate(labels)}
    named: list[SampleFrame] = []
    held: dict[int, list[bytes]] = {}
    for packet, label in pair_packets(Capture(packets, tuple(labels))):
        which = None if label is None else number[id(label)]
        named.append(SampleFrame(packet.seconds, packet.data, which))
        if which is not None:
            held.setdefault(which, []).append(packet.data)
    samples = [Sample(labels[which], labels[which].displayed_value, tuple(held[which])) for which in sorted(held)]
    return named, samples
