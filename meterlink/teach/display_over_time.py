"""The display of a recording over time, as its frames show it."""

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from meterlink.capture.capture_file import CapturedPacket
from meterlink.driver_api import Reading, Status
from meterlink.profiles import Profile
from meterlink.profiles.model import LONGEST_REST
from meterlink.teach import limits
from meterlink.teach.decoding import frame_decoder
from meterlink.teach.samples import Sample


@dataclass(frozen=True, slots=True)
class DisplayOverTime:
    """The frames and their times (seconds), and the function that decodes them.

    ``plain`` are the times of the entries without a flag such as HOLD; empty if no entry has one.
    """

    times: Sequence[float]
    frames: Sequence[bytes]
    decode: Callable[[bytes], Reading | None]
    plain: Sequence[float]

    @classmethod
    def of(
        cls, profile: Profile, channel: str, frames: Sequence[CapturedPacket], samples: Sequence[Sample]
    ) -> "DisplayOverTime":
        """Return the display that a profile reads from ``frames``; ``samples`` are those with an entry."""
        times, data = [frame.seconds for frame in frames], [frame.data for frame in frames]
        plain = [sample.entry.end for sample in samples if not sample.displayed.flags]
        return cls(times, data, frame_decoder(profile, channel), plain if len(plain) < len(samples) else ())

    def known(self, packets: Sequence[CapturedPacket]) -> list[CapturedPacket]:
        """Return the packets that told the state under the entries without a flag; all if no entry has one."""
        if not self.plain:
            return list(packets)
        times = [packet.seconds for packet in packets]
        places = {bisect_right(times, seconds) - 1 for seconds in self.plain} - {-1}
        return [packets[place] for place in sorted(places)]

    def has_among(self, packets: Sequence[CapturedPacket]) -> bool:
        """Return whether packets come among the frames: before and behind most of them is a frame.

        Packets of another function come instead of frames; they say nothing of those that come later.
        """
        among = 0
        for packet in packets:
            place = bisect_left(self.times, packet.seconds)
            before_and_behind = self.times[max(0, place - 1) : place + 1]
            among += bool(before_and_behind[1:]) and before_and_behind[1] - before_and_behind[0] <= LONGEST_REST
        return len(packets) >= limits.FEWEST_PACKETS_BESIDE and among >= limits.LEAST_MAJORITY * len(packets)

    def changes_at(self, seconds: float) -> bool:
        """Return whether the frames around a time show two units or places."""
        place = bisect_left(self.times, seconds)
        readings = [self.decode(frame) for frame in self.frames[max(0, place - 2) : place + 2]]
        known = [one for one in readings if one is not None and one.status is not Status.INVALID]
        return len({(one.unit_text, one.resolution) for one in known}) > 1
