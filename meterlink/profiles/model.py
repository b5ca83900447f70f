"""The data of a profile: how a meter is recognised, written to, and how its packets are read.

The TOML keys are the names of the attributes unless a class gives others. Offsets count bytes of a frame from 0, after
the key is removed. A bit is written ``"3.7"``: byte 3, bit 7, where bit 0 has the value 1. ``"!3.7"`` is its opposite.
``"3.7-4"`` in a list of bits is short for 3.7, 3.6, 3.5, 3.4.

A whole profile::

    profile = 1                     # SCHEMA_VERSION
    name = "bench-a"
    driver = "framed"               # framed, segmented or lined

    [match]
    name = "BENCH*"
    [connection]
    notify = ["0000fff1-0000-1000-8000-00805f9b34fb"]
    [[connection.write]]
    to = "0000fff2-0000-1000-8000-00805f9b34fb"
    hex = "a5 01"

    [frame]
    start = "a5"
    length = 8
    [[frame.checksum]]
    kind = "sum"
    at = -1

    [value]
    type = "int"
    at = 3
    size = 2

    [[code]]
    at = 1
    [code.is]
    0x01 = { unit = "V", coupling = "DC", places = 2 }
    0x02 = { unit = "Ω", places = 1 }

    [annunciators]
    "2.0" = { flag = "overload" }
    "2.1" = { flag = "low_battery" }
"""

import re
from collections.abc import Collection
from dataclasses import dataclass, field
from decimal import Decimal
from enum import StrEnum
from itertools import count
from typing import Literal

from meterlink.core.readings import Coupling
from meterlink.core.text import KEY_PATTERN

SCHEMA_VERSION = 1
"""The version of the schema; a profile of any other version is refused."""

LONGEST_PROFILE_NAME = 30  # characters: with the driver's name before it, one line on the smallest screen


def is_profile_name(text: str) -> bool:
    """Return whether a profile may have this name: lower-case letters, digits and single hyphens, 30 characters."""
    return len(text) <= LONGEST_PROFILE_NAME and re.fullmatch(KEY_PATTERN, text) is not None


def make_profile_name(text: str, taken: Collection[str] = ()) -> str:
    """Return a profile name that resembles ``text`` and is not ``taken``: "Bench 7" becomes "bench-7"."""
    stem = "-".join(re.findall("[a-z0-9]+", text.lower())) or "taught"
    suffixes = ("" if number == 1 else f"-{number}" for number in count(1))
    names = (stem[: LONGEST_PROFILE_NAME - len(suffix)].rstrip("-") + suffix for suffix in suffixes)
    return next(name for name in names if name not in taken)


UNIT_PREFIXES = ("p", "n", "µ", "m", "k", "M")
"""The prefixes a `Meaning` may give."""

ByteOrder = Literal["little", "big"]


LONGEST_PAUSE = 1.0
"""Seconds between two packets of one frame or line: a display refreshes two to five times a second (common practice),
so a later packet belongs to another one."""


LONGEST_REST = 1.5
"""Seconds between two frames that are made of parts: a display refreshes two to five times a second, slow ones once a
second (common practice); after a longer silence the packets before it prove nothing."""


class DriverName(StrEnum):
    """The driver that reads the meter's packets."""

    FRAMED = "framed"  # binary frames that carry a number
    SEGMENTED = "segmented"  # binary frames that carry the segments of the display
    LINED = "lined"  # lines of text


class NumberType(StrEnum):
    """The encoding of a number."""

    UINT = "uint"
    INT = "int"  # two's complement
    SIGN_MAGNITUDE = "sign-magnitude"  # the highest bit is the sign
    BCD = "bcd"  # four bits a digit
    DIGIT_BYTES = "digit-bytes"  # one byte a digit, valued 0 to 9
    DIGIT_CODES = "digit-codes"  # one byte a digit, from a table of characters
    ASCII = "ascii"  # characters: the number, its sign and point, blanks around it
    FLOAT32 = "float32"  # IEEE 754
    FLOAT64 = "float64"
    SFLOAT = "sfloat"  # IEEE 11073, 16 bits
    FLOAT = "float"  # IEEE 11073, 32 bits


class Flag(StrEnum):
    """A meaning of a code or a lit annunciator, apart from unit and scale."""

    OVERLOAD = "overload"
    INVALID = "invalid"  # the meter shows no value
    NO_NUMBER = "no_number"  # the field holds no number: an overload where its content is one, else invalid
    NEGATIVE = "negative"
    HOLD = "hold"
    RELATIVE = "relative"
    LOW_BATTERY = "low_battery"


class Rounding(StrEnum):
    """How a display rounds a number that has more digits than it shows."""

    HALF_EVEN = "half-even"
    HALF_UP = "half-up"  # a half away from zero
    DOWN = "down"  # toward zero: further digits are dropped
    UNKNOWN = "unknown"  # to the nearest; a number just between two that a display can show is invalid


class ChecksumKind(StrEnum):
    """The computation of check bytes."""

    SUM = "sum"
    XOR = "xor"
    CRC = "crc"


@dataclass(frozen=True, slots=True, order=True)
class Bit:
    """One bit of a frame; ``inverted`` where 0 means lit. ``str()`` is its TOML form."""

    byte: int
    bit: int
    inverted: bool = False

    def __str__(self) -> str:
        return f"{'!' if self.inverted else ''}{self.byte}.{self.bit}"


class UnknownSegment(StrEnum):
    """A segment without a known bit; the value is its TOML form."""

    ABSENT = ""  # the display has no such segment: always dark
    UNKNOWN = "?"  # unknown bit: the digit is read where its other segments decide


@dataclass(frozen=True, slots=True)
class CandidateSegment:
    """A segment whose bit is one of a pool, but unknown; ``inverted`` where a set bit means a dark segment.

    A pool has as many set bits as lit segments (dark ones, where inverted). ``str()`` is its TOML form: ``*0``,
    ``!*1``.
    """

    pool: int
    inverted: bool = False

    def __str__(self) -> str:
        return f"{'!' if self.inverted else ''}*{self.pool}"


@dataclass(frozen=True, slots=True)
class FieldLocation:
    """The location of an unsigned number: ``size`` bytes at ``at`` in ``order``, or ``bits``, highest first.

    In TOML its keys are keys of the table that has a location: ``at``, ``size`` (1), ``order`` ("little"), or ``bits``.
    With order "little" the lowest byte, or the last digit, is first. ASCII has no order.
    """

    at: int = 0
    size: int = 1
    order: ByteOrder = "little"
    bits: tuple[Bit, ...] = ()


@dataclass(frozen=True, slots=True)
class NumberField:
    """A number in a frame (driver ``framed``). TOML ``[value]``: ``type``, the keys of a location, and these.

    ``overload`` and ``invalid`` are contents of the field, read as an unsigned number, that stand for no number.
    A magnitude above ``overload_above`` (before scaling) is an overload. ``characters`` are the ``(byte, character)``
    of the type digit-codes: digits, a minus and a blank; any other byte makes the frame invalid. TOML:
    ``[value.characters]``, ``0x3f = "0"``.
    """

    type: NumberType
    location: FieldLocation
    overload: tuple[int, ...] = ()
    invalid: tuple[int, ...] = ()
    overload_above: int | None = None
    characters: tuple[tuple[int, str], ...] = ()


Segment = Bit | CandidateSegment | UnknownSegment
"""A segment: its bit, the pool that has its bit, or unknown."""


@dataclass(frozen=True, slots=True)
class Segments:
    """The digits of a display (driver ``segmented``), leftmost first. TOML ``[value]``: ``type = "segments"``.

    Each digit is seven segments in the order a, b, c, d, e, f, g. TOML: ``digits = [["3.0", "3.1", …], …]``.
    ``glyphs`` are ``(shape, character)``, in addition to the known shapes or instead: in a shape bit 0 is a … bit 6 is
    g; a character is a digit, a minus, a blank or a letter. TOML: ``[value.glyphs]``, ``0x7c = "6"``.
    ``pools`` are the bits that a `CandidateSegment` refers to. TOML: ``pools = [["3.0", "!3.4"], …]``. A pool with as
    many bits as segments helps to read a digit. A pool with more bits, for example all that never changed, only
    confirms it: the other segments decide the digits, and the pool must have the number of lit bits they require.
    """

    digits: tuple[tuple[Segment, ...], ...]
    glyphs: tuple[tuple[int, str], ...] = ()
    pools: tuple[tuple[Bit, ...], ...] = ()


@dataclass(frozen=True, slots=True)
class ValueFormat:
    """The number on the display. TOML ``[value]``.

    ``places`` is the number of decimals on the display, ``scale`` the factor from the number in the frame to the number
    on the display; those of a `Meaning` override them. Without a ``scale`` an integer is divided by 10 to the
    ``places``; any other number is rounded to the ``places``, by ``rounding``. ``points`` are ``(digits behind the
    point, bit of the point)``; no lit point means no decimals. TOML: ``[value.points]``, ``1 = "3.7"``, ``2 = "4.7"``.
    At most one of ``places`` and ``points`` is given. ``unit`` is the display unit and ``coupling`` AC or DC, where no
    code or annunciator gives them. A number of more than ``most_digits`` digits is invalid: meters may send a very
    large number for an overload.
    """

    source: NumberField | Segments
    places: int | None = None
    scale: Decimal | None = None
    points: tuple[tuple[int, Bit], ...] = ()
    unit: str = ""
    coupling: Coupling | None = None
    most_digits: int | None = None
    rounding: Rounding = Rounding.HALF_EVEN


@dataclass(frozen=True, slots=True)
class Meaning:
    """The meaning of a code's number or of a lit annunciator; another meaning gives the fields left empty here.

    Two meanings with different values make the frame invalid. ``unit`` is a display unit; where another meaning gives
    the ``prefix`` (one of `UNIT_PREFIXES`), a unit without prefix. ``places`` and ``scale`` are those of `ValueFormat`.
    """

    unit: str = ""
    prefix: str = ""
    coupling: Coupling | None = None
    places: int | None = None
    scale: Decimal | None = None
    flag: Flag | None = None


@dataclass(frozen=True, slots=True)
class Code:
    """A field whose number means a function, range, unit or state. TOML ``[[code]]``: a location and these.

    ``meanings`` are ``(number, meaning)``; TOML ``[code.is]``, ``0x01 = { … }``. Any other number makes the frame
    invalid, unless ``otherwise`` gives its meaning (``{}``: none), TOML ``otherwise = { … }``.
    A range whose meaning depends on the function is one code with the ``bits`` of both.
    """

    location: FieldLocation
    meanings: tuple[tuple[int, Meaning], ...]
    otherwise: Meaning | None = None


@dataclass(frozen=True, slots=True)
class Checksum:
    """Check bytes. TOML ``[[frame.checksum]]``.

    They begin at ``at`` (negative: from the end) and cover the bytes from ``begin`` to before ``end`` (negative: from
    the end; None: up to the check bytes), TOML ``from`` and ``to``. With ``raw`` they cover the bytes as they came,
    before the key is removed. The result is ``size`` bytes wide and starts from ``init``; ``negate`` takes its two's
    complement (a sum that makes all bytes add up to 0), and ``xor_out`` is exclusive-ored last. For a CRC: ``width``
    bits (None: all of ``size``), ``polynomial`` without its highest term, ``init``, ``reflect_in``, ``reflect_out``,
    ``xor_out``, as catalogues of CRCs give them. With ``hex`` the check bytes are characters, two hexadecimal digits
    for each byte, the highest first. ``key`` is a byte exclusive-ored on every covered byte and on the check bytes
    before the computation: a key that the meter applied after its checksum.
    """

    kind: ChecksumKind
    at: int = -1
    size: int = 1
    order: ByteOrder = "little"
    begin: int = 0
    end: int | None = None
    raw: bool = False
    init: int = 0
    xor_out: int = 0
    negate: bool = False
    width: int | None = None
    polynomial: int = 0
    reflect_in: bool = False
    reflect_out: bool = False
    hex: bool = False
    key: int = 0

    @property
    def encoded_size(self) -> int:
        """The number of check bytes in the frame."""
        return 2 * self.size if self.hex else self.size


@dataclass(frozen=True, slots=True)
class LengthField:
    """A field with the length: the frame has ``add`` bytes more than its number.

    TOML: ``frame.length = { at = 1, size = 1, order = "little", add = 3 }``.
    """

    at: int
    size: int = 1
    order: ByteOrder = "little"
    add: int = 0


@dataclass(frozen=True, slots=True)
class FramePart:
    """A packet that is one part of every frame. TOML ``[[frame.part]]``.

    It has ``length`` bytes and comes from the characteristic of this number in ``notify`` (``channel``, from 0).
    ``marks`` are those of `Framing`, counted from the packet's first byte, but as they come, with their key.
    """

    length: int
    channel: int = 0
    marks: tuple[tuple[int, int], ...] = ()


@dataclass(frozen=True, slots=True)
class FrameTail:
    """The bytes from ``at`` on of the frames of ``length`` bytes. TOML ``[[frame.tail]]``, bytes in hexadecimal.

    Frames may have several lengths. Fields lie in the part that all of them have; the bytes behind it are compared with
    ``content``, in the bits that are set in ``mask``. Offsets and lengths are those of the frame without key and
    hexadecimal digits.
    """

    length: int
    at: int
    content: bytes
    mask: bytes


@dataclass(frozen=True, slots=True)
class PacketBeside:
    """A packet without a number, beside the frames, that tells a state. TOML ``[[frame.beside]]``, bytes hexadecimal.

    It has ``length`` bytes and comes from the characteristic of this number in ``notify`` (``channel``, from 0).
    ``marks`` are those of `Framing`, but of the packet as it comes. The bits that are set in ``mask`` are compared with
    ``content``: while the last such packet differs, the display has a state that the profile does not know.
    """

    length: int
    content: bytes
    mask: bytes
    channel: int = 0
    marks: tuple[tuple[int, int], ...] = ()


@dataclass(frozen=True, slots=True)
class Framing:
    """How frames are cut out of packets. TOML ``[frame]``; ``start``, ``end`` and ``key`` in hexadecimal.

    ``start`` and ``end`` are bytes as they come. ``length`` is the number of bytes of the whole frame, or the field
    that has it. Without ``length`` and ``end``, or with ``one_per_packet``, every packet is one frame; otherwise frames
    may be split over packets and joined in one. With ``hex`` every byte between ``start`` and ``end`` is sent as two
    hexadecimal digits, and offsets count these bytes. ``key`` is exclusive-ored repeatedly on the bytes from
    ``key_from`` on. ``longest`` is the limit of a frame (bytes). No two packets of a frame are more than ``pause``
    seconds apart.

    ``marks`` are ``(offset, byte)`` of the frames that are read, without their key (TOML ``[frame.marks]``, ``2 =
    0x41``); frames without them are of another kind and give no reading. Three keys say how frames come in packets; a
    frame that comes otherwise has lost a packet. With ``starts_packet`` a frame begins where a packet does, or directly
    behind another frame. ``packet_sizes`` are the bytes of a frame's packets in their order, of which the last number
    holds for all that follow; the last packet has the rest. With ``followed`` a frame counts when the next ``start``
    comes behind it.

    ``parts`` are two packets that together are one frame, in the order in which they come (TOML ``[[frame.part]]``):
    for example the number, and the range or unit that belongs to it. Two parts are a frame only if they come directly
    one behind the other, at most ``pause`` seconds apart, and if more than ``pause`` and at most ``rest`` seconds
    passed since the part before them. The part without the number stands on both sides of the number, and both must
    mean the same: so no lost packet can pair a number with the range of another one.

    With ``tails``, a frame is invalid if its length is that of none of them, or if its tail has another content.
    ``beside`` are packets of other kinds that tell a state: while one of them differs, every frame is invalid.
    With ``counted`` every frame has another content, because the meter counts them: a frame that equals the one before,
    over a second later, was sent again, and is invalid.
    """

    start: bytes = b""
    length: int | LengthField | None = None
    end: bytes = b""
    one_per_packet: bool = False
    longest: int = 256
    key: bytes = b""
    key_from: int = 0
    checksums: tuple[Checksum, ...] = ()
    pause: float = LONGEST_PAUSE
    starts_packet: bool = False
    packet_sizes: tuple[int, ...] = ()
    followed: bool = False
    marks: tuple[tuple[int, int], ...] = ()
    hex: bool = False
    parts: tuple[FramePart, ...] = ()
    rest: float = LONGEST_REST
    tails: tuple[FrameTail, ...] = ()
    beside: tuple[PacketBeside, ...] = ()
    counted: bool = False


@dataclass(frozen=True, slots=True)
class NumberForm:
    """How the value's number is written; a line with another form is invalid. TOML ``text.number = { … }``.

    ``sign``: "always" there, or "minus" at most. ``digits`` counts those before the exponent, ``exponent_digits`` those
    of the exponent (0: it has none); None: any. ``exponent_sign``: the exponent always has a sign.
    """

    sign: Literal["always", "minus"] | None = None
    digits: int | None = None
    exponent_digits: int | None = None
    exponent_sign: bool = False


@dataclass(frozen=True, slots=True)
class TextFormat:
    """How lines of text are read (driver ``lined``). TOML ``[text]``.

    A line ends with ``end``; where that is empty every packet is one line. It counts only behind the end of another
    line, and where no two of its packets are more than ``pause`` seconds apart. Blanks, commas, semicolons, colons,
    equals signs and the characters of ``separators`` separate words; with ``split_before_number`` so does the beginning
    of a number (``ACV+12.3``), except within words of ``words`` or ``ignore``. With ``decimal_comma``, a comma between
    two digits is the decimal point. ``value_number`` is the position of the value among the line's numbers (from 1). A
    line with any other count of numbers than ``number_count`` is invalid (None: any count), unless a word means that
    there is no value. A unit directly after a number, or as the next word, belongs to that number. ``words`` are
    ``(word, meaning)`` (TOML ``[text.words]``, ``ACV = { unit = "V", … }``; case matters); ``ignore`` are words without
    meaning; any other word must be a unit, AC or DC, or the line is invalid. ``unit`` and ``coupling`` apply where the
    line has none. ``longest`` is the limit of a line (bytes). ``checksums`` (TOML ``[[text.checksum]]``) cover a line
    without its end; check bytes are not words.

    A line that lost a part is refused: it comes in ``packets`` packets (None: any), and with ``continued`` its first
    byte comes in one packet with the end of the line before it.

    So is a line with words that were not shown. With ``known_words_only`` a word that is neither in ``words`` nor in
    ``ignore`` makes the line invalid, even if it is a unit. ``shapes`` are lines with ``value`` and ``number`` (any
    other one) in the place of numbers, and with ``unit`` (also a prefix), ``coupling`` (alone), ``flag`` and ``word``
    (without meaning) in the place of words, such as ``"word: value unit"``; a run of blanks is one blank, none at the
    ends (no shapes: any line). So a letter that is a function's in one place is no flag in another. ``unit_words`` are
    sets of words: a line is invalid unless its words with a unit or a prefix, apart from the units of other numbers,
    are one of them (no sets: any). So where ``FRQ`` and ``k`` together mean kHz, one alone means nothing.

    So is a line whose number may be another than the measured one. ``number`` is the form in which it is written.
    ``fixed_numbers`` are ``(position, text)`` of numbers beside the value that must be written so (TOML
    ``[text.fixed_numbers]``, ``3 = "000"``): another one may be a state. ``same_numbers`` are positions of numbers that
    must be written as the value's, which the line has more than once. ``lines_before`` are sequences of lines without a
    value, each as its words with single blanks, ``number`` for any number: a line with a value is invalid unless one of
    them came since the last such line (empty sequence: none came; no sequences: any). So behind a line ``HOLD`` that no
    sequence has, the number counts for nothing. With an empty sequence among them, and where lines come whole in
    packets, so do all numbers behind it, until a line of a sequence comes.
    """

    end: str = "\n"
    encoding: Literal["ascii", "utf-8", "latin-1"] = "utf-8"
    longest: int = 256
    value_number: int = 1
    number_count: int | None = None
    unit: str = ""
    coupling: Coupling | None = None
    separators: str = ""
    split_before_number: bool = False
    words: tuple[tuple[str, Meaning], ...] = ()
    ignore: tuple[str, ...] = ()
    checksums: tuple[Checksum, ...] = ()
    pause: float = LONGEST_PAUSE
    packets: int | None = None
    continued: bool = False
    shapes: tuple[str, ...] = ()
    number: NumberForm = NumberForm()
    known_words_only: bool = False
    fixed_numbers: tuple[tuple[int, str], ...] = ()
    decimal_comma: bool = False
    unit_words: tuple[tuple[str, ...], ...] = ()
    lines_before: tuple[tuple[str, ...], ...] = ()
    same_numbers: tuple[int, ...] = ()

    @property
    def known_words(self) -> frozenset[str]:
        """The words of ``words`` and of ``ignore``."""
        return frozenset(word for word, _ in self.words) | frozenset(self.ignore)


@dataclass(frozen=True, slots=True)
class Match:
    """How the meter is recognised on the air: every given condition must hold. TOML ``[match]``.

    ``name`` is a pattern with ``*`` and ``?``; case does not matter. ``services`` are UUIDs that the meter advertises
    or has; ``manufacturer`` is a company number of its manufacturer data. Without any condition the profile is used
    only where a ``[[meter]]`` of the settings names it.
    """

    name: str = ""
    services: tuple[str, ...] = ()
    manufacturer: int | None = None


@dataclass(frozen=True, slots=True)
class ConnectionWrite:
    """Bytes to write to the meter. TOML ``[[connection.write]]``: ``to`` (a characteristic UUID), ``hex`` and these.

    Written after subscribing: once, or again every ``every`` seconds (a keep-alive, a poll). ``response``: the meter
    acknowledges.
    """

    to: str
    data: bytes
    every: float = 0.0
    response: bool = False


@dataclass(frozen=True, slots=True)
class ConnectionSetup:
    """The sources of packets, and the writes. TOML ``[connection]``; ``writes`` is ``[[connection.write]]``.

    ``notify`` are characteristic UUIDs to subscribe to, ``read`` those to read every ``every`` seconds; ``service``,
    where given, is the service that has them. The packets of each characteristic are framed separately, except where
    frames have parts (`FramePart`).
    """

    notify: tuple[str, ...] = ()
    read: tuple[str, ...] = ()
    every: float = 1.0
    service: str = ""
    writes: tuple[ConnectionWrite, ...] = ()


@dataclass(frozen=True, slots=True)
class Profile:
    """All of one meter. ``framing`` and ``value`` are of drivers framed and segmented, ``text`` of lined.

    ``annunciators`` are ``(bit, meaning while lit)``; TOML ``[annunciators]``, ``"3.7" = { unit = "V" }``. ``note`` is
    for people.
    """

    name: str
    driver: DriverName
    connection: ConnectionSetup
    match: Match = field(default_factory=Match)
    framing: Framing | None = None
    value: ValueFormat | None = None
    codes: tuple[Code, ...] = ()
    annunciators: tuple[tuple[Bit, Meaning], ...] = ()
    text: TextFormat | None = None
    note: str = ""
