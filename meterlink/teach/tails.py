"""The ends of frames of several lengths, behind the part that all frames have.

Explanations use the common part only. The bits behind it may be a display hold, a low battery or another state. As
elsewhere, a bit that never changed must stay as it is; one that changed from entry to entry may be anything. So a frame
of a length that no entry showed is not read.
Where all entries of one length are overloads, the bits of the whole frame must be as in them.
"""

from collections.abc import Sequence

from meterlink.profiles.model import FrameTail
from meterlink.teach.samples import Sample


def find_tails(samples: Sequence[Sample], common: int, check_size: int) -> tuple[FrameTail, ...]:
    """Return the tail of each length of the entries' frames, behind their first ``common`` bytes.

    ``check_size`` is the number of check bytes at the end.
    """
    by_length: dict[int, list[Sample]] = {}
    for sample in samples:
        by_length.setdefault(len(sample.frame), []).append(sample)
    return tuple(_tail(length, by_length[length], common, length - check_size) for length in sorted(by_length))


def _tail(length: int, samples: Sequence[Sample], begin: int, end: int) -> FrameTail:
    if not any(sample.is_number for sample in samples):
        begin = 0  # a number of this length may have the bits of an overload somewhere
    if begin >= end:
        return FrameTail(length, length - 1, bytes(1), bytes(1))
    # A flag such as HOLD, which some entries have, is not idle because its bit changed.
    plain = [sample for sample in samples if not sample.displayed.flags] or samples
    words = [int.from_bytes(sample.frame[begin:end], "little") for sample in plain]
    still = (1 << 8 * (end - begin)) - 1
    for word in words:
        still &= ~(word ^ words[0])
    return FrameTail(length, begin, plain[0].frame[begin:end], still.to_bytes(end - begin, "little"))
