"""Profiles as text: a written profile reads back equal, and an error names its position."""

import json
import math
import re
import tomllib
from decimal import Decimal
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from meterlink.core.errors import InputError
from meterlink.core.readings import Coupling
from meterlink.core.text import clean_text
from meterlink.profiles import Profile, check_profile, compile_profile, profile_schema, write_profile
from meterlink.profiles.model import (
    UNIT_PREFIXES,
    Bit,
    CandidateSegment,
    Checksum,
    ChecksumKind,
    Code,
    ConnectionSetup,
    ConnectionWrite,
    DriverName,
    FieldLocation,
    Flag,
    FrameTail,
    Framing,
    LengthField,
    Match,
    Meaning,
    NumberField,
    NumberForm,
    NumberType,
    PacketBeside,
    Rounding,
    Segments,
    TextFormat,
    UnknownSegment,
    ValueFormat,
)
from meterlink.profiles.profile_table import PROFILE
from meterlink.station.profile_files import load_profile, load_profiles
from meterlink.tomlfile.field_types import Wrong
from meterlink.tomlfile.problems import PathProblem

# The speed of the machine proves nothing here, and a failing profile is small enough without shrinking.
untimed = settings(
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
    phases=[Phase.explicit, Phase.reuse, Phase.generate],
)

SCHEMA = jsonschema.Draft202012Validator(profile_schema())

UUIDS = st.sampled_from([f"5f1c0a10-7c1e-4a52-9b1d-3d6a5c0f9e{number:02x}" for number in range(6)])
NAMES = st.from_regex(r"[a-z0-9]{1,8}(-[a-z0-9]{1,8})?", fullmatch=True)
LINE = st.text(st.characters(codec="utf-8", categories=["L", "N", "P", "S"], exclude_characters="[]"), max_size=20).map(
    clean_text
)
SECONDS = st.integers(1, 72_000).map(lambda n: n / 20)
PAUSES = st.integers(1, 100).map(lambda n: n / 100)
BITS = st.builds(Bit, st.integers(0, 30), st.integers(0, 7), st.booleans())
BIT_LISTS = st.lists(BITS, min_size=1, max_size=16, unique_by=lambda bit: (bit.byte, bit.bit)).map(tuple)
ORDERS = st.sampled_from(["little", "big"])
UNITS = st.sampled_from(["V", "mV", "µF", "kΩ", "MΩ", "Hz", "°C", "°F", "%", "F", "A"])
SCALES = st.none() | st.sampled_from([Decimal(text) for text in ("0.01", "1E+6", "2.5E-7", "20", "-1", "0.10", "100")])
PLACES = st.none() | st.integers(0, 12)
MEANINGS = st.builds(
    Meaning,
    UNITS | st.just(""),
    st.sampled_from(["", *UNIT_PREFIXES]),
    st.none() | st.sampled_from(Coupling),
    PLACES,
    SCALES,
    st.none() | st.sampled_from(Flag),
)
BYTE_LOCATIONS = st.builds(FieldLocation, st.integers(0, 20), st.integers(1, 8), ORDERS)
LOCATIONS = BYTE_LOCATIONS | st.builds(FieldLocation, bits=BIT_LISTS)
CONTENTS = st.lists(st.integers(0, 2**32), max_size=3).map(tuple)
NUMBERS = st.builds(
    NumberField,
    st.sampled_from([NumberType.UINT, NumberType.INT, NumberType.SIGN_MAGNITUDE]),
    LOCATIONS,
    CONTENTS,
    CONTENTS,
    st.none() | st.integers(0, 2**40),
) | st.builds(
    lambda type_and_size, at, order: NumberField(type_and_size[0], FieldLocation(at, type_and_size[1], order)),
    st.sampled_from([
        (NumberType.BCD, 3), (NumberType.DIGIT_BYTES, 5), (NumberType.ASCII, 7), (NumberType.FLOAT32, 4),
        (NumberType.FLOAT64, 8), (NumberType.SFLOAT, 2), (NumberType.FLOAT, 4),
    ]),
    st.integers(0, 20),
    ORDERS,
) | st.builds(
    lambda at, order, characters: NumberField(
        NumberType.DIGIT_CODES, FieldLocation(at, 4, order), characters=tuple(characters.items())
    ),
    st.integers(0, 20),
    ORDERS,
    st.dictionaries(st.integers(0, 255), st.sampled_from("0123456789 -"), min_size=1, max_size=12),
)  # fmt: skip
GLYPHS = st.dictionaries(st.integers(0, 127), st.sampled_from('0123456789 -LE"\\'), max_size=3)
SEGMENT = BITS | st.sampled_from(UnknownSegment) | st.builds(CandidateSegment, st.integers(0, 1), st.booleans())
DIGITS = st.lists(st.lists(SEGMENT, min_size=7, max_size=7).map(tuple), min_size=1, max_size=5).map(tuple)
POOLS = st.lists(st.lists(BITS, min_size=1, max_size=9).map(tuple), min_size=2, max_size=3).map(tuple)
SEGMENTS = st.builds(Segments, DIGITS, GLYPHS.map(lambda glyphs: tuple(glyphs.items())), POOLS)
POINTS = st.dictionaries(st.integers(1, 12), BITS, max_size=3).map(lambda points: tuple(points.items()))
CHECKSUMS = (
    st.builds(
        Checksum,
        st.sampled_from([ChecksumKind.SUM, ChecksumKind.XOR]),
        st.integers(-8, -4) | st.integers(0, 20),
        st.integers(1, 4),
        ORDERS,
        st.integers(-4, 20),
        st.none() | st.integers(-4, 20),
        st.booleans(),
        st.integers(0, 255),
        st.integers(0, 255),
        st.booleans(),
    )
    | st.builds(
        lambda at, size: Checksum(ChecksumKind.SUM, at, size, hex=True), st.integers(-16, -8), st.integers(1, 4)
    )
    | st.builds(lambda at, key: Checksum(ChecksumKind.SUM, at, key=key), st.integers(-16, -1), st.integers(0, 255))
    | st.builds(
        lambda width, polynomial, *flags: Checksum(
            ChecksumKind.CRC,
            -2,
            2,
            width=width,
            polynomial=polynomial,
            init=7,
            reflect_in=flags[0],
            reflect_out=flags[1],
        ),
        st.none() | st.integers(1, 16),
        st.integers(1, 0xFFFF),
        st.booleans(),
        st.booleans(),
    )
)
MARKS = st.binary(max_size=3)
LENGTHS = st.none() | st.integers(40, 256) | st.builds(
    LengthField, st.integers(0, 9), st.integers(1, 2), ORDERS, st.integers(-9, 9)
)  # fmt: skip
TAILS = st.dictionaries(st.integers(20, 256), st.binary(min_size=1, max_size=9), max_size=3).map(
    lambda rows: tuple(FrameTail(length, 11, content, content[::-1]) for length, content in rows.items())
)
BESIDE = st.lists(
    st.builds(
        lambda content, marked: PacketBeside(
            len(content), content, content[::-1], marks=((0, content[0]),) if marked else ()
        ),
        st.binary(min_size=1, max_size=9),
        st.booleans(),
    ),
    max_size=3,
).map(tuple)
FRAMINGS = st.builds(
    Framing,
    MARKS,
    LENGTHS,
    MARKS,
    st.booleans(),
    st.integers(1, 256),
    st.binary(max_size=9),
    st.integers(0, 9),
    st.lists(CHECKSUMS, max_size=2).map(tuple),
    PAUSES,
    st.booleans(),
    st.lists(st.integers(1, 256), max_size=3).map(tuple),
    st.booleans(),
    st.dictionaries(st.integers(0, 9), st.integers(0, 255), max_size=2).map(lambda rows: tuple(rows.items())),
    tails=TAILS,
    beside=BESIDE,
    counted=st.booleans(),
) | st.builds(lambda start, end: Framing(start, end=end, hex=True), MARKS, MARKS)
CODES = st.builds(
    Code,
    LOCATIONS,
    st.dictionaries(st.integers(0, 2**20), MEANINGS, max_size=4).map(lambda rows: tuple(rows.items())),
    st.none() | MEANINGS,
)
TEXTS = st.builds(
    TextFormat,
    st.sampled_from(["\n", "\r\n", "", ";", "\x03", "µ"]),
    st.sampled_from(["ascii", "utf-8", "latin-1"]),
    st.integers(1, 4096),
    st.integers(1, 64),
    st.none() | st.integers(1, 64),
    UNITS | st.just(""),
    st.none() | st.sampled_from(Coupling),
    st.text('{}[]"#*', max_size=3),
    st.booleans(),
    st.dictionaries(LINE.filter(bool), MEANINGS, max_size=3).map(lambda rows: tuple(rows.items())),
    st.lists(LINE.filter(bool), max_size=2).map(tuple),
    st.lists(CHECKSUMS, max_size=2).map(tuple),
    PAUSES,
    st.none() | st.integers(1, 64),
    st.booleans(),
    st.lists(st.sampled_from(["value unit", "word", '{"word": value}']), max_size=2).map(tuple),
    st.builds(
        NumberForm,
        st.sampled_from([None, "always", "minus"]),
        st.none() | st.integers(1, 30),
        st.none() | st.integers(0, 3),
        st.booleans(),
    ),
    st.booleans(),
    st.dictionaries(st.integers(1, 64), st.from_regex(r"[0-9]{1,9}", fullmatch=True), max_size=2).map(
        lambda rows: tuple(rows.items())
    ),
    st.booleans(),
    st.lists(st.lists(LINE.filter(bool), max_size=2).map(tuple), max_size=2).map(tuple),
    st.lists(st.lists(LINE.filter(bool), max_size=2).map(tuple), max_size=2).map(tuple),
    st.lists(st.integers(1, 64), max_size=2).map(tuple),
)
CONNECTIONS = st.builds(
    ConnectionSetup,
    st.lists(UUIDS, min_size=1, max_size=2, unique=True).map(tuple),
    st.lists(UUIDS, max_size=1).map(tuple),
    SECONDS,
    UUIDS | st.just(""),
    st.lists(
        st.builds(ConnectionWrite, UUIDS, st.binary(min_size=1, max_size=20), SECONDS | st.just(0.0), st.booleans()),
        max_size=2,
    ).map(tuple),
)
MATCHES = st.builds(
    Match,
    LINE,
    st.lists(UUIDS, max_size=2, unique=True).map(tuple),
    st.none() | st.integers(0, 65535),
)


@st.composite
def profiles(draw: st.DrawFn) -> Profile:
    driver = draw(st.sampled_from(DriverName))
    common: dict[str, Any] = {
        "name": draw(NAMES),
        "driver": driver,
        "connection": draw(CONNECTIONS),
        "match": draw(MATCHES),
        "note": draw(LINE),
    }
    if driver is DriverName.LINED:
        return Profile(**common, text=draw(TEXTS))
    source: Any = draw(SEGMENTS if driver is DriverName.SEGMENTED else NUMBERS)
    points = draw(POINTS)
    rounding = draw(st.sampled_from(Rounding))
    value = ValueFormat(source, None if points else draw(PLACES), draw(SCALES), points, draw(UNITS), rounding=rounding)
    annunciators = draw(st.dictionaries(BITS, MEANINGS, max_size=4))
    return Profile(
        **common,
        framing=draw(FRAMINGS),
        value=value,
        codes=tuple(draw(st.lists(CODES, max_size=2))),
        annunciators=tuple(annunciators.items()),
    )


@untimed
@given(profiles())
def test_a_written_profile_reads_back_equal_and_fits_the_schema(profile: Profile) -> None:
    text = write_profile(profile)
    checked = check_profile(text)
    assert [str(problem) for problem in checked.problems] == []
    assert checked.value == profile
    SCHEMA.validate(tomllib.loads(text))
    compile_profile(profile)  # every accepted profile compiles


GOOD = """\
profile = 1
name = "bench-a"
driver = "framed"
[match]
name = "BENCH*"
[connection]
notify = "fff1"
[[connection.write]]
to = "fff2"
hex = "a5 01"
[frame]
start = "a5"
length = 8
[[frame.checksum]]
kind = "sum"
[value]
type = "int"
at = 3
size = 2
[[code]]
bits = ["1.7-4"]
[code.is]
0x01 = { unit = "V", coupling = "DC", places = 2 }
[annunciators]
"2.0" = { flag = "overload" }
"""
SEGMENTED = """\
profile = 1
name = "shelf-a"
driver = "segmented"
[connection]
read = ["fff1"]
[value]
type = "segments"
unit = "V"
digits = [["0.0", "0.1", "0.2", "0.3", "!0.4", "?", ""]]
[value.points]
1 = "0.7"
"""
LINED = """\
profile = 1
name = "line-a"
driver = "lined"
[connection]
notify = "fff1"
[text]
end = "\\n"
[text.words]
CAP = { unit = "F" }
"""


@pytest.mark.parametrize("text", [GOOD, SEGMENTED, LINED])
def test_good_profiles_have_no_problems(text: str) -> None:
    assert check_profile(text).problems == ()
    SCHEMA.validate(tomllib.loads(text))


def test_ranges_of_bits_and_short_uuids() -> None:
    profile = check_profile(GOOD).value
    assert profile is not None
    assert profile.codes[0].location.bits == (Bit(1, 7), Bit(1, 6), Bit(1, 5), Bit(1, 4))
    assert profile.connection.notify == ("0000fff1-0000-1000-8000-00805f9b34fb",)


PROBLEMS = [
    (GOOD, "profile = 1", "profile = 2", "1:1: profile: version 2 is not supported. Write profile = 1"),
    (GOOD, "profile = 1\n", "", "1:1: profile is missing. Write profile = 1"),
    (
        GOOD,
        '"bench-a"',
        '"Bench A"',
        "2:1: name: 'Bench A' cannot be used. Use lower-case letters, digits and hyphens.",
    ),
    (GOOD, '"framed"', '"framd"', "3:1: driver: 'framd' is not known. Use one of: framed, segmented, lined."),
    (GOOD, '"fff1"', '"fff"', "7:1: connection.notify: 'fff' is not a UUID. Write 4"),
    (GOOD, 'notify = "fff1"', "", "6:1: connection: notify and read are missing."),
    (GOOD, "notify", "notfy", "7:1: connection.notfy: 'notfy' is not a field here. Did you mean notify?"),
    (GOOD, 'hex = "a5 01"', 'hex = "a5 0"', "10:1: connection.write 1, hex: 'a5 0' is not pairs"),
    (GOOD, 'to = "fff2"', "", '8:1: connection.write 1: to is missing. Write to = "<characteristic UUID>".'),
    (GOOD, "length = 8", "length = 0", "13:1: frame.length: 0 is not from 1 to 256. Write length = a whole number"),
    (
        GOOD,
        "length = 8",
        "length = { add = 2 }",
        "13:1: frame.length: at is missing. Write at = a whole number from 0 to 255.",
    ),
    (GOOD, "length = 8", "length = 4", "18:1: value.at: byte 4 is beyond a frame of 4 bytes (0 to 3)."),
    (GOOD, '"sum"', '"summ"', "15:1: frame.checksum 1, kind: 'summ' is not known. Use one of: sum, xor, crc."),
    (GOOD, 'kind = "sum"', 'kind = "crc"', "14:1: frame.checksum 1: polynomial is missing."),
    (GOOD, 'type = "int"', 'type = "integer"', "17:1: value.type: 'integer' is not known. Use one of: uint, int"),
    (
        GOOD,
        "at = 3",
        "at = -3",
        "18:1: value.at: -3 is not from 0 to 255. Write at = a whole number from 0 to 255.",
    ),
    (GOOD, "at = 3", 'bits = ["3.0"]', "19:1: value.size: bits give the location already."),
    (GOOD, "at = 3\n", "", "16:1: value: the location is missing."),
    (GOOD, "size = 2", "size = 2\nplaces = true", "20:1: value.places: "),
    (
        GOOD,
        "size = 2",
        'size = 2\nplaces = "2"',
        "20:1: value.places: '2' is not a whole number. Write places = a whole",
    ),
    (
        GOOD,
        "size = 2",
        "size = 2\nscale = 0",
        "20:1: value.scale: 0 cannot be used. Write scale = a number such as 0.01",
    ),
    (GOOD, "size = 2", "size = 2\nscale = nan", "20:1: value.scale: "),
    (GOOD, '"int"\nat = 3\nsize = 2', '"bcd"\nbits = ["3.0"]', "18:1: value.bits: it has 1 bit. Write four"),
    (GOOD, '"int"', '"float32"', "19:1: value.size: float32 has 4 bytes. Write size = 4"),
    (GOOD, '"1.7-4"', '"1.8"', "21:9: code 1, bits 1: '1.8' is not a bit. Write \"3.7\" for bit 7"),
    (GOOD, '"1.7-4"', '"1.7", "1.7"', "21:1: code 1, bits: a bit is listed twice."),
    (GOOD, 'unit = "V"', 'unit = "Volz"', "23:10: code 1, is.0x01, unit: 'Volz' is not a unit known here."),
    (GOOD, "places = 2", "place = 2", "23:39: code 1, is.0x01, place: 'place' is not a field here. Did you mean"),
    (GOOD, '"DC"', '"dc"', "23:22: code 1, is.0x01, coupling: 'dc' is not known. Use one of: AC, DC."),
    (GOOD, "0x01 = {", "1x = {", "23:1: code 1, is.1x: '1x' is not a key here. Write 0x01 = { … }"),
    (GOOD, "0x01 = {", "1 = {}\n0x01 = {", "24:1: code 1, is.0x01: '0x01' is listed twice."),
    (GOOD, 'unit = "V", ', "", "16:1: value: the value has no unit."),
    (
        GOOD,
        '"2.0" =',
        "2.0 =",
        "25:1: annunciators.2: '2' is not a key here. Write \"3.7\" = { … }, the bit in quotes.",
    ),
    (
        GOOD,
        "[annunciators]\n",
        "[annunciators]\n[annunciators.x]\n[text]\n",
        "26:1: text: a framed profile has no text. Remove it",
    ),
    (GOOD, "[value]", "[values]", "1:1: [value] is missing."),
    (GOOD, 'driver = "framed"', 'driver = "lined"', "11:1: frame: a lined profile has no frame."),
    (GOOD, "length = 8", "length = 8 8", "13:12: not valid TOML"),
    (SEGMENTED, '"segments"', '"int"', "7:1: value.type: the type of a segmented profile is segments."),
    (
        SEGMENTED,
        '"0.0", ',
        "",
        '9:11: value.digits 1: it has 6 items, not 7. Write it as ["3.0", …], the bits of the segments a, b',
    ),
    (SEGMENTED, '"0.0"', '"*0"', "9:12: value.digits 1.1: there is no pool 0. Write pools"),
    (SEGMENTED, '"0.0"', '"0.9"', "9:12: value.digits 1.1: '0.9' is not a segment. Write its bit"),
    (SEGMENTED, "1 =", "0 =", "11:1: value.points.0: '0' is not a key here. Write 2 = \"4.7\""),
    (SEGMENTED, "1 =", "1x =", "11:1: value.points.1x: '1x' is not a key here."),
    (SEGMENTED, '"V"', '"V"\nplaces = 1', "9:1: value.places: points give the decimals already."),
    (SEGMENTED, '"V"', '"V"\nglyphs = {300 = "1"}', "9:11: value.glyphs.300: '300' is not a key here. Write 0x7c"),
    (GOOD, '"sum"', '"sum"\ninit = 256', "16:1: frame.checksum 1, init: 0x100 does not fit into 1 check byte. Write"),
    (GOOD, '"sum"', '"sum"\nsize = 2\nat = -1', "17:1: frame.checksum 1, at: 2 bytes do not fit there. Write at = -2"),
    (GOOD, '"sum"', '"sum"\nhex = true\nkey = 1', "17:1: frame.checksum 1, key: a checksum with hex has no key."),
    (GOOD, '"sum"', '"sum"\nwidth = 8', "16:1: frame.checksum 1, width: 'width' is not a field here: kind is sum."),
    (GOOD, '"sum"', '"crc"\npolynomial = 7\nwidth = 9', "17:1: frame.checksum 1, width: 9 bits do not fit into 1"),
    (GOOD, "length = 8", 'length = 1\nend = "0d"', "13:1: frame.length: the frame is shorter than its start and"),
    (GOOD, '"int"', '"segments"', "17:1: value.type: the type of a framed profile is one of a number."),
    (
        GOOD,
        '"int"\nat = 3',
        '"int"\nat = 3\npools = []',
        "19:1: value.pools: 'pools' is not a field here: type is int.",
    ),
    (GOOD, "size = 2", "size = 9", "19:1: value.size: int has at most 8 bytes, not 9. Write size = a whole number"),
    (GOOD, '"int"\nat = 3\nsize = 2', '"ascii"\nbits = ["3.0"]', "18:1: value.bits: ascii consists of whole bytes."),
    (GOOD, '"V", coupling = "DC"', '"VAC", coupling = "DC"', "23:10: code 1, is.0x01, unit: the unit states AC, not"),
    (GOOD, '"overload" }', '"overload", prefix = "x" }', "25:30: annunciators.2.0, prefix: 'x' is not a prefix here."),
    (GOOD, '"fff1"', '["fff1", "FFF1"]', "7:19: connection.notify 2: 'FFF1' is listed twice."),
    (
        GOOD,
        '[connection]\nnotify = "fff1"\n[[connection.write]]\nto = "fff2"\nhex = "a5 01"\n',
        "",
        "1:1: connection is missing. Write it as [connection] with notify = [",
    ),
    (GOOD, 'name = "bench-a"\n', "", '1:1: name is missing. Write name = "…" of lower-case letters, digits and'),
    (GOOD, 'driver = "framed"\n', "", "1:1: driver is missing. Use one of: framed, segmented, lined."),
    (GOOD, 'hex = "a5 01"', "", '8:1: connection.write 1: hex is missing. Write hex = "a5 5a".'),
    (
        GOOD,
        'hex = "a5 01"',
        'hex = "a5"\nevery = 0.01',
        "11:1: connection.write 1, every: ",
    ),
    (
        GOOD,
        '[code.is]\n0x01 = { unit = "V", coupling = "DC", places = 2 }\n',
        "",
        "20:1: code 1: is is missing. Write is = { 0x01 = {",
    ),
    (
        LINED,
        "[text.words]",
        'ignore = ["O K"]\n[text.words]',
        "8:11: text.ignore 1: 'O K' cannot be used. Write a word",
    ),
    (LINED, '"\\n"', '"\\n"\nvalue_number = 0', "8:1: text.value_number: 0 is not from 1 to 64."),
    (LINED, "CAP", '"C AP"', "9:1: text.words.C AP: 'C AP' is not a key here. Write a word without blanks."),
    (LINED, '"\\n"', "5", "7:1: text.end: 5 is not text."),
]
# The problems of several keys together, or of a table of words, that a JSON Schema does not express.
NOT_IN_THE_SCHEMA = re.compile(
    "beyond a frame|listed twice|it has 1 bit|not a unit|unit states|has no unit|there is no pool|not valid TOML|"
    "shorter than its|do not fit there|value.scale: $"  # JSON has no NaN
)


@pytest.mark.parametrize(("text", "old", "new", "problem"), PROBLEMS)
def test_a_problem_names_position_and_remedy(text: str, old: str, new: str, problem: str) -> None:
    assert old in text
    checked = check_profile(text.replace(old, new, 1))
    assert checked.value is None
    messages = [str(found) for found in checked.problems]
    assert any(message.startswith(problem) for message in messages), messages


@pytest.mark.parametrize(
    ("text", "old", "new"), [case[:3] for case in PROBLEMS if not NOT_IN_THE_SCHEMA.search(case[3])]
)
def test_the_schema_refuses_the_same_files(text: str, old: str, new: str) -> None:
    assert not SCHEMA.is_valid(tomllib.loads(text.replace(old, new, 1)))


def test_the_schema_is_one() -> None:
    jsonschema.Draft202012Validator.check_schema(profile_schema())


@pytest.mark.parametrize(
    ("driver", "lines"),
    [
        ("framd", {3, 10, 18, 23}),  # a misspelt driver hides no error of a table
        ("lined", {10, 11, 16, 18, 20, 23, 24}),
    ],
)
def test_a_wrong_driver_hides_no_error(driver: str, lines: set[int]) -> None:
    bad = GOOD.replace('"framed"', f'"{driver}"').replace("a5 01", "a5 0").replace("at = 3", "at = 300")
    bad = bad.replace('"V"', '"Volz"')
    assert {problem.position.line for problem in check_profile(bad).problems} == lines


def test_a_misspelt_type_hides_no_error_of_a_key_that_every_type_has() -> None:
    bad = GOOD.replace('"int"', '"integer"').replace("size = 2", "size = 2\nplaces = 13\n")
    assert [problem.position.line for problem in check_profile(bad).problems] == [17, 20]
    bad = GOOD.replace('"sum"', '"summ"\ninit = -1')
    assert [problem.position.line for problem in check_profile(bad).problems] == [15, 16]


def test_bytes_beyond_the_frame_are_found_in_tables_with_another_error() -> None:
    bad = GOOD.replace("length = 8", "length = 2\nlongest = 0").replace(
        'kind = "sum"', 'kind = "sum"\nat = 2\ninit = -1'
    )
    bad = bad.replace("size = 2", "size = 2\nplaces = 13").replace('["1.7-4"]\n', '["2.7-4"]\nplace = 1\n')
    bad = bad.replace('flag = "overload"', 'flag = "over"')
    beyond = [str(problem) for problem in check_profile(bad).problems if "beyond" in problem.message]
    assert [text.split(": ")[1] for text in beyond] == [
        "frame.checksum 1, at",
        "value.at",
        "code 1, bits",
        "annunciators.2.0",
    ]
    bad = SEGMENTED.replace('"?"', '"??"').replace("[value]", "[frame]\nlength = 1\n[value]").replace("0.7", "1.7")
    bad = bad.replace('"0.1"', '"2.1"').replace("digits", 'pools = [["3.0"]]\ndigits')
    beyond = [str(problem) for problem in check_profile(bad).problems if "beyond" in problem.message]
    assert [text.split(": ")[1] for text in beyond] == ["value.pools 1", "value.digits 1", "value.points.1"]


def test_numbers_as_keys_may_be_decimal_hexadecimal_or_binary() -> None:
    text = (
        SEGMENTED.replace("1 =", '0xc = "0.6"\n0b11 = "0.5"\n1 =')
        + '[value.glyphs]\n0x7c = "6"\n0b11 = "1"\n127 = "8"\n'
    )
    value = check_profile(text).require("shelf.toml").value
    assert value is not None
    assert isinstance(value.source, Segments)
    assert [places for places, _ in value.points] == [12, 3, 1]
    assert value.source.glyphs == ((0x7C, "6"), (3, "1"), (127, "8"))
    for word in ("0x80", "128", "-1", "0x", "1_0"):
        assert not SCHEMA.is_valid(tomllib.loads(text.replace("0x7c", word)))
        assert check_profile(text.replace("0x7c", word)).value is None


def test_all_errors_are_found_at_once_in_the_order_of_the_file() -> None:
    bad = GOOD.replace('"BENCH*"', "5").replace("a5 01", "a5 0").replace("at = 3", "at = 300").replace("0x01", "one")
    lines = [problem.position.line for problem in check_profile(bad).problems]
    assert lines == sorted(lines)
    assert {5, 10, 18, 23} <= set(lines)


@untimed
@given(st.data())
def test_no_text_makes_it_raise(data: st.DataObject) -> None:
    text = data.draw(st.sampled_from([GOOD, SEGMENTED, LINED]))
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(text)))
        length = data.draw(st.integers(0, 12))
        piece = data.draw(
            st.text(max_size=6) | st.sampled_from(["[", "]", "{}", "=", "\n", "1e999999", "true", "[[x]]"])
        )
        text = text[:at] + piece + text[at + length :]
    checked = check_profile(text)
    assert (checked.value is None) == bool(checked.problems)
    if checked.value is not None:
        compile_profile(checked.value)


REPLACEMENTS = st.sampled_from([
    True, False, -1, 0, 1, 8, 300, 2**70, math.inf, 1.5, Decimal("0.5"), Decimal("NaN"), "", "x", "a5", "V", "VDC",
    "3.7", "3.7-4", "*9", "?", "fff1", "big", "sum", "crc", "uint", "segments", "lined", "framed", "\n", " a ", "0d 0a",
    [], {}, [1], ["x"], ["3.7"], ["3.7", "3.7"], [[]], [["3.7"]], [{}], {"x": 1}, {"1": {}}, {"1": "3.7"},
])  # fmt: skip


@untimed
@given(st.sampled_from([GOOD, SEGMENTED, LINED]) | profiles().map(write_profile), st.data())
def test_values_of_any_other_type_are_refused_not_raised(text: str, data: st.DataObject) -> None:
    entry = tomllib.loads(text, parse_float=Decimal)
    keys = [(table, key) for table in _tables(entry) for key in table]
    table, key = data.draw(st.sampled_from(keys))
    table[key] = data.draw(REPLACEMENTS)
    problems: list[PathProblem] = []
    profile = PROFILE.read(entry, (), problems)  # not every such table has a TOML text
    assert isinstance(profile, Wrong) == bool(problems)
    if not isinstance(profile, Wrong):
        compile_profile(profile)
        SCHEMA.validate(json.loads(json.dumps(entry, default=float)))  # the schema refuses no table that is read


def _tables(entry: Any) -> list[dict[str, Any]]:
    if isinstance(entry, dict):
        return [entry, *(table for value in entry.values() for table in _tables(value))]
    return [table for value in entry for table in _tables(value)] if isinstance(entry, list) else []


def test_an_error_of_loading_names_the_file(tmp_path: Path) -> None:
    (tmp_path / "a.toml").write_text(GOOD.replace("at = 3", "at = 300"), encoding="utf-8")
    with pytest.raises(InputError, match=r"a\.toml:18:1: value\.at: 300 is not from 0 to 255"):
        load_profile(tmp_path / "a.toml")
    with pytest.raises(InputError, match="cannot be read"):
        load_profile(tmp_path / "none.toml")
    (tmp_path / "b.toml").write_bytes(b"\xff")
    with pytest.raises(InputError, match="not UTF-8"):
        load_profile(tmp_path / "b.toml")


def test_a_folder_of_profiles_with_broken_ones_among_them(tmp_path: Path) -> None:
    assert load_profiles(tmp_path / "none") == ((), ())
    (tmp_path / "a.toml").write_text("\ufeff" + GOOD, encoding="utf-8")
    (tmp_path / "b.toml").write_text(GOOD, encoding="utf-8")
    (tmp_path / "c.toml").write_text("profile =", encoding="utf-8")
    (tmp_path / "d.toml").write_text(LINED, encoding="utf-8")
    profiles, failures = load_profiles(tmp_path)
    assert [profile.name for profile in profiles] == ["bench-a", "line-a"]
    assert [path.name for path, _ in failures] == ["b.toml", "c.toml"]
    assert "Another profile has the name bench-a already" in failures[0][1]
    assert "c.toml:1:10: not valid TOML" in failures[1][1]
    (tmp_path / "c.toml").write_text("profile = 2\n", encoding="utf-8")
    with pytest.raises(InputError, match=r"name is missing"):
        load_profile(tmp_path / "c.toml")
    (_, reason) = load_profiles(tmp_path)[1][1]
    assert reason.count("\n") == 0
    assert reason.endswith("`meterlink profile check` lists the other errors.")
