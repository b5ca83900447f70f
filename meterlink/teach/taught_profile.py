"""The profile of a meter, put together from the parts that were found: framing, number, meanings, connection."""

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

from meterlink.capture.capture_file import CapturedMeter, ConnectionRequests
from meterlink.profiles import Profile
from meterlink.profiles.model import (
    Checksum,
    ConnectionSetup,
    ConnectionWrite,
    DriverName,
    Match,
    NumberField,
    NumberType,
    Segments,
    TextFormat,
    ValueFormat,
)
from meterlink.profiles.uuids import canonical_uuid
from meterlink.teach.displays import add_constant_pool, lacks_constant_pool
from meterlink.teach.encodings import Encoding
from meterlink.teach.frame_meanings import FoundMeanings, FrameMeaning
from meterlink.teach.framings import FramingCandidate
from meterlink.teach.samples import Sample
from meterlink.teach.tails import find_tails

_ROOMY = frozenset({NumberType.FLOAT32, NumberType.FLOAT64, NumberType.FLOAT})


@dataclass(frozen=True, slots=True)
class ProfileHead:
    """The part of a profile that is known before the search: its name, and the meter recorded, if known."""

    name: str
    meter: CapturedMeter | None


def text_profile(head: ProfileHead, channel: str, text: TextFormat) -> Profile:
    """Return the profile of a meter that sends lines of text on ``channel``."""
    return Profile(head.name, DriverName.LINED, _connection(channel, head.meter), _match(head.meter), text=text)


def frame_profile(
    head: ProfileHead, cut: FramingCandidate, check: Checksum | None, encoding: Encoding,
    said: Sequence[FrameMeaning | None], found: FoundMeanings, samples: Sequence[Sample], common: int,
) -> Profile:  # fmt: skip
    """Return the profile of a meter that sends frames, of which the first ``common`` bytes are explained.

    ``cut`` and ``check`` are its framing and check bytes, ``encoding`` that of its number, ``said`` the meaning that
    the frame of each sample gives it, and ``found`` the place of these meanings.
    """
    units = {one.unit for one in said if one is not None}
    segmented = isinstance(encoding.source, Segments)
    source = encoding.source
    if not isinstance(source, Segments):
        ends = encoding.reserved_values.difference(found.overload_values)
        source = replace(source, overload=found.overload_values, invalid=tuple(sorted(ends)))
    elif lacks_constant_pool(source):
        source = add_constant_pool(source, found.constant_bits)
    unrounded = encoding.finer_than_display and any(one is not None and one.places is None for one in said)
    most_digits = None if unrounded else _most_digits(source, samples)
    size = max(len(frame) for _, frame in cut.frames)
    key = bytes(encoding.key.get(at, 0) for at in range(size)) if encoding.key else b""
    marks = tuple((at, byte ^ encoding.key.get(at, 0)) for at, byte in cut.framing.marks)
    checks = (*cut.framing.checksums, *(() if check is None else (check,)))
    checks = tuple(replace(one, raw=bool(key)) for one in checks)
    unit = units.pop() if len(units) == 1 else ""
    several = len({len(frame) for _, frame in cut.frames}) > 1
    tails = find_tails(samples, common, 0 if check is None else check.encoded_size) if several else ()
    return Profile(
        name=head.name,
        driver=DriverName.SEGMENTED if segmented else DriverName.FRAMED,
        connection=_connection(cut.channel, head.meter, cut.more_channels),
        match=_match(head.meter),
        framing=replace(cut.framing, checksums=checks, key=key, marks=marks, tails=tails),
        value=ValueFormat(source, unit=unit, most_digits=most_digits, rounding=encoding.rounding),
        codes=found.codes,
        annunciators=found.annunciators,
    )


def _most_digits(source: NumberField | Segments, samples: Sequence[Sample]) -> int | None:
    """Return the most digits of a number whose field has room for far more: one more than shown; None elsewhere."""
    if isinstance(source, Segments) or source.type not in _ROOMY:
        return None
    return max(len(sample.digit_text) for sample in samples) + 1


def _connection(channel: str, meter: CapturedMeter | None, more_channels: Sequence[str] = ()) -> ConnectionSetup:
    asked = meter.requests if meter is not None else ConnectionRequests()
    uuid = _canonical(channel.partition("@")[0])
    writes = tuple(ConnectionWrite(_canonical(one.key), one.data, one.period, one.response) for one in asked.writes)
    periods = [read.period for read in asked.reads if _canonical(read.key) == uuid]
    if periods:
        return ConnectionSetup(read=(uuid,), every=periods[0], writes=writes)
    more = tuple(_canonical(one.partition("@")[0]) for one in more_channels)
    return ConnectionSetup(notify=(uuid, *more), writes=writes)


def _canonical(uuid: str) -> str:
    return canonical_uuid(uuid) or uuid


def _match(meter: CapturedMeter | None) -> Match:
    if meter is None:
        return Match()
    # A name may contain characters that have a meaning in a pattern.
    return Match(name=re.sub(r"[*?\[\]]", "?", meter.name), services=meter.service_uuids)
