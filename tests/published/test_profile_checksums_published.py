"""Check bytes of frames against published check values.

The parameters and the check values (over the nine characters 123456789) are those of the public catalogue of CRC
algorithms by G. Cook, from memory; the model is R. Williams's, "A painless guide to CRC error detection algorithms"
(1993). The standard library confirms the values of the algorithms that it has.
"""

import binascii
import zlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.profiles.checksums import compile_checksum_algorithm
from meterlink.profiles.model import Checksum, ChecksumKind

TEXT = b"123456789"


def crc(width: int, polynomial: int, init: int, xor_out: int, reflect_in: bool, reflect_out: bool) -> Checksum:
    return Checksum(
        ChecksumKind.CRC,
        size=(width + 7) // 8,
        width=width,
        polynomial=polynomial,
        init=init,
        xor_out=xor_out,
        reflect_in=reflect_in,
        reflect_out=reflect_out,
    )


@pytest.mark.parametrize(
    ("checksum", "value"),
    [
        (crc(3, 0x3, 0x0, 0x7, False, False), 0x4),  # CRC-3/GSM
        (crc(4, 0x3, 0x0, 0x0, True, True), 0x7),  # CRC-4/G-704
        (crc(5, 0x05, 0x1F, 0x1F, True, True), 0x19),  # CRC-5/USB
        (crc(7, 0x09, 0x00, 0x00, False, False), 0x75),  # CRC-7/MMC
        (crc(8, 0x07, 0x00, 0x00, False, False), 0xF4),  # CRC-8/SMBUS
        (crc(8, 0x31, 0x00, 0x00, True, True), 0xA1),  # CRC-8/MAXIM-DOW
        (crc(8, 0x2F, 0xFF, 0xFF, False, False), 0xDF),  # CRC-8/AUTOSAR
        (crc(12, 0x80F, 0x000, 0x000, False, True), 0xDAF),  # CRC-12/UMTS: reflected at its end only
        (crc(16, 0x8005, 0x0000, 0x0000, True, True), 0xBB3D),  # CRC-16/ARC
        (crc(16, 0x8005, 0xFFFF, 0x0000, True, True), 0x4B37),  # CRC-16/MODBUS
        (crc(16, 0x1021, 0xFFFF, 0x0000, False, False), 0x29B1),  # CRC-16/IBM-3740
        (crc(16, 0x1021, 0x0000, 0x0000, False, False), 0x31C3),  # CRC-16/XMODEM
        (crc(16, 0x1021, 0x0000, 0x0000, True, True), 0x2189),  # CRC-16/KERMIT
        (crc(16, 0x1021, 0xFFFF, 0xFFFF, True, True), 0x906E),  # CRC-16/IBM-SDLC
        (crc(24, 0x864CFB, 0xB704CE, 0x000000, False, False), 0x21CF02),  # CRC-24/OPENPGP
        (crc(32, 0x04C11DB7, 0xFFFFFFFF, 0xFFFFFFFF, True, True), 0xCBF43926),  # CRC-32/ISO-HDLC
        (crc(32, 0x04C11DB7, 0xFFFFFFFF, 0xFFFFFFFF, False, False), 0xFC891918),  # CRC-32/BZIP2
        (crc(32, 0x1EDC6F41, 0xFFFFFFFF, 0xFFFFFFFF, True, True), 0xE3069283),  # CRC-32/ISCSI
    ],
)
def test_catalogued_check_values(checksum: Checksum, value: int) -> None:
    assert compile_checksum_algorithm(checksum)(TEXT) == value


@given(st.binary(max_size=64))
def test_agrees_with_the_standard_library(data: bytes) -> None:
    assert compile_checksum_algorithm(crc(32, 0x04C11DB7, 0xFFFFFFFF, 0xFFFFFFFF, True, True))(data) == zlib.crc32(data)
    assert compile_checksum_algorithm(crc(16, 0x1021, 0x0000, 0x0000, False, False))(data) == binascii.crc_hqx(data, 0)


def test_sums_that_make_all_bytes_add_up_to_zero() -> None:
    # Intel hexadecimal object file format (1988), the example record: its last byte is the two's complement of the sum.
    record = bytes.fromhex("10010000214601360121470136007EFE09D2190140")
    assert compile_checksum_algorithm(Checksum(ChecksumKind.SUM, negate=True))(record[:-1]) == record[-1]
    assert sum(record) & 0xFF == 0
