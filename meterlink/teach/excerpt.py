"""The part of a capture that teaching looks at: bounded, so that an answer comes in seconds from any capture."""

from bisect import bisect_left, bisect_right

from meterlink.capture.capture_file import Capture
from meterlink.teach import limits


def take_excerpt(capture: Capture) -> Capture:
    """Return ``capture`` with at most `limits.MOST_PACKETS` packets and `limits.MOST_BYTES` bytes.

    The packets of the entries' windows stay first, then those near an entry, then whole stretches of others.
    """
    packets = capture.packets
    if len(packets) <= limits.MOST_PACKETS and sum(len(packet.data) for packet in packets) <= limits.MOST_BYTES:
        return capture
    times = [packet.seconds for packet in packets]
    kept = bytearray(len(packets))
    room, packets_left = limits.MOST_BYTES, limits.MOST_PACKETS

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

    for margin in (0.0, limits.NEAR_ENTRY_SECONDS):
        for entry in capture.entries:
            keep(bisect_left(times, entry.begin - margin), bisect_right(times, entry.end + margin))
    # Stretches at even distances show clocks and batteries at all times of the recording.
    stretch = max(1, limits.MOST_PACKETS // limits.STRETCHES)
    for first in range(0, len(packets), max(stretch, len(packets) // limits.STRETCHES)):
        keep(first, min(len(packets), first + stretch))
    return Capture(
        tuple(packet for packet, wanted in zip(packets, kept, strict=True) if wanted), capture.entries, capture.meter
    )
