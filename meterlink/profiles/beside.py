"""Frames that are like any other, but do not show the present measurement as the profile knows it.

A meter may tell a display hold, a recording or a function in a packet of its own. The number's frames are then the same
as ever, so that only the last such packet shows whether they may be read. Or it sends its last frame again and again,
with the same count.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from meterlink.driver_api import Reading, Status
from meterlink.profiles.framing import OLDEST, CompiledFraming
from meterlink.profiles.model import Framing
from meterlink.profiles.refusal import Refusal, RefusalReason

_Kind = tuple[int, int]
"""``(mask, content)`` of the marks of a kind of packets, as numbers of the whole packet."""


@dataclass(frozen=True, slots=True)
class _State:
    mask: int
    content: int


class DisplayState:
    """Whether the frames of one connection may be read: until a packet tells a state, it is a known one.

    ``framing`` is that of a profile, ``channels`` the keys of its characteristics.
    """

    def __init__(self, framing: Framing, channels: Sequence[str]) -> None:
        self._counted = framing.counted
        self._last_frame = b""
        self._since = 0  # the time at which the last frame came first, ns
        self._states: dict[tuple[str, int], dict[_Kind, list[_State]]] = {}
        for one in framing.beside:
            mask = int.from_bytes(one.mask, "little")
            state = _State(mask, int.from_bytes(one.content, "little") & mask)
            kinds = self._states.setdefault((channels[one.channel], one.length), {})
            kinds.setdefault(_word_pair(one.marks), []).append(state)
        # Another characteristic has no frames: its packets only tell a state.
        with_frames = {channels[part.channel] for part in framing.parts} or set(channels[:1])
        self._without_frames = {channel for channel, _ in self._states} - with_frames
        self._decode_digits = CompiledFraming(framing).decode_digits if framing.hex else None
        self._unknown: dict[tuple[str, int, _Kind], Refusal] = {}

    def has_frames(self, channel: str) -> bool:
        """Return whether the packets of a channel may be frames."""
        return channel not in self._without_frames

    def note(self, channel: str, packet: bytes) -> None:
        """Take a packet of the meter, which may tell a state."""
        if self._decode_digits is not None:
            packet = self._decode_digits(packet) or b""
        kinds = self._states.get((channel, len(packet)))
        if kinds is None:
            return
        word = int.from_bytes(packet, "little")
        for kind, known in kinds.items():
            if word & kind[0] != kind[1]:
                continue
            place = (channel, len(packet), kind)
            if any(word & one.mask == one.content for one in known):
                self._unknown.pop(place, None)
            else:
                self._unknown[place] = _refusal_of(packet, known[0])

    def allow(self, readings: Sequence[Reading], refusals: list[Refusal]) -> tuple[Reading, ...]:
        """Return the readings, invalid if they may not be read; the reasons are added to ``refusals``."""
        return tuple([self._allowed(one, refusals) for one in readings])

    def _allowed(self, reading: Reading, refusals: list[Refusal]) -> Reading:
        why = next(iter(self._unknown.values()), None)
        if self._counted:
            now = reading.timestamp.monotonic_ns
            if reading.packet != self._last_frame:
                self._last_frame, self._since = reading.packet, now
            elif now - self._since > OLDEST:
                why = why or Refusal(RefusalReason.REPEATED)
        if why is None or reading.status is Status.INVALID:
            return reading
        refusals.append(replace(why, data=reading.packet))
        return without_value(reading)


def without_value(reading: Reading) -> Reading:
    """Return the reading as an invalid one."""
    return replace(reading, digits=None, status=Status.INVALID, coupling=None, resolution=None)


def _word_pair(marks: Sequence[tuple[int, int]]) -> _Kind:
    return sum(0xFF << 8 * at for at, _ in marks), sum(byte << 8 * at for at, byte in marks)


def _refusal_of(packet: bytes, known: _State) -> Refusal:
    """Return the refusal that names the lowest bit of a packet that differs."""
    different = int.from_bytes(packet, "little") & known.mask ^ known.content
    at, bit = divmod((different & -different).bit_length() - 1, 8)
    return Refusal(RefusalReason.CODE, f"bit {at}.{bit} is {packet[at] >> bit & 1} in a packet beside the frames")
