"""Packets without a number that tell a state of the display, and the readings that are not read in an unknown one.

A meter may tell a display hold, a recording or a function in a packet of its own. The number's frames are then the same
as ever, so that only the last such packet shows whether they may be read.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from meterlink.driver_api import Reading, Status
from meterlink.profiles.model import PacketBeside
from meterlink.profiles.refusal import Refusal, RefusalReason

_Kind = tuple[int, int]
"""``(mask, content)`` of the marks of a kind of packets, as numbers of the whole packet."""


@dataclass(frozen=True, slots=True)
class _State:
    mask: int
    content: int


class DisplayState:
    """The state that the packets beside the frames tell, in one connection; known until a packet tells another one.

    ``beside`` are the packets of a profile, ``channels`` the keys of the characteristics in its ``notify``.
    """

    def __init__(self, beside: Sequence[PacketBeside], channels: Sequence[str]) -> None:
        self._states: dict[tuple[str, int], dict[_Kind, list[_State]]] = {}
        for one in beside:
            mask = int.from_bytes(one.mask, "little")
            state = _State(mask, int.from_bytes(one.content, "little") & mask)
            kinds = self._states.setdefault((channels[one.channel], one.length), {})
            kinds.setdefault(_word_pair(one.marks), []).append(state)
        # Another characteristic has no frames: its packets only tell a state.
        self._without_frames = {channel for channel, _ in self._states} - set(channels[:1])
        self._unknown: dict[tuple[str, int, _Kind], Refusal] = {}

    def has_frames(self, channel: str) -> bool:
        """Return whether the packets of a channel may be frames."""
        return channel not in self._without_frames

    def note(self, channel: str, packet: bytes) -> None:
        """Take a packet of the meter, which may tell a state."""
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
        """Return the readings, invalid in a state that is unknown; the reason is added to ``refusals``."""
        why = next(iter(self._unknown.values()), None)
        if why is None:
            return tuple(readings)
        refusals += [replace(why, data=one.packet) for one in readings if one.status is not Status.INVALID]
        return tuple(
            replace(one, digits=None, status=Status.INVALID, coupling=None, resolution=None) for one in readings
        )


def _word_pair(marks: Sequence[tuple[int, int]]) -> _Kind:
    return sum(0xFF << 8 * at for at, _ in marks), sum(byte << 8 * at for at, byte in marks)


def _refusal_of(packet: bytes, known: _State) -> Refusal:
    """Return the refusal that names the lowest bit of a packet that differs."""
    different = int.from_bytes(packet, "little") & known.mask ^ known.content
    at, bit = divmod((different & -different).bit_length() - 1, 8)
    return Refusal(RefusalReason.CODE, f"bit {at}.{bit} is {packet[at] >> bit & 1} in a packet beside the frames")
