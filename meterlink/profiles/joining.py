"""Frames of two packets: one has the number, the other its range or unit, from one characteristic or from two.

The packets of a meter arrive in the order in which it sends them, but any of them may be missing, and the others may be
held up and arrive in a bunch. Two packets are taken for one frame if nothing contradicts that:

- they arrive one directly behind the other, in the order of the profile;
- their times fit: at most ``Framing.pause`` between them, and before them a rest that is longer, but not longer than
  ``Framing.rest``. A frame of which a part was held up begins too late or too early;
- the part without the number says the same on both sides of the number. Where two packets are lost, the number of one
  frame meets the range of the next. That range is the one before it, too, or else there is no reading.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from meterlink.core.clock import Timestamp
from meterlink.core.text import count_phrase
from meterlink.profiles.model import FramePart, Framing
from meterlink.profiles.refusal import Refusal, RefusalReason


@dataclass(frozen=True, slots=True)
class SteadyBits:
    """Bits that must be the same on both sides of a number, as numbers of the whole frame (little-endian).

    ``second`` are bits of the second part, which must be those of the second part before. ``first`` are bits of the
    first part, which must be those of the next first part: a frame then waits for it.
    """

    first: int = 0
    second: int = 0
    waits: bool = False


@dataclass(frozen=True, slots=True)
class JoinedFrame:
    """A frame and the time at which its second part arrived."""

    data: bytes
    timestamp: Timestamp


@dataclass(frozen=True, slots=True)
class _Packet:
    part: int
    data: bytes
    timestamp: Timestamp


class PartJoiner:
    """Joins the packets of one connection; ``steady`` may have no bits while nothing is known of the frames."""

    def __init__(self, framing: Framing, steady: SteadyBits | None = None) -> None:
        self._parts = framing.parts
        self._pause, self._rest = round(framing.pause * 1e9), round(framing.rest * 1e9)
        self._steady = steady or SteadyBits()
        self._split = 8 * self._parts[0].length
        self._before: _Packet | None = None  # the packet before, of either part
        self._first: _Packet | None = None  # the first part of a frame that began as it should
        self._second: bytes | None = None  # the second part directly before `_first`
        self._waiting: JoinedFrame | None = None

    def add(self, channel: int, packet: bytes, timestamp: Timestamp) -> tuple[JoinedFrame | None, Refusal | None]:
        """Return ``(frame, refusal)``: the frame that this packet completes or confirms; why another is none.

        ``channel`` is the number of the packet's characteristic in ``connection.notify``.
        """
        part = part_of(self._parts, channel, packet)
        if part is None:
            self._forget()  # it may be two packets in one
            return None, Refusal(RefusalReason.OTHER_KIND, count_phrase(len(packet), "byte"), packet)
        came = _Packet(part, packet, timestamp)
        before, self._before = self._before, came
        return self._begin(came, before) if part == 0 else self._complete(came, before)

    def _begin(self, came: _Packet, before: _Packet | None) -> tuple[JoinedFrame | None, Refusal | None]:
        waiting, self._waiting = self._waiting, None
        self._first = None
        if before is None:
            return None, None
        detail = self._rest_fault(came, before)
        if not detail:
            self._first = came
            if waiting is not None and (changed := self._changed(waiting.data, came.data, self._steady.first)):
                return None, _unpaired(changed, waiting.data)
            return waiting, None
        return None, _unpaired(detail, waiting.data if waiting is not None else before.data)

    def _complete(self, came: _Packet, before: _Packet | None) -> tuple[JoinedFrame | None, Refusal | None]:
        first, earlier = self._first, self._second
        self._first, self._second, self._waiting = None, came.data, None
        if before is None:
            return None, _unpaired("its beginning was lost", came.data)
        if before.part != 0:
            return None, _unpaired("the packet before it is missing", came.data)
        if first is None or earlier is None:
            return None, _unpaired("the frame before it is not complete", came.data)
        if came.timestamp.monotonic_ns - before.timestamp.monotonic_ns > self._pause:
            return None, _unpaired("it came too late", came.data)
        frame = JoinedFrame(first.data + came.data, came.timestamp)
        steady = self._steady.second >> self._split
        if changed := self._changed(earlier, came.data, steady, self._parts[0].length):
            return None, _unpaired(changed, frame.data)
        if not self._steady.waits:
            return frame, None
        self._waiting = frame
        return None, None

    def _forget(self) -> None:
        self._before = self._first = self._second = self._waiting = None

    def _rest_fault(self, came: _Packet, before: _Packet) -> str:
        """Return the fault of the rest before a first part, in words; empty where there is none."""
        if before.part == 0:
            return "the packet behind it is missing"
        rest = came.timestamp.monotonic_ns - before.timestamp.monotonic_ns
        if rest <= self._pause:
            return "the next frame came too soon: packets were held up"
        return "the next frame came too late" if rest > self._rest else ""

    def _changed(self, one: bytes, other: bytes, bits: int, at: int = 0) -> str:
        """Return which of the ``bits`` differ, in words; empty where none does. ``at``: the part's first byte."""
        size = min(len(one), len(other))
        differ = (int.from_bytes(one[:size], "little") ^ int.from_bytes(other[:size], "little")) & bits
        differ &= (1 << 8 * size) - 1
        if not differ:
            return ""
        place = at + ((differ & -differ).bit_length() - 1) // 8
        return f"byte {place} changes beside it, so the number may belong to either"


def part_of(parts: Sequence[FramePart], channel: int, packet: bytes) -> int | None:
    """Return which of the ``parts`` a packet is; None where it is none of them."""
    for number, part in enumerate(parts):
        fits = part.channel == channel and part.length == len(packet)
        if fits and all(packet[at] == byte for at, byte in part.marks):
            return number
    return None


def _unpaired(detail: str, data: bytes) -> Refusal:
    return Refusal(RefusalReason.UNPAIRED, detail, data)
