"""The part of a capture that teaching looks at: bounded, so that an answer comes in seconds from any capture."""

from bisect import bisect_left, bisect_right

from meterlink.capture.capture_file import Capture
from meterlink.teach.limits import MOST_BYTES, MOST_PACKETS, NEAR_ENTRY_SECONDS


def take_excerpt(capture: Capture) -> Capture:
    """Return ``capture`` with `MOST_PACKETS` and `MOST_BYTES` at most; packets are left out in whole stretches.

    The packets of the entries' windows stay first, then those near an entry, then whole stretches of others.
    """
    packets = capture.packets
    if len(packets) <= MOST_PACKETS and sum(len(packet.data) for packet in packets) <= MOST_BYTES:
        return capture
    times = [packet.seconds for packet in packets]
    kept = bytearray(len(packets))
    room, packets_left = MOST_BYTES, MOST_PACKETS

    def keep(first: int, last: int) -> None:
        nonlocal room, packets_left
        for index in range(first, last):
            if kept[index]:
                continue
            if packets_left == 0 or len(packets[index].data) > room:
                return
            kept[index] = 1
            room -= len(packets[index].data)
            packets_left -= 1

    for margin in (0.0, NEAR_ENTRY_SECONDS):
        for entry in capture.entries:
            keep(bisect_left(times, entry.begin - margin), bisect_right(times, entry.end + margin))
    # Stretches at even distances show clocks and batteries at all times of the recording.
    stretch = max(1, MOST_PACKETS // _STRETCHES)
    for first in range(0, len(packets), max(stretch, len(packets) // _STRETCHES)):
        keep(first, min(len(packets), first + stretch))
    return Capture(
        tuple(packet for packet, wanted in zip(packets, kept, strict=True) if wanted), capture.entries, capture.meter
    )


_STRETCHES = 50  # parts of a long capture, of which each is seen
