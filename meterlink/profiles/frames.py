"""Frames to readings: the drivers ``framed`` and ``segmented``."""

from collections.abc import Callable
from decimal import Decimal

from meterlink.core.units import quantity_of
from meterlink.driver_api import Reading, Status, Timestamp
from meterlink.profiles.fields import RawValue, compile_number, last_byte
from meterlink.profiles.framing import CompiledFraming, Frame, FrameSplitter
from meterlink.profiles.interpretation import InterpretationCache, fallback_unit_of
from meterlink.profiles.model import Bit, Framing, Meaning, Profile, Segments, ValueFormat
from meterlink.profiles.segments import compile_segments

ChannelDecoder = Callable[[bytes, Timestamp], tuple[Reading, ...]]
"""The readings that a packet completes."""

ChannelDecoderFactory = Callable[[str], ChannelDecoder]
"""A fresh `Feed` for the channel of that key: what is held from packet to packet belongs to one connection."""


def compile_frames(profile: Profile) -> ChannelDecoderFactory:
    """Return what opens channels of a framed or segmented profile. What they return never raises, whatever comes."""
    assert profile.value is not None  # noqa: S101 - of these drivers
    rules = CompiledFraming(profile.framing or Framing())
    rest = fallback_unit_of(profile.value.unit, _profile_meanings(profile))
    rest_quantity = quantity_of(rest)
    meanings = InterpretationCache(profile, profile.value, rest)
    take, last = _compile_value(profile.value)
    needed = max(meanings.last_byte, last) + 1
    # Looked up here once: this is done for every packet.
    from_bytes, mask, remembered, learn = int.from_bytes, meanings.mask, meanings.cached, meanings.interpret
    alone, ok = rules.frame_from_packet, Status.OK

    def reading(frame: Frame, channel: str, stamp: Timestamp) -> Reading:
        came, plain = frame
        if len(plain) < needed:
            return invalid(came, channel, stamp)
        key = from_bytes(plain, "little") & mask
        outcome = remembered.get(key) or learn(plain, key)
        raw = take(plain)
        step = outcome.resolution
        digits: Decimal | None
        resolution: Decimal | None
        if step is not None and type(raw) is int:
            digits, status, resolution = raw * step, ok, step
        else:
            digits, status, resolution = outcome.convert(raw)
        return Reading(
            outcome.quantity,
            digits,
            outcome.unit,
            stamp,
            status,
            outcome.coupling,
            resolution,
            outcome.low_battery,
            channel,
            came,
            outcome.display_hold,
            outcome.relative,
        )

    def invalid(came: bytes, channel: str, stamp: Timestamp) -> Reading:
        return Reading(rest_quantity, None, rest, stamp, Status.INVALID, channel=channel, packet=came)

    def open_channel(channel: str) -> ChannelDecoder:
        cutter = FrameSplitter(rules)

        def feed(packet: bytes, stamp: Timestamp) -> tuple[Reading, ...]:
            frame = alone(packet)  # as most are; `Cutter.feed` would do the same, in more steps
            if frame is not None:
                cutter.clear()
                return (reading(frame, channel, stamp),)
            frames, bad = cutter.reassemble(packet)
            readings = tuple([reading(frame, channel, stamp) for frame in frames])
            # One reading says that something failed its check, however often what came looked like a frame.
            return readings or ((invalid(packet, channel, stamp),) if bad else ())

        return feed

    return open_channel


def _profile_meanings(profile: Profile) -> list[Meaning]:
    return [meaning for code in profile.codes for _, meaning in code.meanings] + [
        one for _, one in profile.annunciators
    ]


def _compile_value(value: ValueFormat) -> tuple[Callable[[bytes], RawValue], int]:
    """Return what takes the number out of a frame, and the last byte it looks at."""
    source = value.source
    if isinstance(source, Segments):
        bits = [bit for digit in (*source.digits, *source.pools) for bit in digit if isinstance(bit, Bit)]
        return compile_segments(source), max((bit.byte for bit in bits), default=-1)
    return compile_number(source), last_byte(source.location)
