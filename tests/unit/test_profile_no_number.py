"""Frames without a number: what the meter says itself is read; anything else is refused, with its place."""

import pytest

from meterlink.driver_api import Status, Timestamp
from meterlink.profiles import open_profile_driver, parse_profile

CHANNEL = "5f1c0a10-7c1e-4a52-9b1d-3d6a5c0f9e01"
HEAD = 'profile = 1\nname = "reasons"\ndriver = "{driver}"\n[connection]\nnotify = ["' + CHANNEL + '"]\n'
BLANK = "no value on the display"
BCD = '[frame]\nlength = 2\n[value]\ntype = "bcd"\nat = 0\nsize = 2\nunit = "V"\ninvalid = [0xeeee]\n'
SEGMENTS = """\
[frame]
length = 2
[value]
type = "segments"
unit = "V"
digits = [
    ["0.0", "0.1", "0.2", "0.3", "0.4", "0.5", "0.6"],
    ["1.0", "1.1", "1.2", "1.3", "1.4", "1.5", "1.6"],
]
"""


def reason(kind: str, profile: str, packet: bytes) -> str:
    """Return the reason why the driver gives no value for a packet."""
    driver = open_profile_driver(parse_profile(HEAD.format(driver=kind) + profile, "p.toml"), [CHANNEL])
    if kind == "lined":
        driver.feed(CHANNEL, b"\n", Timestamp(0, 0))
    (reading,) = driver.feed(CHANNEL, packet, Timestamp(0, 0))
    assert reading.status is Status.INVALID
    (refusal,) = driver.refusals
    return str(refusal)


@pytest.mark.parametrize(
    ("packet", "text"),
    [
        ("1a34", "not a number: bytes 0 to 1 are 1a 34"),
        ("eeee", BLANK),  # the profile knows it as a statement of the meter
    ],
)
def test_digits_that_are_none_are_named_with_their_place(packet: str, text: str) -> None:
    assert reason("framed", BCD, bytes.fromhex(packet)) == text


def test_a_digit_in_single_bits_has_no_bytes_to_show() -> None:
    bits = BCD.replace("at = 0\nsize = 2\n", 'bits = ["0.7-4", "0.3-0"]\n').replace("invalid = [0xeeee]\n", "")
    assert reason("framed", bits, b"\x1a\x00") == "not a number: its bits are 0x1a"


@pytest.mark.parametrize(
    ("kind", "packet"),
    [("float32", "0000c07f"), ("float64", "000000000000f87f"), ("sfloat", "ff07"), ("float", "ffff7f00")],
)
def test_not_a_number_of_a_float_is_a_statement(kind: str, packet: str) -> None:
    # IEEE 754, 6.2.1: a quiet NaN; IEEE 11073-20601: NaN is 0x07FF and 0x007FFFFF.
    size = len(packet) // 2
    profile = f'[frame]\nlength = {size}\n[value]\ntype = "{kind}"\nat = 0\nsize = {size}\nunit = "V"\n'
    assert reason("framed", profile, bytes.fromhex(packet)) == BLANK


@pytest.mark.parametrize(("text", "expected"), [(b"----", BLANK), (b"    ", BLANK), (b"12a4", "not a number")])
def test_dashes_in_a_field_of_characters_are_a_statement(text: bytes, expected: str) -> None:
    profile = '[frame]\nlength = 4\n[value]\ntype = "ascii"\nat = 0\nsize = 4\nunit = "V"\n'
    assert reason("framed", profile, text).startswith(expected)


def test_a_state_without_a_number_is_a_statement() -> None:
    profile = '[frame]\nlength = 2\n[value]\ntype = "uint"\nat = 0\nunit = "V"\n'
    flags = '[annunciators]\n"1.0" = { flag = "no_number" }\n'
    assert reason("framed", profile + flags, b"\x05\x01") == BLANK


def test_too_many_digits_are_named() -> None:
    profile = '[frame]\nlength = 2\n[value]\ntype = "uint"\nat = 0\nsize = 2\nunit = "V"\nmost_digits = 3\n'
    assert reason("framed", profile, b"\xff\xff") == "not a number: implausible, or above 3 digits"


@pytest.mark.parametrize(
    ("packet", "text"),
    [
        ("0608", "not a number: digit 2 shows the segments d"),
        ("3838", BLANK),  # LL: a word
        ("0000", BLANK),
        ("0638", "not a number: the display shows '1L'"),  # half a number is no statement
    ],
)
def test_a_display_of_segments_names_the_digit_that_is_not_known(packet: str, text: str) -> None:
    assert reason("segmented", SEGMENTS, bytes.fromhex(packet)) == text


def test_segments_of_a_pool_are_named_together() -> None:
    pooled = SEGMENTS.replace('["0.0", "0.1",', '["*0", "*0",').replace(
        "digits = [", 'pools = [["0.0", "0.1"]]\ndigits = ['
    )
    assert reason("segmented", pooled, b"\x01\x08") == "not a number: the known segments do not decide the digits"


@pytest.mark.parametrize(("line", "text"), [(b"+9.91E37 V\n", BLANK), (b"+1E99 V\n", "not a number")])
def test_an_instruments_not_a_number_is_a_statement(line: bytes, text: str) -> None:
    # SCPI-1999, vol. 1, 7.2.1.5.
    assert reason("lined", "[text]\n", line) == text
