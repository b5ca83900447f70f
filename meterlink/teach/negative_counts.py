"""Negative numbers of which it is unknown whether they are in two's complement or in one's complement.

The two differ by one count, and so may two packets beside a display whose last digit flickers. A person who read one of
them fits the other, too. Only a negative reading that fits none of the packets around it in one's complement, as one of
a display that stood still, decides.
"""

from collections.abc import Sequence
from dataclasses import replace

from meterlink.profiles.model import Bit, Code, FieldLocation, Meaning, NumberField, NumberType, Profile
from meterlink.teach.bit_evidence import number_at
from meterlink.teach.columns import bit_at
from meterlink.teach.decoding import frame_decoder, says, without_checks
from meterlink.teach.samples import Sample


def leave_out_uncertain_negatives(
    profile: Profile, channel: str, frames: Sequence[tuple[float, bytes]], samples: Sequence[Sample]
) -> tuple[Profile, tuple[Sample, ...]]:
    """Return ``profile`` without negative numbers if they may be in one's complement, and the samples that show them.

    ``frames`` are the frames of ``channel`` with their times (s), in order of time. In the profile returned, a frame
    with a negative number is invalid.
    """
    negative = tuple(sample for sample in samples if sample.negative and sample.counts)
    source = profile.value.source if profile.value is not None else None
    if not negative or not isinstance(source, NumberField) or source.type is not NumberType.INT:
        return profile, ()
    bits = _bits(source.location)
    decode = frame_decoder(without_checks(profile), channel)
    for sample in negative:
        # A number much finer than the display shows the same in both.
        if says(decode(_one_higher(sample.frame, bits)), sample.displayed):
            return profile, ()
        if not any(says(decode(_one_higher(frame, bits)), sample.displayed) for frame in _around(sample, frames)):
            return profile, ()
    only_positive = Code(FieldLocation(bits=bits[:1]), ((0, Meaning()),))
    return replace(profile, codes=(*profile.codes, only_positive)), negative


def _around(sample: Sample, frames: Sequence[tuple[float, bytes]]) -> list[bytes]:
    """Return the frames, each once, that the person may have looked at."""
    entry = sample.entry
    end = entry.end if entry.first_key is None else entry.first_key
    return list(dict.fromkeys(frame for t, frame in frames if entry.earliest_look <= t <= end))


def _bits(location: FieldLocation) -> tuple[Bit, ...]:
    """Return the bits of a location, highest first."""
    if location.bits:
        return location.bits
    order = range(location.size) if location.order == "big" else reversed(range(location.size))
    return tuple(bit_at(8 * (location.at + byte) + bit) for byte in order for bit in range(7, -1, -1))


def _one_higher(frame: bytes, bits: tuple[Bit, ...]) -> bytes:
    """Return the frame with a number that is one higher."""
    number = number_at(FieldLocation(bits=bits), frame)
    turned = number ^ number + 1 & (1 << len(bits)) - 1
    changed = bytearray(frame)
    for place, bit in enumerate(reversed(bits)):
        changed[bit.byte] ^= (turned >> place & 1) << bit.bit
    return bytes(changed)
