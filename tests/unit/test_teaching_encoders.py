"""The invented encodings, compared with bytes worked out by hand. Their decoding is tested elsewhere."""

import itertools
import random
from decimal import Decimal

import pytest

from meterlink.core.readings import Coupling
from meterlink.core.units import Quantity
from meterlink_simulators.display import DisplayState
from meterlink_simulators.encoders import ConnectionObserver
from meterlink_simulators.encoders.catalogue import ENCODER_FAMILIES, create_encoder
from meterlink_simulators.encoders.checksums import Crc, sum8, xor8
from meterlink_simulators.encoders.coded_digits import CodedDigitsEncoder
from meterlink_simulators.encoders.counted import CountedEncoder
from meterlink_simulators.encoders.dropped_digit import DroppedDigitEncoder
from meterlink_simulators.encoders.fine_units import FineUnitsEncoder
from meterlink_simulators.encoders.floating import FloatingEncoder
from meterlink_simulators.encoders.lines import LinesEncoder, PrefixedLinesEncoder
from meterlink_simulators.encoders.notifications import split_notifications
from meterlink_simulators.encoders.packed import PackedEncoder
from meterlink_simulators.encoders.presented import PresentedEncoder
from meterlink_simulators.encoders.printed import PrintedEncoder
from meterlink_simulators.encoders.ranged import KEEP_ALIVE_REFRESHES, RangedEncoder
from meterlink_simulators.encoders.segments import MaskedEncoder, SegmentsEncoder
from meterlink_simulators.encoders.split_packets import SplitPacketsEncoder

CAPACITANCE = (Quantity.CAPACITANCE, None)
RESISTANCE = (Quantity.RESISTANCE, None)
AC_VOLTS = (Quantity.VOLTAGE, Coupling.AC)
DC_VOLTS = (Quantity.VOLTAGE, Coupling.DC)


def shown(text, unit, mode=CAPACITANCE, **more):
    return DisplayState(mode[0], None if text is None else Decimal(text), unit, coupling=mode[1], **more)


def sent(encoder, display):
    """Return the packet of one refresh."""
    ((_, packet),) = encoder.encode(display)
    return packet


# Check bytes


# The check values of the nine digits in the published catalogue of parametrised CRC algorithms (G. Cook):
# CRC-8/SMBUS, CRC-8/MAXIM-DOW, CRC-16/IBM-3740, CRC-16/ARC, CRC-16/XMODEM. From memory.
@pytest.mark.parametrize(
    ("crc", "value"),
    [
        (Crc(8, 0x07), 0xF4),
        (Crc(8, 0x31, reflected=True), 0xA1),
        (Crc(8, 0x07, xorout=0x55), 0xA1),  # CRC-8/I-432-1
        (Crc(16, 0x1021, 0xFFFF), 0x29B1),
        (Crc(16, 0x8005, reflected=True), 0xBB3D),
        (Crc(16, 0x1021), 0x31C3),
    ],
)
def test_crc_check_values(crc, value):
    assert crc.checksum(b"123456789") == value


def test_sum_and_exclusive_or():
    assert sum8(bytes([0xF0, 0x20, 0x01])) == 0x11
    assert sum8(bytes([0xF0, 0x20, 0x01]), 0xF0) == 0x01
    assert xor8(bytes([0xF0, 0x21, 0x01])) == 0xD0
    assert xor8(bytes([0xF0, 0x21, 0x01]), 0xFF) == 0x2F


def test_split_notifications():
    assert list(split_notifications(bytes(range(45)))) == [bytes(range(20)), bytes(range(20, 40)), bytes(range(40, 45))]
    assert list(split_notifications(bytes(20))) == [bytes(20)]


# Frames


def counted():
    encoder = CountedEncoder()
    encoder.start = 0x5C
    encoder.modes = {CAPACITANCE: 0x11, DC_VOLTS: 0x22}
    encoder.prefixes = {"": 0x3, "µ": 0x9, "m": 0x5}
    encoder.minus_bit, encoder.overload_bit, encoder.battery_bit = 7, 2, 0
    encoder.filler = 0xE1
    encoder.offset = 0x10
    return encoder


@pytest.mark.parametrize(
    ("display", "frame"),
    [
        # 470 = 0x01D6. 5C+11+D6+01+29+00+64+E1+10 = 2C2.
        (shown("4.70", "µF"), "5C 11 D6 01 29 00 64 E1 C2"),
        # 1234 = 0x04D2, minus in bit 7. 5C+22+D2+04+25+80+64+E1+10 = 34E.
        (shown("-12.34", "mV", DC_VOLTS), "5C 22 D2 04 25 80 64 E1 4E"),
        # Overload in bit 2, low battery in bit 0 at 7 %. 5C+11+FF+FF+09+05+07+E1+10 = 371.
        (shown(None, "µF", overload=True, low_battery=True, battery_percent=7), "5C 11 FF FF 09 05 07 E1 71"),
        # 5C+11+FE+FF+09+00+64+E1+10 = 3C8.
        (shown(None, "µF", blank=True), "5C 11 FE FF 09 00 64 E1 C8"),
    ],
)
def test_counted(display, frame):
    assert sent(counted(), display) == bytes.fromhex(frame)


def coded_digits():
    encoder = CodedDigitsEncoder()
    encoder.start = 0x5C
    encoder.modes = {CAPACITANCE: 0x11, DC_VOLTS: 0x22}
    encoder.prefixes = {"": 0x3, "µ": 0x9, "m": 0x5}
    encoder.characters = dict(zip("0123456789 -OL", range(0x80, 0x8E), strict=True))
    return encoder


@pytest.mark.parametrize(
    ("display", "frame"),
    [
        # Three blanks (8A), then 4, 7, 0. 5C+11+29+3*8A+84+87+80 = 3BF.
        (shown("4.70", "µF"), "5C 11 29 8A 8A 8A 84 87 80 BF"),
        # A blank, minus (8B), 1, 2, 3, 4. 5C+22+25+8A+8B+81+82+83+84 = 3C2.
        (shown("-12.34", "mV", DC_VOLTS), "5C 22 25 8A 8B 81 82 83 84 C2"),
        # O is 8C, L is 8D. 5C+11+09+4*8A+8C+8D = 3B7.
        (shown(None, "µF", overload=True), "5C 11 09 8A 8A 8A 8A 8C 8D B7"),
        # 5C+11+09+6*8B = 3B8.
        (shown(None, "µF", blank=True), "5C 11 09 8B 8B 8B 8B 8B 8B B8"),
    ],
)
def test_coded_digits(display, frame):
    assert sent(coded_digits(), display) == bytes.fromhex(frame)


def test_fine_units():
    encoder = FineUnitsEncoder()
    encoder.start, encoder.modes, encoder.prefixes = 0x5C, {DC_VOLTS: 0x22}, {"": 0x3, "m": 0x5}
    encoder.overload_bit, encoder.blank_bit, encoder.battery_bit, encoder.count = 7, 6, 0, 0xFF
    encoder.crc = Crc(16, 0x1021)
    frame = sent(encoder, shown("-12.34", "mV", DC_VOLTS))
    assert frame[:4] == bytes.fromhex("5C 22 25 00")
    # One count of -12.34 mV is 10 µV, a thousand times 10⁻⁸ V; the display rounds up to 0.4 counts away.
    number = int.from_bytes(frame[4:9], "big", signed=True)
    assert -1_234_400 <= number <= -1_233_600
    assert frame[9] == 0xFF
    assert int.from_bytes(frame[10:], "big") == Crc(16, 0x1021).checksum(frame[:10])
    assert sent(encoder, shown(None, "V", DC_VOLTS, overload=True))[2:10] == bytes.fromhex("03 80 00 00 00 00 00 00")
    # 10 kV is 10¹² counts, more than 39 bits and a sign hold.
    assert encoder.encode(shown("10000", "V", DC_VOLTS)) == []


def test_dropped_digit():
    encoder = DroppedDigitEncoder()
    encoder.modes, encoder.prefixes = {CAPACITANCE: 0x11, DC_VOLTS: 0x22}, {"µ": 0x9, "m": 0x5}
    encoder.minus_bit, encoder.battery_bit, encoder.count, encoder.filler = 7, 0, 0xFE, 0xE1
    frame = sent(encoder, shown("-12.34", "mV", DC_VOLTS))
    assert int.from_bytes(frame[2:5], "little") // 10 == 1234
    assert frame[:2] + frame[5:8] == bytes.fromhex("22 25 80 FE E1")
    assert xor8(frame) == 0
    # 11+09+FF+FF+FF+01+FF+E1, exclusive-or: 18 ^ FF ^ 01 ^ FF ^ E1 = F8.
    low = shown(None, "µF", overload=True, low_battery=True)
    assert sent(encoder, low) == bytes.fromhex("11 09 FF FF FF 01 FF E1 F8")


def split_packets(*, two, range_first):
    encoder = SplitPacketsEncoder()
    encoder.has_two_characteristics, encoder.sends_range_first = two, range_first
    encoder.number_mark, encoder.range_mark = 0x4E, 0x52
    encoder.modes = {CAPACITANCE: 0x11, DC_VOLTS: 0x22}
    encoder.prefixes = {"µ": 0x9, "m": 0x5}
    encoder.overload_bit, encoder.blank_bit, encoder.battery_bit = 7, 6, 0
    return encoder


def test_split_packets_on_one_characteristic():
    encoder = split_packets(two=False, range_first=False)
    encoder.byte_order, encoder.count, encoder.offset, encoder.filler = "big", 0xFF, 0x10, b"\xe1"
    # -1234 = 0xFFFB2E. 4E+FF+FB+2E+E1+FF+10 = 466; 52+22+25+00+64+FF+10 = 20C.
    assert encoder.encode(shown("-12.34", "mV", DC_VOLTS)) == [
        ("numbers", bytes.fromhex("4E FF FB 2E E1 FF 66")),
        ("numbers", bytes.fromhex("52 22 25 00 64 FF 0C")),
    ]
    # Overload in bit 7, low battery in bit 0 at 7 %. 4E+E1+10 = 13F; 52+11+09+81+07+10 = 104.
    assert encoder.encode(shown(None, "µF", overload=True, low_battery=True, battery_percent=7)) == [
        ("numbers", bytes.fromhex("4E 00 00 00 E1 00 3F")),
        ("numbers", bytes.fromhex("52 11 09 81 07 00 04")),
    ]


def test_split_packets_on_two_characteristics():
    encoder = split_packets(two=True, range_first=True)
    encoder.byte_order, encoder.count, encoder.offset, encoder.filler = "little", None, None, b""
    # 470 = 0x0001D6.
    assert encoder.encode(shown("4.70", "µF")) == [
        ("ranges", bytes.fromhex("52 11 29 00 64")),
        ("numbers", bytes.fromhex("4E D6 01 00")),
    ]
    assert encoder.encode(shown(None, "µF", blank=True)) == [
        ("ranges", bytes.fromhex("52 11 09 40 64")),
        ("numbers", bytes.fromhex("4E 00 00 00")),
    ]


def test_split_packets_have_every_form():
    meters = map(SplitPacketsEncoder, range(100))
    forms = {
        (meter.has_two_characteristics, meter.sends_range_first, meter.count is None, meter.offset is None)
        for meter in meters
    }
    assert forms == set(itertools.product((False, True), repeat=4))


def packed():
    encoder = PackedEncoder()
    encoder.modes = {CAPACITANCE: 0x31, DC_VOLTS: 0x42}
    encoder.ranges = {-8: 0xA, -2: 0x6}
    encoder.filler = 0x99
    encoder.crc = Crc(8, 0x07)
    encoder.count = 0xFE
    return encoder


def test_packed():
    encoder = packed()
    # One count of 4.70 µF is 10⁻⁸ F: range code A. One of -12.34 V is 10⁻² V: 6, and minus is bit 1.
    frames = [
        sent(encoder, shown("4.70", "µF")),
        sent(encoder, shown("-12.34", "V", DC_VOLTS)),
        sent(encoder, shown(None, "µF", overload=True, low_battery=True)),
        sent(encoder, shown(None, "µF", blank=True)),
    ]
    assert [frame[:7].hex(" ").upper() for frame in frames] == [
        "FE A0 00 04 70 31 99",
        "FF 62 00 12 34 42 99",
        "00 09 00 00 00 31 99",
        "01 04 00 00 00 31 99",
    ]
    # CRC-8 with polynomial 07 from 0 over FE A0 00 04 70 31 99, by long division.
    assert [frame[7] for frame in frames] == [_remainder(frame[:7]) for frame in frames]


def _remainder(data):
    """Return the remainder of ``data`` times x⁸ divided by x⁸ + x² + x + 1, as polynomials over two elements."""
    dividend = int.from_bytes(data, "big") << 8
    while dividend.bit_length() > 8:
        dividend ^= 0b100000111 << (dividend.bit_length() - 9)
    return dividend


def test_floating():
    encoder = FloatingEncoder()
    encoder.units = {RESISTANCE: 0x15, DC_VOLTS: 0x2A}
    encoder.battery_bit, encoder.constant_bits, encoder.checksum_start = 3, 0x41, 0x0F
    encoder.count = 0xFF
    # IEEE 754: -0.15625 is 1 01111100 0100…, that is BE200000; 4700 Ω is 4592E000; infinity 7F800000, NaN 7FC00000.
    assert sent(encoder, shown("-0.15625", "V", DC_VOLTS)).hex(" ") == "2a 41 be 20 00 00 ff 05"
    assert sent(encoder, shown("4.70", "kΩ", RESISTANCE)).hex(" ") == "15 41 45 92 e0 00 00 6c"
    assert sent(encoder, shown(None, "kΩ", RESISTANCE, overload=True)).hex(" ") == "15 41 7f 80 00 00 01 a5"
    assert sent(encoder, shown(None, "kΩ", RESISTANCE, blank=True, low_battery=True)).hex(" ") == (
        "15 49 7f c0 00 00 02 ee"
    )


def printed():
    encoder = PrintedEncoder()
    encoder.opening, encoder.closing = "[", "]"
    encoder.serial = "QX"
    encoder.modes = {CAPACITANCE: "GH", DC_VOLTS: "RS"}
    encoder.prefixes = {"": "T", "µ": "W", "m": "Y"}
    encoder.join_interval = 3
    return encoder


def test_printed_frame():
    encoder = printed()
    # Characters 1 to 21: GHQX=   4.70,Wg,b0000. 47+48+51+58+3D = 175, three blanks 60, "4.70" C9, "," 2C, "Wg" BE,
    # "," 2C, "b0000" 122: in all 4D6.
    assert encoder.frame(shown("4.70", "µF")) == b"[GHQX=   4.70,Wg,b0000,D6]"
    encoder.count = 17
    # RSQX-: 52+53+51+58+2D = 17B, two blanks 40, "12.34" F8, "," 2C, "Yr" CB, "," 2C, "b0017" 12A: 500.
    assert encoder.frame(shown("-12.34", "mV", DC_VOLTS)) == b"[RSQX-  12.34,Yr,b0017,00]"
    assert encoder.frame(shown(None, "µF", overload=True, low_battery=True))[:18] == b"[GHQX=    ^^^,Wg,B"
    assert encoder.frame(shown(None, "µF", blank=True))[:18] == b"[GHQX=    ...,Wg,b"


def test_printed_frames_come_split_and_every_third_joined_with_the_next():
    encoder = printed()
    display = shown("4.70", "µF")
    refreshes = [[packet for _, packet in encoder.encode(display)] for _ in range(4)]
    assert [[len(packet) for packet in packets] for packets in refreshes] == [[20, 6], [20, 6], [], [20, 20, 12]]
    stream = b"".join(packet for packets in refreshes for packet in packets)
    assert [stream[start + 18 : start + 22] for start in range(0, 104, 26)] == [b"0000", b"0001", b"0002", b"0003"]


def in_order(encoder_class):
    """Return an encoder whose bits are in the order of their names, none inverted, unused bits dark."""
    encoder = encoder_class()
    encoder.bit_positions = {name: position for position, name in enumerate(encoder.bit_positions)}
    encoder.inverted = set()
    encoder.constant_bits = {}
    encoder.glyph_segments = encoder.glyph_segments | {"6": "acdefg", "7": "abc", "9": "abcdfg"}
    encoder.overload_position, encoder.overload_point = 1, True
    encoder.head = bytes([0xD3, 0x2C])[: len(encoder.head)]
    return encoder


# Seven bits a digit from the left, a the least: 1 is 06, 2 is 5B, 3 is 4F, 4 is 66, 7 is 07, 0 is 3F, L is 38, - is 40.
# The other names follow, one bit each.
@pytest.mark.parametrize(
    ("display", "digits", "others"),
    [
        (shown("-12.34", "mV", DC_VOLTS), [6, 0x5B, 0x4F, 0x66], ["point 2", "minus", "DC", "prefix m", "unit V"]),
        (shown("4.70", "µF"), [0, 0x66, 7, 0x3F], ["point 2", "prefix µ", "unit F"]),
        (shown("0.005", "µF"), [0x3F, 0x3F, 0x3F, 0x6D], ["point 1", "prefix µ", "unit F"]),
        (shown(None, "kΩ", RESISTANCE, overload=True), [0, 0x3F, 0x38, 0], ["point 2", "prefix k", "unit Ω"]),
        (shown(None, "V", AC_VOLTS, blank=True), [0x40] * 4, ["AC", "unit V"]),
        (shown("23.4", "°C", (Quantity.TEMPERATURE, None), low_battery=True), [0, 0x5B, 0x4F, 0x66],
         ["point 3", "unit °C", "low battery"]),
    ],
)  # fmt: skip
def test_segments_in_order(display, digits, others):
    encoder = in_order(SegmentsEncoder)
    frame = sent(encoder, display)
    assert frame[0] == 0xD3
    bits = int.from_bytes(frame[1:], "little")
    assert [bits >> 7 * digit & 0x7F for digit in range(4)] == digits
    assert [name for position, name in enumerate(encoder.bit_positions) if position >= 28 and bits >> position & 1] == [
        *others,
        "link",
    ]


def test_segments_scrambled_inverted_and_constant():
    encoder = in_order(SegmentsEncoder)
    encoder.bit_positions |= {"0a": 55, "link": 0}  # swapped with `link`
    encoder.inverted = {"link", "point 1"}
    encoder.constant_bits = {47: True}
    frame = sent(encoder, shown("8000", "Ω", RESISTANCE))
    bits = int.from_bytes(frame[1:], "little")
    # 8 without segment a, which is bit 55; 0 three times. Point 1 is bit 28, dark but inverted. Unit Ω is bit 42: 28 +
    # 3 points, minus, AC, DC, 6 prefixes, V, A. Bit 47 is always lit. Link is lit but inverted.
    assert bits == 0x7E | 0x3F << 7 | 0x3F << 14 | 0x3F << 21 | 1 << 28 | 1 << 42 | 1 << 47 | 1 << 55


def test_the_link_annunciator_blinks_by_three_refreshes():
    encoder = in_order(SegmentsEncoder)
    frames = [int.from_bytes(sent(encoder, shown("4.70", "µF"))[1:], "little") for _ in range(8)]
    assert [frame >> encoder.bit_positions["link"] & 1 for frame in frames] == [1, 1, 1, 0, 0, 0, 1, 1]


def test_a_number_too_long_for_the_display_is_refused():
    with pytest.raises(ValueError, match="4 digits"):
        SegmentsEncoder().encode(shown("123.45", "V", DC_VOLTS))


def test_masked_is_under_a_repeating_key():
    encoder = in_order(MaskedEncoder)
    encoder.key = bytes([0x11, 0x22, 0x44])
    plain = in_order(SegmentsEncoder)
    frame = sent(encoder, shown("4.70", "µF"))
    clear = bytes([0xD3, 0x2C]) + sent(plain, shown("4.70", "µF"))[1:] + bytes(2)
    assert frame[:4].hex() == f"{0xD3 ^ 0x11:02x}{0x2C ^ 0x22:02x}{clear[2] ^ 0x44:02x}{clear[3] ^ 0x11:02x}"
    assert bytes(byte ^ (0x11, 0x22, 0x44)[index % 3] for index, byte in enumerate(frame)) == clear


def test_lines():
    encoder = LinesEncoder()
    encoder.headers = {CAPACITANCE: "KULA", DC_VOLTS: "MENI", RESISTANCE: "ZOBA"}
    assert sent(encoder, shown("4.70", "µF")) == b"KULA +4.70E-06 F\n"
    assert sent(encoder, shown("0.05", "µF")) == b"KULA +0.05E-06 F\n"
    assert sent(encoder, shown("-12.34", "mV", DC_VOLTS)) == b"MENI -1.234E-02 V\n"
    assert sent(encoder, shown("59.9", "kΩ", RESISTANCE)) == b"ZOBA +5.99E+04 OHM\n"
    assert sent(encoder, shown(None, "kΩ", RESISTANCE, overload=True)) == b"ZOBA 9.9E+37 OHM\n"
    assert sent(encoder, shown(None, "kΩ", RESISTANCE, blank=True)) == b"ZOBA 9.91E+37 OHM\n"


def test_prefixed_lines():
    encoder = PrefixedLinesEncoder()
    encoder.headers = {CAPACITANCE: "KULA", RESISTANCE: "ZOBA", (Quantity.TEMPERATURE, None): "FIDE"}
    assert sent(encoder, shown("4.70", "µF")) == b"KULA 4.70 uF\n"
    assert sent(encoder, shown("5999", "Ω", RESISTANCE)) == b"ZOBA 5999. OHM\n"
    assert sent(encoder, shown("59.99", "kΩ", RESISTANCE)) == b"ZOBA 59.99 kOHM\n"
    assert sent(encoder, shown("-7.5", "°C", (Quantity.TEMPERATURE, None))) == b"FIDE -7.5 CEL\n"


def ranged():
    encoder = RangedEncoder()
    encoder.modes = {CAPACITANCE: 0x31, DC_VOLTS: 0x42}
    encoder.ranges = {-8: 0x07, -5: 0x2B}
    encoder.battery_bit, encoder.constant_bits = 4, 0x83
    encoder.crc = Crc(16, 0x1021)
    encoder.start_command, encoder.keep_alive_command = b"\x0a\x0b\x0c", b"\x0d\x0e"
    return encoder


def send_command(encoder, command):
    ((_, definitions),) = encoder.services()
    (commands,) = [definition for definition in definitions if definition.on_write]
    commands.on_write(command)


def test_ranged():
    encoder = ranged()
    send_command(encoder, encoder.start_command)
    frames = [
        sent(encoder, shown("4.70", "µF", battery_percent=80)),
        sent(encoder, shown("-12.34", "mV", DC_VOLTS, low_battery=True)),
        sent(encoder, shown(None, "µF", overload=True)),
        sent(encoder, shown(None, "µF", blank=True)),
    ]
    # 470 = 1D6; the first of four has the battery, 80 = 50. 1234 = 4D2 with the top bit of 24; low battery adds bit 4.
    bodies = ["09 31 07 00 01 d6 83 50", "08 42 2b 80 04 d2 93", "08 31 40 7f ff ff 83", "08 31 40 7f ff fe 83"]
    assert [frame[:-2].hex(" ") for frame in frames] == bodies
    # Any frame with its CRC-16/XMODEM behind it, most significant byte first, has the CRC 0 (theory of cyclic codes).
    assert [Crc(16, 0x1021).checksum(frame[:-2] + frame[:-3:-1]) for frame in frames] == [0] * 4


def test_ranged_is_silent_until_started_and_without_keep_alive():
    encoder = ranged()
    display = shown("4.70", "µF")
    send_command(encoder, encoder.keep_alive_command)
    assert encoder.encode(display) == []
    send_command(encoder, encoder.start_command)
    assert sum(len(encoder.encode(display)) for _ in range(KEEP_ALIVE_REFRESHES + 5)) == KEEP_ALIVE_REFRESHES
    send_command(encoder, encoder.start_command)
    assert len(encoder.encode(display)) == 1
    send_command(encoder, encoder.keep_alive_command)
    assert sum(len(encoder.encode(display)) for _ in range(KEEP_ALIVE_REFRESHES + 5)) == KEEP_ALIVE_REFRESHES
    send_command(encoder, encoder.start_command)
    observer: object = encoder
    assert isinstance(observer, ConnectionObserver)
    observer.connection_ended()
    assert encoder.encode(display) == []


# Families


@pytest.mark.parametrize("family", ENCODER_FAMILIES)
def test_a_seed_makes_one_meter_of_the_family(family):
    def packets(seed):
        encoder = create_encoder(family, seed)
        if isinstance(encoder, RangedEncoder):
            send_command(encoder, encoder.start_command)
        rng = random.Random(1)
        displays = [shown(f"{rng.randrange(1, 6000) / 100:.2f}", "µF") for _ in range(20)]
        return [packet for display in displays for packet in encoder.encode(display)]

    assert packets(3) == packets(3)
    assert packets(3) != packets(4)


@pytest.mark.parametrize("family", ENCODER_FAMILIES)
def test_a_function_the_meter_does_not_have_sends_nothing(family):
    encoder = create_encoder(family)
    if isinstance(encoder, RangedEncoder):
        send_command(encoder, encoder.start_command)
    assert encoder.encode(shown("12.3", "%", (Quantity.RATIO, None))) == []
    assert encoder.encode(shown("72.5", "°F", (Quantity.TEMPERATURE, None))) == []


def test_presented_is_in_the_catalogue():
    assert isinstance(create_encoder("presented"), PresentedEncoder)
    with pytest.raises(KeyError):
        create_encoder("semaphore")
