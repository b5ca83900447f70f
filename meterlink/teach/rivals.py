"""Two explanations of one capture: the frame on which they differ, and the reading that decides between them."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal

from meterlink.core.readings import Reading
from meterlink.core.units import to_base
from meterlink.teach import limits

Decoder = Callable[[bytes], Reading | None]
"""Returns the reading of a frame; None without one."""


@dataclass(frozen=True, slots=True)
class Disagreement:
    """A frame that two explanations read differently. ``sent``: the meter sent it; else it was made up."""

    frame: bytes
    first: Reading
    second: Reading
    sent: bool

    def reason(self) -> str:
        """Return why neither explanation is used."""
        where = "one of its packets" if self.sent else "a packet that it may send"
        return f"two explanations agree with every entry, but not on {where}: {self.first.text} or {self.second.text}"

    def wanted_reading(self) -> str:
        """Return the reading that decides, in the words of the person who takes it."""
        return f"a reading near {self.first.text}, then one near {self.second.text}"


def find_disagreement(
    first: Decoder, second: Decoder, frames: Iterable[bytes], shown: Sequence[bytes], positions: Iterable[int]
) -> Disagreement | None:
    """Return a frame to which two explanations give different values; None if none was found.

    ``frames`` are frames of the capture. If they agree on these, frames like those ``shown`` under an entry are made
    up, each with one bit of ``positions`` turned.
    """
    for sent, some in ((True, iter(dict.fromkeys(frames))), (False, _turned(shown, positions))):
        for _, frame in zip(range(limits.MOST_FRAMES_COMPARED), some, strict=False):
            one, other = first(frame), second(frame)
            if one is not None and other is not None and _differ(one, other):
                return Disagreement(frame, one, other, sent)
    return None


def _turned(shown: Sequence[bytes], positions: Iterable[int]) -> Iterator[bytes]:
    places = sorted(positions)
    for frame in shown:
        number = int.from_bytes(frame, "little")
        for position in places:
            yield (number ^ 1 << position).to_bytes(len(frame), "little")


def _differ(one: Reading, other: Reading) -> bool:
    """Return whether two readings with a value differ by more than the last digit of the display."""
    if one.digits is None or other.digits is None:
        return False
    if one.quantity is not other.quantity or one.coupling is not other.coupling:
        return True
    first, second = to_base(one.digits, one.unit), to_base(other.digits, other.unit)
    return abs(first - second) > max(_step(one), _step(other), abs(first) * _FLOAT_NOISE)


_FLOAT_NOISE = Decimal("1e-6")  # of the value: a binary float of 32 bits has seven digits


def _step(reading: Reading) -> Decimal:
    exponent = reading.digits.as_tuple().exponent if reading.digits is not None else 0
    step = Decimal((0, (1,), exponent if isinstance(exponent, int) else 0))
    return abs(to_base(step, reading.unit) - to_base(Decimal(0), reading.unit))
