"""What a profile says: how a meter is recognised, spoken to, and how its packets are read. Nothing is done here.

The TOML keys are those of the attributes unless a class says otherwise. Offsets count bytes of a frame from 0, after
the key has been taken off. A bit is written ``"3.7"`` (byte 3, bit 7, where bit 0 has the value 1) and ``"!3.7"``
where it stands for the opposite; ``"3.7-4"`` in a list of bits is short for 3.7, 3.6, 3.5, 3.4.

A whole profile::

    profile = 1                     # VERSION
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
    [[frame.check]]
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

    [lit]
    "2.0" = { flag = "overload" }
    "2.1" = { flag = "low_battery" }
"""

import re
from dataclasses import dataclass, field
from decimal import Decimal
from enum import StrEnum
from typing import Literal

from meterlink.core.readings import Coupling

SCHEMA_VERSION = 1
"""The version of the schema; a profile of another one is refused."""

PROFILE_NAME = re.compile(r"[a-z0-9]+(?:-[a-z0-9]+)*")
"""What a profile may be called: lower-case letters, digits, hyphens."""

UNIT_PREFIXES = ("p", "n", "µ", "m", "k", "M")
"""The prefixes a `Meaning` may give."""

ByteOrder = Literal["little", "big"]


class DriverName(StrEnum):
    """Which engine reads the meter's packets."""

    FRAMED = "framed"  # binary frames that carry a number
    SEGMENTED = "segmented"  # binary frames that carry the segments of the display
    LINED = "lined"  # lines of text


class NumberType(StrEnum):
    """How a number is written in its bytes or bits."""

    UINT = "uint"
    INT = "int"  # two's complement
    SIGN_MAGNITUDE = "sign-magnitude"  # the highest bit is the sign
    BCD = "bcd"  # four bits a digit
    DIGIT_BYTES = "digit-bytes"  # one byte a digit, valued 0 to 9
    ASCII = "ascii"  # characters; blanks around, a sign and a point may be among them
    FLOAT32 = "float32"  # IEEE 754
    FLOAT64 = "float64"
    SFLOAT = "sfloat"  # IEEE 11073, 16 bits
    FLOAT = "float"  # IEEE 11073, 32 bits


class Flag(StrEnum):
    """What a code or a lit annunciator may say beside unit and scale."""

    OVERLOAD = "overload"
    INVALID = "invalid"  # the meter shows no value
    NO_NUMBER = "no_number"  # what is in the field is none: an overload where the field says so, else invalid
    NEGATIVE = "negative"
    HOLD = "hold"
    RELATIVE = "relative"
    LOW_BATTERY = "low_battery"


class ChecksumKind(StrEnum):
    """How check bytes are computed."""

    SUM = "sum"
    XOR = "xor"
    CRC = "crc"


@dataclass(frozen=True, slots=True, order=True)
class Bit:
    """One bit of a frame; ``inverted`` where 0 means yes. ``str()`` is what is written in TOML."""

    byte: int
    bit: int
    inverted: bool = False

    def __str__(self) -> str:
        return f"{'!' if self.inverted else ''}{self.byte}.{self.bit}"


class UnknownSegment(StrEnum):
    """A segment that has no bit; the value is what is written in TOML."""

    ABSENT = ""  # the display has no such segment there: always dark
    UNKNOWN = "?"  # nobody knows its bit: a digit is read where the others decide


@dataclass(frozen=True, slots=True)
class CandidateSegment:
    """A segment whose bit is one of a pool, nobody knows which; ``inverted`` where a bit of the pool lights it dark.

    Of the segments of a pool as many are lit (dark, where inverted) as bits of it are. ``str()`` is what is written in
    TOML: ``*0``, ``!*1``.
    """

    pool: int
    inverted: bool = False

    def __str__(self) -> str:
        return f"{'!' if self.inverted else ''}*{self.pool}"


@dataclass(frozen=True, slots=True)
class FieldLocation:
    """Where an unsigned number lies: ``size`` bytes at ``at`` in ``order``, or ``bits``, highest first.

    In TOML its keys stand among those of the table that has a place: ``at``, ``size`` (1), ``order`` ("little"), or
    ``bits``. In order "little" the lowest byte, or the last digit, comes first; ASCII is read as it stands, always.
    """

    at: int = 0
    size: int = 1
    order: ByteOrder = "little"
    bits: tuple[Bit, ...] = ()


@dataclass(frozen=True, slots=True)
class NumberField:
    """A number in a frame (driver ``framed``). TOML ``[value]``: ``type``, the place's keys, and these.

    ``overload`` and ``invalid`` are contents of the field, taken as an unsigned number, that stand for no number;
    a magnitude above ``overload_above`` (before scaling) is an overload.
    """

    type: NumberType
    location: FieldLocation
    overload: tuple[int, ...] = ()
    invalid: tuple[int, ...] = ()
    overload_above: int | None = None


Segment = Bit | CandidateSegment | UnknownSegment
"""What is known of the bit of one segment."""


@dataclass(frozen=True, slots=True)
class Segments:
    """The digits of a display (driver ``segmented``), leftmost first. TOML ``[value]``: ``type = "segments"``.

    Each digit is seven segments in the order a, b, c, d, e, f, g. TOML: ``digits = [["3.0", "3.1", …], …]``.
    ``glyphs`` adds to the known shapes or replaces them: shape (bit 0 = a … bit 6 = g) and what it means, a digit,
    a minus, a blank or a letter. TOML: ``[value.glyphs]``, ``0x7c = "6"``.
    ``pools`` are bits that `Pooled` segments share. TOML: ``pools = [["3.0", "!3.4"], …]``. A pool of as many bits as
    segments helps to tell a digit. One of more bits, such as all that never changed, only confirms it: digits are told
    by their other segments, and as many of its bits must be lit as those digits ask for.
    """

    digits: tuple[tuple[Segment, ...], ...]
    glyphs: tuple[tuple[int, str], ...] = ()
    pools: tuple[tuple[Bit, ...], ...] = ()


@dataclass(frozen=True, slots=True)
class ValueFormat:
    """The number on the display. TOML ``[value]``.

    ``places`` is how many decimals the display shows, ``scale`` what the number in the frame is multiplied with to
    get what is displayed; either may come from a `Meaning` instead, which stands above these. Without a ``scale`` an
    integer is divided by 10 to the ``places``; any other number is left as it is and rounded to the ``places``, half
    to even. ``points`` are the bits of the decimal points, by the number of digits behind them; none lit is none.
    TOML: ``[value.points]``, ``1 = "3.7"``, ``2 = "4.7"``. At most one of ``places`` and ``points`` is given.
    ``unit`` is the display unit, and ``coupling`` AC or DC, where neither code nor annunciator says another.
    A number of more than ``most_digits`` is none: what stands for an overload in the field of a number may be one.
    """

    source: NumberField | Segments
    places: int | None = None
    scale: Decimal | None = None
    points: tuple[tuple[int, Bit], ...] = ()
    unit: str = ""
    coupling: Coupling | None = None
    most_digits: int | None = None


@dataclass(frozen=True, slots=True)
class Meaning:
    """What a code's number or a lit annunciator says; whatever it leaves out is said by another.

    Two that say different things of one frame make it invalid. ``unit`` is a display unit, or, where another says the
    ``prefix`` (one of `PREFIXES`), what stands behind it. ``places`` and ``scale`` are those of `Value`.
    """

    unit: str = ""
    prefix: str = ""
    coupling: Coupling | None = None
    places: int | None = None
    scale: Decimal | None = None
    flag: Flag | None = None


@dataclass(frozen=True, slots=True)
class Code:
    """A field whose number says something: function, range, unit, state. TOML ``[[code]]``: the place's keys and these.

    ``meanings`` by number; TOML ``[code.is]``, ``0x01 = { … }``. Any other number makes the frame invalid, unless
    there is ``otherwise`` (``{}`` says nothing), TOML ``otherwise = { … }``.
    A range whose meaning depends on the function is one code whose ``bits`` are those of both.
    """

    location: FieldLocation
    meanings: tuple[tuple[int, Meaning], ...]
    otherwise: Meaning | None = None


@dataclass(frozen=True, slots=True)
class Checksum:
    """Check bytes. TOML ``[[frame.check]]``.

    They stand at ``at`` (negative: from the end) and cover the bytes from ``begin`` to before ``end`` (negative: from
    the end; None: up to the check bytes). ``raw`` is whether they cover the bytes as they came, before the key.
    The result is ``size`` bytes wide; it starts from ``init`` and ends with ``xor_out`` exclusive-ored; ``negate``
    takes the two's complement of it (a sum that makes all bytes add up to 0). TOML ``from`` and ``to`` are ``begin``
    and ``end``. For a CRC: ``width`` bits (None: all of ``size``), ``polynomial`` without its highest term, ``init``,
    ``reflect_in``, ``reflect_out``, ``xor_out``, as catalogues of CRCs give them.
    With ``hex`` it stands there as characters, two hexadecimal digits for each byte, the highest first. ``key`` is
    exclusive-ored on every byte that it covers, and on its own, before anything is computed: a key that was put on the
    frame after its check.
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
        """How many bytes it takes up in the frame."""
        return 2 * self.size if self.hex else self.size


@dataclass(frozen=True, slots=True)
class LengthField:
    """A field that tells the length: the frame has ``add`` bytes more than it says.

    TOML: ``frame.length = { at = 1, size = 1, order = "little", add = 3 }``.
    """

    at: int
    size: int = 1
    order: ByteOrder = "little"
    add: int = 0


@dataclass(frozen=True, slots=True)
class Framing:
    """How frames are cut out of packets. TOML ``[frame]``; ``start``, ``end`` and ``key`` in hexadecimal.

    ``start`` and ``end`` are bytes as they come. ``length`` is bytes in all, or a field that tells it. Without
    ``length`` and ``end``, or with ``whole``, every packet is one frame; else frames may be split over packets and
    joined in one. ``key`` is exclusive-ored over and over on the bytes from ``key_from`` on.
    ``longest`` bounds a frame (bytes).
    """

    start: bytes = b""
    length: int | LengthField | None = None
    end: bytes = b""
    one_per_packet: bool = False
    longest: int = 256
    key: bytes = b""
    key_from: int = 0
    checksums: tuple[Checksum, ...] = ()


@dataclass(frozen=True, slots=True)
class TextFormat:
    """How lines of text are read (driver ``lined``). TOML ``[text]``.

    A line ends with ``end``; where that is empty every packet is one line. The words of a line are parted by blanks,
    commas, semicolons, colons, equals signs and the characters of ``separators``; with ``glued`` also where a number
    follows a word at once (``ACV+12.3``), unless that is among ``words`` or ``ignore``. ``number`` says which of its
    numbers (from 1) is the value; a line that has not ``numbers`` of them is invalid (None: any count), unless a word
    says that there is no value. A unit may follow a number at once or as the next word, and is then that number's.
    ``words`` gives words their meaning (TOML ``[text.words]``, ``ACV = { unit = "V", … }``; letters count as written);
    ``ignore`` are words to pass over; any other word must be a unit, AC or DC, or the line is invalid. ``unit`` and
    ``coupling`` are those of the number where the line names none. ``longest`` bounds a line (bytes). ``checks`` (TOML
    ``[[text.check]]``) are over a line without its end; they are no words of it.
    """

    end: str = "\n"
    encoding: Literal["ascii", "utf-8"] = "utf-8"
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


@dataclass(frozen=True, slots=True)
class Match:
    """How the meter is recognised on the air; all that is given must hold. TOML ``[match]``.

    ``name`` is a pattern with ``*`` and ``?``, capitals and small letters alike; ``services`` are UUIDs that it
    advertises or has; ``manufacturer`` a company number of its manufacturer data. With nothing given the profile is
    used only where a ``[[meter]]`` of the settings names it.
    """

    name: str = ""
    services: tuple[str, ...] = ()
    manufacturer: int | None = None


@dataclass(frozen=True, slots=True)
class ConnectionWrite:
    """Bytes the meter wants. TOML ``[[connection.write]]``: ``to``, ``hex`` and these.

    Written once after subscribing, or every ``every`` seconds (a keep-alive, a poll); ``response`` is whether the
    meter acknowledges.
    """

    to: str
    data: bytes
    every: float = 0.0
    response: bool = False


@dataclass(frozen=True, slots=True)
class ConnectionSetup:
    """Where packets come from and what must be written. TOML ``[connection]``; ``writes`` is ``[[connection.write]]``.

    ``notify`` and ``read`` are characteristic UUIDs, to subscribe to or to read every ``every`` seconds; ``service``,
    where given, is the service they are in. With several, packets of each are framed apart.
    """

    notify: tuple[str, ...] = ()
    read: tuple[str, ...] = ()
    every: float = 1.0
    service: str = ""
    writes: tuple[ConnectionWrite, ...] = ()


@dataclass(frozen=True, slots=True)
class Profile:
    """All of one meter. ``framing`` and ``value`` are of drivers framed and segmented, ``text`` of lined.

    ``lit`` are bits that say something while they are lit; TOML ``[lit]``, ``"3.7" = { unit = "V" }``.
    ``note`` is for people.
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
