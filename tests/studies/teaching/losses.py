"""Taught meters whose packets get lost: every value that a profile then reads must be one that the meter showed.

A meter is a form of its frames or lines and a way in which they come in packets. It is taught from a link that loses
nothing. Then each of its displays differs from the one before, and the link loses the first packet of a frame or its
last one, packets at random or a row of them, begins in the middle, or joins packets. Such a loss must cost readings,
and never make one: neither from parts of two frames nor from a part of one, and none long after its display.

The encoders here share no code with teaching or decoding.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal
from random import Random

from meterlink.capture.capture_file import Capture, CapturedPacket, DisplayEntry, make_display_entry
from meterlink.core.clock import Timestamp
from meterlink.core.readings import Status
from meterlink.profiles import Profile, open_profile_driver
from meterlink.teach import TeachReport, teach

CHANNEL = "3d1f0002-8a54-4c0b-b1d6-60c2f7e9a3b4"
REFRESH = 0.2  # s from display to display, as most meters have it (common practice)
PIECES_APART = (0.004, 0.03)  # s between the packets of one frame: one to a few connection events (from memory)
_ENTRIES = 36
_REFRESHES_PER_ENTRY = 5
_LATEST = 1.0  # s from a display to its reading

Encode = Callable[[Decimal, int], bytes]
"""Takes a display in microfarads and its number; returns the frame."""
Split = Callable[[bytes, Random], list[bytes]]
"""The packets of a frame."""


@dataclass(frozen=True)
class LossyMeter:
    """A meter: its display unit, the frame of a display, and how frames come in packets."""

    name: str
    unit: str
    encode: Encode
    split: Split
    stream: int = 0  # bytes of a packet where frames run on over packets; 0: a packet begins with a frame
    decimals: tuple[int, ...] = (1, 2, 3)


@dataclass(frozen=True)
class LossTally:
    """Readings of a lossy link: ``right``, ``wrong`` ones in words, and displays without a reading."""

    displays: int
    right: int
    wrong: tuple[str, ...]


# Frames and lines.


def _counts(value: Decimal) -> int:
    return int(value.scaleb(_places(value)))


def _places(value: Decimal) -> int:
    return len(f"{value:f}".partition(".")[2])


def _plain(value: Decimal, number: int) -> bytes:
    return bytes([0xA5, 0x3C, number & 0xFF, _places(value)]) + _counts(value).to_bytes(2, "little") + b"\x00\x07"


def _summed(value: Decimal, number: int) -> bytes:
    body = _plain(value, number)
    return body + bytes([sum(body) & 0xFF])


def _long(value: Decimal, number: int) -> bytes:
    # The number lies in two places of the frame, far apart: parts of two frames make a value of neither.
    high, low = divmod(_counts(value), 256)
    return bytes([0x5A, 0xC3, _places(value), high, 0, number & 0xFF, 0x11, 0x22, low, 0x33, 0x44, 0x55])


def _with_length(value: Decimal, number: int) -> bytes:
    filler = b"\x31\x32\x33"[: number % 3]
    body = bytes([0x7E, 9 + len(filler), _places(value)]) + _counts(value).to_bytes(2, "big") + filler + b"\x00\x40\x00"
    body = body[:1] + bytes([len(body) + 1]) + body[2:]
    return body + bytes([sum(body) & 0xFF])


def _scientific(value: Decimal, number: int) -> bytes:
    del number
    return f"{'-' if value < 0 else '+'}{abs(value):f}E-6 F\r\n".encode()


def _prefixed(value: Decimal, number: int) -> bytes:
    del number
    return f"{value:f} uF\n".encode()


def _padded(value: Decimal, number: int) -> bytes:
    del number
    return f"{abs(value):08.3f} uF\r\n".encode()


def _headed(value: Decimal, number: int) -> bytes:
    return f"CAPA {number % 10} {value:f} uF OK\n".encode()


def _json(value: Decimal, number: int) -> bytes:
    return f'{{"fn": "CAP", "v": {value:f}, "u": "uF", "n": {number}}}\n'.encode()


# Packets.


def whole(frame: bytes, rng: Random) -> list[bytes]:
    del rng
    return [frame]


def chunks(size: int) -> Split:
    return lambda frame, _: [frame[at : at + size] for at in range(0, len(frame), size)]


def anywhere(frame: bytes, rng: Random) -> list[bytes]:
    at = rng.randint(1, len(frame) - 1)
    return [frame[:at], frame[at:]]


def sometimes(frame: bytes, rng: Random) -> list[bytes]:
    return anywhere(frame, rng) if rng.random() < 0.5 else [frame]


METERS = [
    LossyMeter(f"{name}, {way}", "µF", encode, split, stream)
    for name, encode in [
        ("scientific", _scientific),
        ("prefixed", _prefixed),
        ("padded", _padded),
        ("headed", _headed),
        ("json", _json),
        ("plain", _plain),
        ("summed", _summed),
        ("long", _long),
        ("length", _with_length),
    ]
    for way, split, stream in [
        ("whole", whole, 0),
        ("chunks of 5", chunks(5), 0),
        ("chunks of 20", chunks(20), 0),
        ("split anywhere", anywhere, 0),
        ("split sometimes", sometimes, 0),
        ("stream", whole, 7),
    ]
]


# Links.

Sent = tuple[float, bytes, int]
"""Time, bytes and number of the frame of a packet."""


def send(meter: LossyMeter, displays: Sequence[Decimal], rng: Random, begin: float = 0.0) -> list[Sent]:
    """Return the packets of displays, one refresh after another."""
    sent: list[Sent] = []
    if meter.stream:
        data = b"".join(meter.encode(value, number) for number, value in enumerate(displays))
        ends, total = [], 0
        for number, value in enumerate(displays):
            total += len(meter.encode(value, number))
            ends.append(total)
        frame = 0
        for at in range(0, len(data), meter.stream):
            while ends[frame] <= at:
                frame += 1
            moment = begin + (frame + (at - (ends[frame - 1] if frame else 0)) / 64) * REFRESH
            sent.append((round(moment + rng.uniform(0, 0.004), 4), data[at : at + meter.stream], frame))
        return sorted(sent, key=lambda one: one[0])
    for number, value in enumerate(displays):
        moment = begin + number * REFRESH + rng.uniform(0, 0.03)
        pieces = meter.split(meter.encode(value, number), rng)
        for piece in pieces:
            sent.append((round(moment, 4), piece, number))
            moment += min(rng.uniform(*PIECES_APART), REFRESH / 2 / len(pieces))
    return sent


def draw_displays(meter: LossyMeter, rng: Random, number: int) -> list[Decimal]:
    """Return displays in turn: of four digits mostly, small ones now and then, the point anywhere."""
    return [
        Decimal(rng.randint(1000, 9999) if rng.random() < 0.8 else rng.randint(1, 9999)).scaleb(
            -rng.choice(meter.decimals)
        )
        for _ in range(number)
    ]


def teach_meter(meter: LossyMeter, seed: int) -> TeachReport:
    """Return the report of teaching from a link without losses."""
    return teach(record_meter(meter, seed))


def record_meter(meter: LossyMeter, seed: int) -> Capture:
    """Return the packets and entries of a link without losses."""
    rng = Random(f"{meter.name}/{seed}")
    values = draw_displays(meter, rng, _ENTRIES)
    displays = [value for value in values for _ in range(_REFRESHES_PER_ENTRY)]
    packets = [CapturedPacket(moment, CHANNEL, data) for moment, data, _ in send(meter, displays, rng)]
    entries: list[DisplayEntry] = []
    for number, value in enumerate(values):
        moment = ((number + 1) * _REFRESHES_PER_ENTRY - 0.05) * REFRESH
        entries.append(make_display_entry(round(moment, 3), f"{value:f} {meter.unit}"))
    return Capture(tuple(packets), tuple(entries))


def lose(sent: Sequence[Sent], rng: Random) -> Iterator[Sent]:
    """Yield the packets that arrive."""
    firsts = {number: place for place, (_, _, number) in reversed(list(enumerate(sent)))}
    lasts = {number: place for place, (_, _, number) in enumerate(sent)}
    skip = rng.randint(0, 3)
    for place, (moment, data, number) in enumerate(sent):
        if skip:
            skip -= 1
            continue
        match rng.randrange(12):
            case 0 if place == firsts[number]:
                continue
            case 1 if place == lasts[number]:
                continue
            case 2:
                continue
            case 3:
                skip = rng.randint(1, 4)
                continue
            case 4 if place + 1 < len(sent):
                following = sent[place + 1]
                yield following[0], data + following[1], following[2]
                skip = 1
                continue
        yield moment, data, number


def decode_lossy(meter: LossyMeter, profile: Profile, seed: int, refreshes: int, connection: int = 200) -> LossTally:
    """Return the tally of a session over a link that loses packets; it connects anew every ``connection`` displays."""
    rng = Random(f"{meter.name}/losses/{seed}")
    right, displays, wrong = 0, 0, []
    while displays < refreshes:
        values = draw_displays(meter, rng, min(connection, refreshes - displays))
        driver = open_profile_driver(profile, [CHANNEL])
        for moment, data, number in lose(send(meter, values, rng), rng):
            at = round(moment * 1e9)
            for reading in driver.feed(CHANNEL, data, Timestamp(at, at)):
                if reading.status is not Status.OK:
                    continue
                recent = values[max(0, number - round(_LATEST / REFRESH)) : number + 1]
                if _is_shown(reading.digits, reading.unit, meter.unit, recent):
                    right += 1
                else:
                    wrong.append(f"{meter.name}: {reading.text} of {reading.packet!r} after {recent[-2:]}")
        displays += len(values)
    return LossTally(displays, right, tuple(wrong))


def _is_shown(digits: Decimal | None, unit: str, shown_unit: str, recent: Sequence[Decimal]) -> bool:
    exponents = {"F": 0, "mF": -3, "µF": -6, "nF": -9, "pF": -12}
    if digits is None or unit not in exponents:
        return False
    return digits.scaleb(exponents[unit] - exponents[shown_unit]) in recent
