"""Lines of hexadecimal digits: the bytes that they mean are taught as packets of their own."""

import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from meterlink.capture.capture_file import Capture, CapturedPacket
from meterlink.profiles.model import Profile
from meterlink.teach import limits

_ENDS = (b"\r\n", b"\n", b"\r", b"")  # with the empty one, every packet is a line
_HEAD = re.compile(rb".*[^0-9A-Fa-f]", re.DOTALL)
_PAIRS = re.compile(rb"(?:[0-9A-Fa-f]{2})+")


@dataclass(frozen=True, slots=True)
class HexadecimalText:
    """A channel whose lines are hexadecimal digits between ``start`` and ``end``.

    ``capture`` has one packet for each line, with the bytes that the digits mean. ``whole``: each line came as one
    packet.
    """

    capture: Capture
    start: bytes
    end: bytes
    whole: bool

    def profile_of(self, taught: Profile) -> Profile | None:
        """Return the profile of the channel, from the one ``taught`` from ``capture``; None where it would guess.

        A line whose beginning or middle was lost must not pass: lines are of one length, and have a checksum or come
        as one packet each.
        """
        framing = taught.framing
        if framing is None or not framing.one_per_packet or not isinstance(framing.length, int) or framing.start:
            return None
        if not (self.whole or framing.checksums):
            return None
        size = 2 * framing.length + len(self.start) + len(self.end)
        outer = replace(framing, start=self.start, end=self.end, length=size, one_per_packet=self.whole, hex=True)
        if not self.whole:
            outer = replace(outer, beside=())  # a part of a line tells nothing by itself
        return replace(taught, framing=outer)


def find_hexadecimal_text(capture: Capture) -> Iterator[HexadecimalText]:
    """Yield each channel of ``capture`` whose lines are hexadecimal digits."""
    for channel in dict.fromkeys(packet.channel for packet in capture.packets):
        packets = [packet for packet in capture.packets if packet.channel == channel]
        found = _of_channel(packets)
        if found is not None:
            start, end, lines = found
            digits = {len(start) + 2 * len(line.data) + len(end) for line in lines}
            whole = digits == {len(packet.data) for packet in packets}
            yield HexadecimalText(replace(capture, packets=lines), start, end, whole)


def _of_channel(packets: Sequence[CapturedPacket]) -> tuple[bytes, bytes, tuple[CapturedPacket, ...]] | None:
    everything = b"".join(packet.data for packet in packets)
    for end in _ENDS:
        if end not in everything:
            continue
        lines = [line for line in _lines(packets, end) if line.data]
        if len(lines) < limits.FEWEST_HEXADECIMAL_LINES:
            continue
        # A damaged first line must not shorten the beginning that all others share.
        ordinary = [line.data for line in lines[1:]]
        head = _HEAD.match(_common_beginning(ordinary))
        start = head[0] if head else b""
        decoded = tuple(
            replace(line, data=bytes.fromhex(line.data[len(start) :].decode("ascii")))
            for line in lines
            if line.data.startswith(start) and _PAIRS.fullmatch(line.data[len(start) :])
        )
        if (
            len(start) <= limits.LONGEST_HEAD
            and len(decoded) >= (1 - limits.MOST_LOST) * len(lines)
            and _has_letters(ordinary)
        ):
            return start, end, decoded
        return None
    return None


def _lines(packets: Sequence[CapturedPacket], end: bytes) -> Iterator[CapturedPacket]:
    """Yield the lines, each at the time of the packet that completed it; an unfinished last line is left out."""
    if not end:
        yield from packets
        return
    rest = b""
    for packet in packets:
        *lines, rest = (rest + packet.data).split(end)
        for line in lines:
            yield replace(packet, data=line)


def _common_beginning(lines: Sequence[bytes]) -> bytes:
    """Return the longest beginning that all ``lines`` have."""
    low, high = min(lines), max(lines)
    size = next((at for at, pair in enumerate(zip(low, high, strict=False)) if pair[0] != pair[1]), len(low))
    return low[:size]


def _has_letters(lines: Sequence[bytes]) -> bool:
    """Return whether letters are among the digits: lines of decimal digits are numbers as they stand."""
    letters = Counter(chr(byte).upper() for line in lines for byte in line)
    return any(letter in letters for letter in "ABCDEF")
