"""The yield of a profile: the share of the capture's own frames without an entry that it reads."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass

from meterlink.capture.capture_file import Capture, pair_packets
from meterlink.core.clock import Timestamp
from meterlink.core.readings import Status
from meterlink.driver_api import Driver
from meterlink.teach import limits


@dataclass(frozen=True, slots=True)
class Yield:
    """Of ``frames`` without an entry, the profile reads ``read``. ``suggested_readings`` would widen that."""

    frames: int
    read: int
    suggested_readings: tuple[str, ...] = ()

    @property
    def share_read(self) -> float:
        """The share read; 1 without frames, because then nothing speaks against the profile."""
        return self.read / self.frames if self.frames else 1.0


def find_yield(driver: Driver, channels: Sequence[str], capture: Capture, frames: Collection[bytes]) -> Yield:
    """Return the yield of a profile's fresh ``driver`` on the frames of ``channels`` that no entry of ``capture``
    describes.

    ``frames`` are the frames of the meter; other packets make invalid readings, which prove nothing.
    """
    total = read = 0
    since: float | None = None
    longest: tuple[int, float] = (0, 0.0)  # (refused frames in a row, the time of the first)
    row = 0
    for packet, label in pair_packets(capture):
        if packet.channel not in channels:
            continue
        moment = round(packet.seconds * 1e9)
        for reading in driver.feed(packet.channel, packet.data, Timestamp(moment, moment)):
            if label is not None or reading.packet not in frames:
                continue
            total += 1
            if reading.status is not Status.INVALID:
                read += 1
                row = 0
                continue
            since = packet.seconds if row == 0 or since is None else since
            row += 1
            longest = max(longest, (row, since), key=lambda one: one[0])
    wanted = []
    if longest[0] >= limits.FEWEST_ALIKE:
        wanted.append(
            f"an entry for what the display showed at {longest[1]:.1f} s ({total - read} of {total} packets without an "
            "entry are refused)"
        )
    return Yield(total, read, tuple(wanted))
