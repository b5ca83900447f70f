"""Negative numbers of which it is unknown whether they count from zero or from minus one.

One's complement differs from two's complement by one count; so do the negative integers of CBOR (RFC 8949, 3.1) from a
magnitude. And so may two packets beside a display whose last digit flickers: a person who read one of them fits the
other, too. The one that was read stood longer on the display, or more often, while it was read. So the negative entries
decide if the numbers they fit were there longer than those one higher, by as much as one display that stood still.
"""

from collections.abc import Sequence
from dataclasses import replace

from meterlink.profiles.model import Bit, Code, FieldLocation, Flag, Meaning, NumberField, NumberType, Profile
from meterlink.teach import limits
from meterlink.teach.bit_evidence import number_at
from meterlink.teach.columns import bit_at
from meterlink.teach.decoding import frame_decoder, says, without_checks
from meterlink.teach.samples import Sample


def leave_out_uncertain_negatives(
    profile: Profile, channel: str, frames: Sequence[tuple[float, bytes]], samples: Sequence[Sample]
) -> tuple[Profile, tuple[Sample, ...]]:
    """Return ``profile`` without negative numbers if they may be one higher, and the samples that show them.

    ``frames`` are the frames of ``channel`` with their times (s), in order of time. In the profile returned, a frame
    with a negative number is invalid.
    """
    negative = tuple(sample for sample in samples if sample.negative and sample.counts)
    source = profile.value.source if profile.value is not None else None
    if not negative or not isinstance(source, NumberField) or source.type not in (NumberType.INT, NumberType.UINT):
        return profile, ()
    bits = _bits(source.location)
    decode = frame_decoder(without_checks(profile), channel)
    decided = 0.0
    for sample in negative:
        # A number much finer than the display shows the same in both.
        if says(decode(_one_higher(sample.frame, bits)), sample.displayed):
            return profile, ()
        read = _read_frames(sample, frames)
        ours = sum(says(decode(frame), sample.displayed) for frame in read)
        higher = sum(says(decode(_one_higher(frame, bits)), sample.displayed) for frame in read)
        decided += (ours - higher) / len(read)
    if decided >= 1:
        return profile, ()
    if source.type is NumberType.INT:
        only_positive = Code(FieldLocation(bits=bits[:1]), ((0, Meaning()),))
        return replace(profile, codes=(*profile.codes, only_positive)), negative
    codes = tuple(
        replace(code, meanings=tuple((number, _unread(meaning)) for number, meaning in code.meanings))
        for code in profile.codes
    )
    annunciators = tuple((bit, _unread(meaning)) for bit, meaning in profile.annunciators)
    return replace(profile, codes=codes, annunciators=annunciators), negative


def _unread(meaning: Meaning) -> Meaning:
    """Return a meaning that refuses the minus."""
    return replace(meaning, flag=Flag.INVALID) if meaning.flag is Flag.NEGATIVE else meaning


def _read_frames(sample: Sample, frames: Sequence[tuple[float, bytes]]) -> list[bytes]:
    """Return the frames of the time in which the person read the display; the sample's own where there is none."""
    key = sample.entry.first_key
    if key is None:
        return [sample.frame]
    least, most = limits.READ_BEFORE_KEY
    return [frame for t, frame in frames if key - most <= t <= key - least] or [sample.frame]


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
