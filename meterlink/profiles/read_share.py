"""The share of a meter's packets that its profile reads, and the refusals of the others by their reasons."""

from collections import Counter, deque
from dataclasses import replace

from meterlink.profiles.refusal import Refusal, RefusalReason

LEAST_SHARE = 90
"""The least share (%) of a meter's packets that a good profile reads.

A damaged packet never comes through: Bluetooth drops it by its own CRC of 24 bits (Core specification, vol. 6 part B,
3.1.1). So a refused packet is one that the profile does not know, except where a packet was lost, and while a dial is
turned. Half a turn of a dial lasts a second of ten at one test point (common practice, no source). With less than this
the readings of a state come and go, and a value may not settle.
"""

# At the beginning of a connection these say nothing of the profile: the bytes before them never came.
_OF_A_BEGINNING = frozenset({RefusalReason.PART, RefusalReason.UNPAIRED})

_LONGEST_WAIT = 512  # bytes of a channel that may still be completed: twice the longest frame


class ReadShare:
    """Counts the packets that a profile reads, and those that it refuses by their reasons.

    A packet that completes no frame counts as refused, unless the frame that a later one completes contains it, or it
    is a part before the first frame: a connection may begin anywhere. Frames of another kind, which the profile knows
    and leaves out, are neither read nor refused; ``others`` counts them by their kind. A ``channel`` is a
    characteristic, or several whose packets together are frames.
    """

    def __init__(self) -> None:
        self.read = 0
        self.refusals: Counter[Refusal] = Counter()
        self.others: Counter[Refusal] = Counter()
        self._waiting: dict[str, deque[tuple[bytes, Refusal]]] = {}
        self._begun: set[str] = set()  # channels with a frame

    def add_reading(self, channel: str, packet: bytes, frame: bytes, refusal: Refusal | None) -> None:
        """Count a reading of a ``packet``, made from ``frame``; ``refusal`` is None where it has a value.

        A display without a value was read, too.
        """
        self._complete(channel, packet, frame)
        if refusal is None or refusal.reason is RefusalReason.BLANK:
            self.read += 1
        else:
            self._refuse(refusal)

    def _complete(self, channel: str, packet: bytes, frame: bytes) -> None:
        """Refuse the waiting packets that are no part of the ``frame`` that ``packet`` completes."""
        waiting = self._waiting.pop(channel, ())
        missing = b"".join(data for data, _ in waiting)
        begin = (missing + packet).find(frame)
        end = 0
        for data, earlier in waiting:
            end += len(data)
            is_beginning = channel not in self._begun and earlier.reason in _OF_A_BEGINNING
            if (begin < 0 or end <= begin) and not is_beginning:
                self._refuse(earlier)
        self._begun.add(channel)
        if 0 <= begin <= len(missing) - len(frame):  # the packet is not in the frame: it begins the next one
            self.add_unread(channel, packet, Refusal(RefusalReason.PART))

    def add_unread(self, channel: str, packet: bytes, refusal: Refusal) -> None:
        """Count a packet that completes nothing, or a frame of another kind."""
        if refusal.reason is RefusalReason.OTHER_KIND:
            self._complete(channel, packet, refusal.data)
            self.others[replace(refusal, data=b"")] += 1
            return
        waiting = self._waiting.setdefault(channel, deque())
        if refusal.reason is RefusalReason.UNPAIRED and self._blame(waiting, refusal):
            refusal = Refusal(RefusalReason.PART)
        waiting.append((packet, refusal))
        while sum(len(data) for data, _ in waiting) > _LONGEST_WAIT:
            self._refuse(waiting.popleft()[1])

    @staticmethod
    def _blame(waiting: deque[tuple[bytes, Refusal]], refusal: Refusal) -> bool:
        """Give the newest waiting packets the refusal if their bytes are those refused; return whether they are."""
        number, size = 0, 0
        while number < len(waiting) and size < len(refusal.data):
            number += 1
            size += len(waiting[-number][0])
        halves = [data for data, _ in list(waiting)[len(waiting) - number :]]
        if not halves or b"".join(halves) != refusal.data:
            return False
        for place in range(len(waiting) - number, len(waiting)):
            waiting[place] = (waiting[place][0], refusal)
        return True

    def finish(self) -> None:
        """Count the packets that no later one has completed."""
        for waiting in self._waiting.values():
            for _, refusal in waiting:
                self._refuse(refusal)
        self._waiting.clear()

    @property
    def total(self) -> int:
        """All that was counted, without the frames of another kind."""
        return self.read + self.refusals.total()

    @property
    def is_low(self) -> bool:
        """Whether less than `LEAST_SHARE` was read, or nothing."""
        return not self.read or self.read * 100 < LEAST_SHARE * self.total

    @property
    def percent(self) -> int:
        """The share that was read, rounded down to whole percent; 0 of nothing."""
        return self.read * 100 // self.total if self.total else 0

    def _refuse(self, refusal: Refusal) -> None:
        self.refusals[replace(refusal, data=b"")] += 1
