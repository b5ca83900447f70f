"""Frames to readings: the drivers ``framed`` and ``segmented``."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal

from meterlink.core.text import count_phrase
from meterlink.core.units import quantity_of
from meterlink.driver_api import Reading, Status, Timestamp
from meterlink.profiles.fields import RawValue, compile_number, last_byte
from meterlink.profiles.framing import CompiledFraming, Frame, FrameSplitter
from meterlink.profiles.interpretation import NEVER_NEGATIVE, InterpretationCache, fallback_unit_of
from meterlink.profiles.joining import PartJoiner, SteadyBits
from meterlink.profiles.model import Bit, Framing, Meaning, Profile, Segments, ValueFormat
from meterlink.profiles.no_number import compile_no_number
from meterlink.profiles.refusal import Refusal, RefusalReason
from meterlink.profiles.segments import compile_segments

# Bytes that show no display: a lost packet, or a frame that says something else.
_WITHOUT_READING = frozenset({RefusalReason.PART, RefusalReason.OTHER_KIND, RefusalReason.UNPAIRED})

ChannelDecoder = Callable[[bytes, Timestamp], tuple[Reading, ...]]
"""Takes a packet and its time; returns the readings that the packet completes."""

ChannelDecoderFactory = Callable[[str, list[Refusal]], ChannelDecoder]
"""Makes the `ChannelDecoder` of one channel, by its key; it adds its refusals to a list of the same connection."""

DecoderFactory = Callable[[Sequence[str], list[Refusal]], Mapping[str, ChannelDecoder]]
"""Makes the `ChannelDecoder` of each channel, by their keys; they add their refusals to the list."""


@dataclass(frozen=True, slots=True)
class _FrameReader:
    """The functions that make readings of frames, and the bits that they use, as numbers of the whole frame."""

    make_reading: Callable[[Frame, str, Timestamp, list[Refusal]], Reading]
    make_invalid_reading: Callable[[bytes, str, Timestamp], Reading]
    used_bits: int
    number_bits: int


def compile_frames(profile: Profile) -> DecoderFactory:
    """Return the decoder factory of a framed or segmented profile. Its decoders never raise."""
    framing = profile.framing or Framing()
    rules = CompiledFraming(framing)
    reader = _compile_reader(profile, rules)
    if framing.parts:
        return _opener_of_parts(framing, rules, reader)
    return each_channel(_channel_opener(rules, reader.make_reading, reader.make_invalid_reading))


def each_channel(open_channel: ChannelDecoderFactory) -> DecoderFactory:
    """Return a factory whose decoders know nothing of each other."""
    return lambda channels, refusals: {channel: open_channel(channel, refusals) for channel in channels}


def _compile_reader(profile: Profile, rules: CompiledFraming) -> _FrameReader:
    assert profile.value is not None  # noqa: S101 - of these drivers
    fallback_unit = fallback_unit_of(profile.value.unit, _profile_meanings(profile))
    fallback_quantity = quantity_of(fallback_unit)
    interpretations = InterpretationCache(profile, profile.value, fallback_unit)
    read_value, last_value_byte = _compile_value(profile.value)
    explain_no_number = compile_no_number(profile.value)
    needed = max(interpretations.last_byte, last_value_byte) + 1
    # Bound once: a packet must cost as little as possible.
    from_bytes, mask, cached, interpret = (
        int.from_bytes,
        interpretations.mask,
        interpretations.cached,
        interpretations.interpret,
    )
    ok, invalid = Status.OK, Status.INVALID
    has_tails = rules.has_tails

    def make_reading(frame: Frame, channel: str, timestamp: Timestamp, refusals: list[Refusal]) -> Reading:
        received, plain = frame
        if len(plain) < needed:
            refusals.append(Refusal(RefusalReason.SHORT, f"{len(plain)} of {count_phrase(needed, 'byte')}", received))
            return make_invalid_reading(received, channel, timestamp)
        if has_tails and (unknown := rules.unknown_tail(plain)) is not None:
            refusals.append(replace(unknown, data=received))
            return make_invalid_reading(received, channel, timestamp)
        key = from_bytes(plain, "little") & mask
        interpretation = cached.get(key) or interpret(plain, key)
        raw = read_value(plain)
        step = interpretation.resolution
        digits: Decimal | None
        resolution: Decimal | None
        if step is not None and type(raw) is int and (raw >= 0 or interpretation.quantity not in NEVER_NEGATIVE):
            digits, status, resolution = raw * step, ok, step
        else:
            digits, status, resolution = interpretation.convert(raw)
            if status is invalid:
                refusals.append(replace(interpretation.refusal or explain_no_number(plain), data=received))
        return Reading(
            interpretation.quantity,
            digits,
            interpretation.unit,
            timestamp,
            status,
            interpretation.coupling,
            resolution,
            interpretation.low_battery,
            channel,
            received,
            interpretation.display_hold,
            interpretation.relative,
        )

    def make_invalid_reading(received: bytes, channel: str, timestamp: Timestamp) -> Reading:
        return Reading(
            fallback_quantity, None, fallback_unit, timestamp, Status.INVALID, channel=channel, packet=received
        )

    number_bits = _number_bits(profile.value)
    return _FrameReader(make_reading, make_invalid_reading, mask | number_bits, number_bits)


def _channel_opener(
    rules: CompiledFraming,
    make_reading: Callable[[Frame, str, Timestamp, list[Refusal]], Reading],
    make_invalid_reading: Callable[[bytes, str, Timestamp], Reading],
) -> ChannelDecoderFactory:
    frame_from_packet, marks = rules.frame_from_packet, bool(rules.marks)

    def open_channel(channel: str, refusals: list[Refusal]) -> ChannelDecoder:
        splitter = FrameSplitter(rules)

        def feed(packet: bytes, timestamp: Timestamp) -> tuple[Reading, ...]:
            frame = frame_from_packet(packet)  # the usual case; `FrameSplitter.feed` takes more steps
            frames: Sequence[Frame]
            if frame is not None:
                splitter.clear()
                frames = (frame,)
            else:
                frames, refusal = splitter.reassemble(packet, timestamp.monotonic_ns)
                if refusal is not None:
                    refusals.append(refusal)
                    # One invalid reading a packet, however many of its frames failed; none where one only got lost.
                    if not frames and refusal.reason not in _WITHOUT_READING:
                        return (make_invalid_reading(packet, channel, timestamp),)
            if marks:
                frames = _frames_of_kind(frames, rules, refusals)
            return tuple([make_reading(found, channel, timestamp, refusals) for found in frames])

        return feed

    return open_channel


def _opener_of_parts(framing: Framing, rules: CompiledFraming, reader: _FrameReader) -> DecoderFactory:
    steady = _steady_bits(framing, reader)

    def open_channels(channels: Sequence[str], refusals: list[Refusal]) -> Mapping[str, ChannelDecoder]:
        joiner = PartJoiner(framing, steady)

        def open_channel(number: int, channel: str) -> ChannelDecoder:
            def feed(packet: bytes, timestamp: Timestamp) -> tuple[Reading, ...]:
                joined, refusal = joiner.add(number, packet, timestamp)
                if refusal is not None:
                    refusals.append(refusal)
                if joined is None:
                    return ()
                frame = rules.verify_frame(joined.data)
                if frame is not None:
                    return (reader.make_reading(frame, channel, joined.timestamp, refusals),)
                refusals.append(rules.refusal_of(joined.data))
                return (reader.make_invalid_reading(joined.data, channel, joined.timestamp),)

            return feed

        return {channel: open_channel(number, channel) for number, channel in enumerate(channels)}

    return open_channels


def _steady_bits(framing: Framing, reader: _FrameReader) -> SteadyBits:
    """Return the bits that stand on both sides of the number: all that are used in the part without it.

    Where both parts have bits of the number, those of both must be steady: a number that moves is then not read.
    """
    first_part = (1 << 8 * framing.parts[0].length) - 1
    in_first, in_second = bool(reader.number_bits & first_part), bool(reader.number_bits & ~first_part)
    return SteadyBits(
        first=reader.used_bits & first_part if in_second else 0,
        second=reader.used_bits & ~first_part if in_first else 0,
        waits=in_second,
    )


def _frames_of_kind(frames: Sequence[Frame], rules: CompiledFraming, refusals: list[Refusal]) -> list[Frame]:
    """Return the frames of the kind that is read."""
    kept = []
    for received, plain in frames:
        other = rules.other_kind(plain)
        if other is None:
            kept.append((received, plain))
        else:
            refusals.append(replace(other, data=received))
    return kept


def _profile_meanings(profile: Profile) -> list[Meaning]:
    return [meaning for code in profile.codes for _, meaning in code.meanings] + [
        meaning for _, meaning in profile.annunciators
    ]


def _number_bits(value: ValueFormat) -> int:
    """Return the bits of the number in a frame that is read as one little-endian number."""
    source = value.source
    if isinstance(source, Segments):
        bits = [bit for digit in (*source.digits, *source.pools) for bit in digit if isinstance(bit, Bit)]
    else:
        bits = list(source.location.bits)
        if not bits:
            return ((1 << 8 * source.location.size) - 1) << 8 * source.location.at
    return sum(1 << 8 * byte + bit for byte, bit in {(bit.byte, bit.bit) for bit in bits})


def _compile_value(value: ValueFormat) -> tuple[Callable[[bytes], RawValue], int]:
    """Return ``(read, last_byte)``: the function that reads the number from a frame, and the last offset it needs."""
    source = value.source
    if isinstance(source, Segments):
        bits = [bit for digit in (*source.digits, *source.pools) for bit in digit if isinstance(bit, Bit)]
        return compile_segments(source), max((bit.byte for bit in bits), default=-1)
    return compile_number(source), last_byte(source.location)
