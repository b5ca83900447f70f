"""Checksums found from frames alone."""

from random import Random
from typing import Literal

import pytest

from meterlink.profiles.checksums import compile_checksum
from meterlink.profiles.model import ChecksumKind
from meterlink.teach.checksums import (
    find_checksum,
    find_line_checksum,
    find_majority_checksum,
    find_trailing_checksum,
    valid_frames,
)
from support.invented_meters import crc


def bodies(rng, number=30, size=9):
    head = rng.randbytes(2)
    return [head + rng.randbytes(size - 2) for _ in range(number)]


def passes(checksum, frames):
    compiled = compile_checksum(checksum)
    return all(compiled(frame, frame) for frame in frames)


@pytest.mark.parametrize("seed", range(40))
def test_crc_of_any_generator_is_found_and_holds_on_frames_never_seen(seed):
    rng = Random(seed)
    width = rng.choice([8, 16, 32])
    polynomial, init, xor_out = rng.randrange(1, 1 << width, 2), rng.randrange(1 << width), rng.randrange(1 << width)
    reflected, skip = rng.random() < 0.5, rng.randrange(3)
    order: Literal["big", "little"] = rng.choice(["big", "little"])

    def sealed(body):
        return body + crc(body[skip:], width, polynomial, init, xor_out, reflected).to_bytes(width // 8, order)

    frames = [sealed(body) for body in bodies(rng)]
    checksum = find_checksum(frames)
    assert checksum is not None
    assert checksum.kind is ChecksumKind.CRC
    head = frames[0][:2]  # never changed, so the checksum may cover it or not
    unseen = [sealed(head + rng.randbytes(7)) for _ in range(200)]
    assert passes(checksum, unseen)
    broken = [bytes([*frame[:4], frame[4] ^ 1 << rng.randrange(8), *frame[5:]]) for frame in unseen]
    assert not any(passes(checksum, [frame]) for frame in broken)


@pytest.mark.parametrize("seed", range(30))
def test_sums_are_found(seed):
    rng = Random(seed)
    start, negate, wide = rng.randrange(256), rng.random() < 0.5, rng.random() < 0.4
    modulus = 1 << 16 if wide else 1 << 8

    def sealed(body):
        total = (-sum(body) if negate else sum(body) + start) % modulus
        return body + total.to_bytes(2 if wide else 1, "little")

    frames = [sealed(body) for body in bodies(rng)]
    checksum = find_checksum(frames)
    assert checksum is not None
    assert passes(checksum, [sealed(frames[0][:2] + rng.randbytes(7)) for _ in range(200)])


@pytest.mark.parametrize("seed", range(12))
def test_checksum_is_found_although_some_frames_are_damaged(seed):
    rng = Random(seed)
    frames = [body + crc(body, 16, 0x1021, 0xFFFF, 0, False).to_bytes(2, "big") for body in bodies(rng, 60)]
    damaged = rng.sample(range(60), 5)
    for index in damaged:
        frames[index] = frames[index][:5] + rng.randbytes(6)
    assert find_checksum(frames) is None
    checksum = find_majority_checksum(frames)
    assert checksum is not None
    assert valid_frames(checksum, frames) == [frame for index, frame in enumerate(frames) if index not in damaged]


@pytest.mark.parametrize("seed", range(12))
def test_checksums_in_hexadecimal_are_found(seed):
    rng = Random(seed)
    wide, form = seed % 3 == 2, "{:04X}" if seed % 3 == 2 else "{:02x}"

    def sealed(text):
        total = crc(text[1:], 16, 0x1021, 0xFFFF, 0, False) if wide else sum(text[1:]) + seed & 0xFF
        return text + form.format(total).encode() + b"]"

    def text():
        return b"[" + f"{rng.randint(-9999, 9999):+06d},{rng.randint(0, 9)}*".encode()

    checksum = find_checksum([sealed(text()) for _ in range(30)])
    assert checksum is not None
    assert (checksum.hex, checksum.size) == (True, 2 if wide else 1)
    unseen = [sealed(text()) for _ in range(200)]
    assert passes(checksum, unseen)
    broken = [frame[:3] + bytes([frame[3] ^ 1]) + frame[4:] for frame in unseen]
    assert not any(passes(checksum, [frame]) for frame in broken)


@pytest.mark.parametrize("seed", range(8))
def test_sum_under_a_key_applied_afterwards(seed):
    rng = Random(seed)
    key, negate, start = rng.randrange(1, 256), rng.random() < 0.5, rng.randrange(256)

    def sealed(body):
        total = (-(sum(body) + start) if negate else sum(body) + start) & 0xFF
        return bytes(byte ^ key for byte in body + bytes([total]))

    head = rng.randbytes(2)
    checksum = find_checksum([sealed(head + rng.randbytes(6)) for _ in range(14)])
    assert checksum is not None
    unseen = [sealed(head + rng.randbytes(6)) for _ in range(200)]
    assert passes(checksum, unseen)
    broken = [frame[:4] + bytes([frame[4] ^ 1 << rng.randrange(8)]) + frame[5:] for frame in unseen]
    assert not any(passes(checksum, [frame]) for frame in broken)


@pytest.mark.parametrize("kind", [ChecksumKind.SUM, ChecksumKind.XOR])
def test_checksums_at_the_end_of_lines_of_any_length(kind):
    rng = Random(4)

    def sealed(number):
        text = f"#V {number} mV*".encode()
        total = 0
        for byte in text[1:-1]:
            total = total + byte & 0xFF if kind is ChecksumKind.SUM else total ^ byte
        return text + f"{total:02X}".encode()

    checksum = find_line_checksum([sealed(rng.randint(0, 99999)) for _ in range(20)])
    assert checksum is not None
    assert passes(checksum, [sealed(number) for number in range(0, 100_000, 777)])
    assert not passes(checksum, [sealed(123).replace(b"123", b"124")])
    assert (
        find_line_checksum([f"#V {rng.randint(0, 99999)} {rng.randrange(256):02X}".encode() for _ in range(40)]) is None
    )


def test_no_majority_checksum_is_found_in_noise():
    rng = Random(3)
    assert find_majority_checksum(bodies(rng, 100)) is None


def test_no_checksum_is_found_in_noise_or_in_too_few_frames():
    rng = Random(1)
    assert find_checksum([rng.randbytes(10) for _ in range(60)]) is None
    sealed = [body + bytes([sum(body) & 0xFF]) for body in bodies(rng, number=3)]
    assert find_checksum(sealed) is None


def test_copy_of_a_byte_is_no_checksum():
    rng = Random(2)
    frames = [bytes([7, byte, 3, byte]) for byte in rng.sample(range(256), 60)]
    assert find_checksum(frames) is None


@pytest.mark.parametrize("seed", range(20))
def test_crc_at_the_end_of_frames_of_two_lengths(seed):
    rng = Random(seed)
    polynomial, init, xor_out = rng.randrange(1, 1 << 16, 2), rng.randrange(1 << 16), rng.randrange(1 << 16)

    def sealed(body):
        return body + crc(body, 16, polynomial, init, xor_out, seed % 2 == 0).to_bytes(2, "big")

    frames = [sealed(bytes([size, *rng.randbytes(size)])) for size in (6, 6, 6, 7) * 15]
    checksum = find_trailing_checksum(frames)
    assert checksum is not None
    assert passes(checksum, [sealed(bytes([size, *rng.randbytes(size)])) for size in (6, 7) * 100])
