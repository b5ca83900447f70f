"""Frames for the drivers: every value that is marked ok is the one that independent arithmetic reads in its bytes."""

import math
import struct
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from decimal import Decimal
from functools import partial
from pathlib import Path
from random import Random
from typing import NamedTuple

from meterlink.core.units import to_base
from meterlink.driver_api import Characteristic, Driver, Reading, Status, uuid16
from meterlink_drivers.presented import PRESENTED
from studies.fuzz.target import RefusedError, Target
from support.fuzz.mutants import mutate_bytes
from support.fuzz.profile_cases import CASES, CHANNEL, NAMES, NOW, Case, framed_frame, segmented_frame

_FORMAT = uuid16(0x2904)
# Codes of Bluetooth Assigned Numbers, format types: (bytes, bits, signed).
_INTEGERS = {
    0x01: (1, 1, False), 0x02: (1, 2, False), 0x03: (1, 4, False), 0x04: (1, 8, False), 0x05: (2, 12, False),
    0x06: (2, 16, False), 0x07: (3, 24, False), 0x08: (4, 32, False), 0x09: (6, 48, False), 0x0A: (8, 64, False),
    0x0B: (16, 128, False), 0x0C: (1, 8, True), 0x0D: (2, 12, True), 0x0E: (2, 16, True), 0x0F: (3, 24, True),
    0x10: (4, 32, True), 0x11: (6, 48, True), 0x12: (8, 64, True), 0x13: (16, 128, True),
}  # fmt: skip
_WITHOUT_EXPONENT = {0x01, 0x02, 0x03}
_FLOATS = {0x14: (4, "<f"), 0x15: (8, "<d")}
_MEDICAL = {0x16: (2, 12), 0x17: (4, 24)}
_SIZES = {**{code: size for code, (size, _, _) in _INTEGERS.items()}, 0x14: 4, 0x15: 8, 0x16: 2, 0x17: 4}
_UNITS = (0x2704, 0x2722, 0x2728, 0x2729, 0x272A, 0x272F, 0x27AC, 0x27AD)


class _Sent(NamedTuple):
    """A description of a characteristic, and the packets that come from it."""

    uuid: str
    descriptor: bytes
    packets: tuple[bytes, ...]


@contextmanager
def frame_targets(_folder: Path) -> Iterator[Sequence[Target]]:
    """Yield the drivers, each with frames whole, damaged and cut; two of them with damaged frames only."""
    mixed = [
        Target(f"frames: {name}", 8, partial(_packets, case), partial(_read_case, case), least_accepted=0.1)
        for name, case in zip(NAMES, CASES, strict=True)
    ]
    by_name = dict(zip(NAMES, CASES, strict=True))
    framed, segmented = by_name["framed"], by_name["segmented"]
    yield (
        *mixed,
        Target("presentation formats", 16, _presented, _read_presented, least_accepted=0.2),
        Target("characteristics of the SIG", 12, _sig, _read_sig, least_accepted=0.2),
        _damaged("16-bit CRC at random", 6, framed, _random_sum(framed_frame, 2), 2.0**-16),
        _damaged("16-bit CRC, one bit", 6, framed, _flip_one_bit(framed_frame), 0),
        _damaged("8-bit sum at random", 6, segmented, _random_sum(segmented_frame, 1), 2.0**-8),
        _damaged("8-bit sum, one bit", 6, segmented, _flip_one_bit(segmented_frame), 0),
    )


def _damaged(name: str, share: float, case: Case, draw: Callable[[Random], list[bytes]], chance: float) -> Target:
    """Return a target whose frames all have a wrong checksum: one that is read has the right one by chance."""
    return Target(name, share, draw, partial(_read_any, case), least_past=1, least_accepted=0, chance=chance)


# Frames of profiles


def _packets(case: Case, rng: Random) -> list[bytes]:
    packets = []
    for _ in range(rng.randint(1, 3)):
        frame = case.frame(rng)
        kind = rng.randrange(6)
        if kind == 0:
            frame = rng.randbytes(rng.randrange(40))
        elif kind == 1:
            frame = mutate_bytes(rng, frame)
        elif kind == 2:
            frame = mutate_bytes(rng, frame * rng.randrange(1, 9), most=2)
        place = rng.randrange(len(frame) + 1) if rng.randrange(4) == 0 else len(frame)
        packets += [frame[:place], frame[place:]]
    return packets


def _feed(driver: Driver, packets: Sequence[bytes]) -> list[Reading]:
    readings = [reading for packet in packets for reading in driver.feed(CHANNEL, packet, NOW)]
    assert all(reading.text for reading in readings)
    assert all(reading.digits is None for reading in readings if reading.status is not Status.OK)
    return readings


def _read_case(case: Case, packets: Sequence[bytes]) -> str:
    readings = _feed(case.open(), packets)
    for reading in readings:
        assert reading.status is not Status.OK or case.right(reading), reading
    return _outcome(readings)


def _read_any(case: Case, packets: Sequence[bytes]) -> str:
    return _outcome(_feed(case.open(), packets))


def _outcome(readings: Sequence[Reading]) -> str:
    """Return ``ok`` for a reading with a value; others are refusals.

    Raises:
        RefusedError: there is none.
    """
    states = {reading.status for reading in readings}
    if Status.OK in states:
        return "ok"
    raise RefusedError("nothing" if not states else " ".join(sorted(states)))


def _random_sum(make: Callable[[Random], bytes], size: int) -> Callable[[Random], list[bytes]]:
    """Draw good frames with a random checksum of ``size`` bytes: nothing but the checksum can refuse them."""
    return lambda rng: [make(rng)[:-size] + rng.randbytes(size)]


def _flip_one_bit(make: Callable[[Random], bytes]) -> Callable[[Random], list[bytes]]:
    def draw(rng: Random) -> list[bytes]:
        frame = bytearray(make(rng))
        frame[rng.randrange(len(frame))] ^= 1 << rng.randrange(8)
        return [bytes(frame)]

    return draw


# Meters that describe themselves


def _presented(rng: Random) -> _Sent:
    code = rng.choice(tuple(_SIZES)) if rng.randrange(20) else rng.randrange(256)
    exponent = rng.randint(-12, 6) if rng.randrange(8) else rng.randint(-128, 127)
    unit = rng.choice(_UNITS) if rng.randrange(20) else rng.randrange(65_536)
    descriptor = struct.pack("<BbHBH", code, exponent, unit, 1, 0)
    if rng.randrange(30) == 0:
        descriptor = mutate_bytes(rng, descriptor)
    return _Sent(CHANNEL, descriptor, tuple(_value(rng, _SIZES.get(code, 2)) for _ in range(3)))


def _value(rng: Random, size: int) -> bytes:
    kind = rng.randrange(6)
    if kind == 0:
        return rng.choice((b"\x00", b"\xff", b"\x80", b"\x7f")) * size
    if kind == 1:
        return rng.randbytes(rng.choice((0, 1, size - 1, size + 1, 40)))
    if kind == 2 and size in {4, 8}:
        return struct.pack("<f" if size == 4 else "<d", rng.choice((1e-6, 0.0, -0.0, math.inf, math.nan, 230.5, -1e30)))
    if kind == 3:
        return (rng.randrange(2_000)).to_bytes(size, "little") if size > 1 else rng.randbytes(1)
    return rng.randbytes(size)


def _open(sent: _Sent) -> Driver:
    return PRESENTED.open(
        [Characteristic(CHANNEL, sent.uuid, CHANNEL, frozenset({"notify"}), {_FORMAT: sent.descriptor})]
    )


def _read_presented(sent: _Sent) -> str:
    driver = _open(sent)
    readings = _feed(driver, sent.packets)
    code, exponent, _, _, _ = struct.unpack("<BbHBH", sent.descriptor)
    for reading in readings:
        if reading.status is Status.OK:
            assert reading.digits is not None
            value = to_base(reading.digits, reading.unit)
            expected = _number(code, exponent, reading.packet)
            if reading.unit == "°F":
                expected = (expected - 32) / Decimal("1.8")
            if code in _FLOATS:
                assert math.isclose(value, expected, rel_tol=1e-6), (reading, expected)
            else:
                assert abs(value - expected) <= abs(expected) * Decimal("1e-25"), (reading, expected)
    return _outcome(readings)


def _number(code: int, exponent: int, packet: bytes) -> Decimal:
    """Return the number in a packet, in the unit of the descriptor; it has the format's length."""
    assert len(packet) == _SIZES[code]
    word = int.from_bytes(packet, "little")
    if code in _INTEGERS:
        _, bits, signed = _INTEGERS[code]
        word %= 1 << bits
        word -= 1 << bits if signed and word >> (bits - 1) else 0
        return word * _power(0 if code in _WITHOUT_EXPONENT else exponent)
    if code in _FLOATS:
        return Decimal(struct.unpack(_FLOATS[code][1], packet)[0])
    size, bits = _MEDICAL[code]
    mantissa, power = word % (1 << bits), word >> bits
    assert mantissa not in {(1 << bits - 1) + offset for offset in range(-2, 3)} or power, "a special value"
    mantissa -= 1 << bits if mantissa >> (bits - 1) else 0
    most = 1 << (8 * size - bits)
    return mantissa * _power(power - (most if power >= most // 2 else 0))


def _power(exponent: int) -> Decimal:
    return Decimal((0, (1,), exponent))


# Characteristics of the Bluetooth SIG: GATT Specification Supplement


def _sig(rng: Random) -> _Sent:
    uuid, size = rng.choice(((0x2B18, 2), (0x2AEE, 2), (0x2A6E, 2), (0x2A1C, 5), (0x2BE8, 2)))
    packets = []
    for _ in range(3):
        packet = _value(rng, size)
        if uuid == 0x2A1C and packet and rng.randrange(3):
            flags = rng.randrange(8)
            packet = bytes([flags]) + rng.randbytes(4 + (7 if flags & 2 else 0) + (1 if flags & 4 else 0))
        packets.append(packet)
    return _Sent(uuid16(uuid), b"", tuple(packets))


def _read_sig(sent: _Sent) -> str:
    readings = _feed(_open(sent), sent.packets)
    for reading in readings:
        if reading.status is Status.OK:
            assert reading.digits is not None
            _check_sig(sent.uuid, reading, reading.digits)
    return _outcome(readings)


def _check_sig(uuid: str, reading: Reading, digits: Decimal) -> None:
    packet = reading.packet
    if uuid == uuid16(0x2A1C):
        flags, word = packet[0], int.from_bytes(packet[1:5], "little")
        mantissa = word % 2**24 - (2**24 if word % 2**24 >= 2**23 else 0)
        power = (word >> 24) - (256 if word >> 24 >= 128 else 0)
        assert digits == mantissa * _power(power)
        assert reading.unit == ("°F" if flags & 1 else "°C")
        return
    assert len(packet) == 2
    raw = int.from_bytes(packet, "little")
    if uuid == uuid16(0x2B18):
        assert raw < 0xFF80
        assert abs(digits - Decimal(raw) / 64) <= Decimal("0.005")
    elif uuid == uuid16(0x2AEE):
        assert raw != 0xFFFF
        assert digits * 100 == raw
    elif uuid == uuid16(0x2BE8):
        assert raw < 0xFFFE
        assert digits == raw
    else:
        signed = raw - (65_536 if raw >= 32_768 else 0)
        assert signed >= -27_315
        assert digits * 100 == signed
