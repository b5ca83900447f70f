"""Writing profiles: TOML that reads back equal, without the keys that have their defaults."""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from enum import StrEnum
from typing import Any

from meterlink.profiles.model import (
    LONGEST_PAUSE,
    LONGEST_REST,
    SCHEMA_VERSION,
    Checksum,
    Code,
    ConnectionSetup,
    FieldLocation,
    Framing,
    LengthField,
    Meaning,
    NumberField,
    NumberForm,
    Profile,
    Rounding,
    Segment,
    Segments,
    TextFormat,
    UnknownSegment,
    ValueFormat,
)

Pairs = Iterable[tuple[str, Any]]

_ESCAPES = {"\\": "\\\\", '"': '\\"', "\n": "\\n", "\r": "\\r", "\t": "\\t"}
_NO_DEFAULT_SIZE = object()


@dataclass(frozen=True, slots=True)
class TableComments:
    """The comments of one table of a profile's TOML: ``above`` its header, and by key at the end of its ``lines``."""

    above: tuple[str, ...] = ()
    lines: Mapping[str, str] = field(default_factory=dict)


_NO_COMMENTS = TableComments()


@dataclass(frozen=True, slots=True)
class ProfileComments:
    """Comments for the TOML of a profile; the texts are printable and have no ``#``.

    The fields are the profile's tables; ``head`` stands above the first line. ``codes`` has one item for each code of
    the profile, or none at all; its ``lines`` are those of ``[code.is]``.
    """

    head: TableComments = _NO_COMMENTS
    frame: TableComments = _NO_COMMENTS
    beside: TableComments = _NO_COMMENTS
    checksum: TableComments = _NO_COMMENTS
    value: TableComments = _NO_COMMENTS
    points: TableComments = _NO_COMMENTS
    codes: tuple[TableComments, ...] = ()
    annunciators: TableComments = _NO_COMMENTS
    text: TableComments = _NO_COMMENTS
    words: TableComments = _NO_COMMENTS


def write_profile(profile: Profile, comments: ProfileComments | None = None) -> str:
    """Return the TOML text of a profile; `check_profile` reads an equal profile from it."""
    comments = comments or ProfileComments()
    blocks = [
        _block(
            "",
            [("profile", SCHEMA_VERSION), ("name", profile.name), ("driver", profile.driver), ("note", profile.note)],
            comments.head,
        ),
        _block(
            "[match]",
            [
                ("name", profile.match.name),
                ("services", profile.match.services),
                ("manufacturer", profile.match.manufacturer),
            ],
        ),
        *_connection(profile.connection),
    ]
    if profile.text is not None:
        blocks += _text(profile.text, comments)
    if profile.framing is not None:
        blocks += _framing(profile.framing, comments)
    if profile.value is not None:
        blocks += _value(profile.value, comments)
    for place, code in enumerate(profile.codes):
        blocks += _code(code, comments.codes[place] if comments.codes else _NO_COMMENTS)
    annunciators = [(quoted(str(bit)), _inline_meaning(meaning)) for bit, meaning in profile.annunciators]
    blocks.append(_block("[annunciators]", annunciators, comments.annunciators))
    return "\n".join(block for block in blocks if block)


def _connection(connection: ConnectionSetup) -> Iterator[str]:
    yield _block(
        "[connection]",
        [
            ("service", connection.service),
            ("notify", connection.notify),
            ("read", connection.read),
            ("every", Decimal(repr(connection.every)) if connection.every != 1.0 else None),
        ],
    )
    for write in connection.writes:
        yield _block(
            "[[connection.write]]",
            [
                ("to", write.to),
                ("hex", write.data.hex(" ")),
                ("every", Decimal(repr(write.every)) if write.every else None),
                ("response", write.response),
            ],
        )


def _framing(framing: Framing, comments: ProfileComments) -> Iterator[str]:
    length: Any = framing.length
    if isinstance(length, LengthField):
        length = _Inline(
            [
                ("at", length.at),
                ("size", _unless_default(length.size, 1)),
                ("order", _unless_default(length.order, "little")),
                ("add", _unless_default(length.add, 0)),
            ]
        )
    yield _block(
        "[frame]",
        [
            ("start", framing.start.hex(" ")),
            ("length", length),
            ("end", framing.end.hex(" ")),
            ("one_per_packet", framing.one_per_packet),
            ("longest", _unless_default(framing.longest, 256)),
            ("hex", framing.hex),
            ("key", framing.key.hex(" ")),
            ("key_from", _unless_default(framing.key_from, 0)),
            ("pause", _pause(framing.pause)),
            ("rest", _unless_default(framing.rest, LONGEST_REST) and Decimal(repr(framing.rest))),
            ("starts_packet", framing.starts_packet),
            ("packet_sizes", framing.packet_sizes),
            ("followed", framing.followed),
            ("marks", _marks(framing.marks)),
            ("counted", framing.counted),
        ],
        comments.frame,
    )
    for part in framing.parts:
        yield _block(
            "[[frame.part]]",
            [
                ("length", part.length),
                ("channel", _unless_default(part.channel, 0)),
                ("marks", _marks(part.marks)),
            ],
        )
    for tail in framing.tails:
        yield _block(
            "[[frame.tail]]",
            [
                ("length", tail.length),
                ("at", tail.at),
                ("content", tail.content.hex(" ")),
                ("mask", tail.mask.hex(" ")),
            ],
        )
    for beside in framing.beside:
        yield _block(
            "[[frame.beside]]",
            [
                ("length", beside.length),
                ("channel", _unless_default(beside.channel, 0)),
                ("marks", _marks(beside.marks)),
                ("content", beside.content.hex(" ")),
                ("mask", beside.mask.hex(" ")),
            ],
            comments.beside,
        )
    for checksum in framing.checksums:
        yield _checksum(checksum, "[[frame.checksum]]", comments.checksum)


def _marks(marks: Iterable[tuple[int, int]]) -> "_Inline | None":
    return _Inline((str(at), _Hexadecimal(byte)) for at, byte in marks) or None


def _checksum(checksum: Checksum, header: str, comments: TableComments) -> str:
    return _block(
        header,
        [
            ("kind", checksum.kind),
            ("at", checksum.at),
            ("size", _unless_default(checksum.size, 1)),
            ("order", _unless_default(checksum.order, "little")),
            ("from", _unless_default(checksum.begin, 0)),
            ("to", checksum.end),
            ("hex", checksum.hex),
            ("key", _Hexadecimal(checksum.key) if checksum.key else None),
            ("raw", checksum.raw),
            ("negate", checksum.negate),
            ("width", checksum.width),
            ("polynomial", _Hexadecimal(checksum.polynomial) if checksum.polynomial else None),
            ("init", _Hexadecimal(checksum.init) if checksum.init else None),
            ("reflect_in", checksum.reflect_in),
            ("reflect_out", checksum.reflect_out),
            ("xor_out", _Hexadecimal(checksum.xor_out) if checksum.xor_out else None),
        ],
        comments,
    )


def _location(location: FieldLocation, size: int | object = _NO_DEFAULT_SIZE) -> Pairs:
    if location.bits:
        return [("bits", [str(bit) for bit in location.bits])]
    return [
        ("at", location.at),
        ("size", _unless_default(location.size, size)),
        ("order", _unless_default(location.order, "little")),
    ]


def _value(value: ValueFormat, comments: ProfileComments) -> Iterator[str]:
    format_pairs: list[tuple[str, Any]] = [("places", value.places), ("scale", value.scale), ("unit", value.unit)]
    format_pairs += [("coupling", value.coupling), ("most_digits", value.most_digits)]
    format_pairs.append(("rounding", _unless_default(value.rounding, Rounding.HALF_EVEN)))
    match value.source:
        case NumberField(type=number_type, location=location) as number:
            special = [
                ("overload", [_Hexadecimal(content) for content in number.overload]),
                ("invalid", [_Hexadecimal(content) for content in number.invalid]),
                ("overload_above", number.overload_above),
            ]
            pairs: list[tuple[str, Any]] = [("type", number_type), *_location(location), *special, *format_pairs]
            yield _block("[value]", pairs, comments.value)
            yield _block("[value.characters]", [(f"0x{byte:02x}", character) for byte, character in number.characters])
        case Segments(digits=digits, glyphs=glyphs, pools=pools):
            lists = [[_segment_text(segment) for segment in digit] for digit in digits]
            pool_lists = _Lines([str(bit) for bit in pool] for pool in pools)
            pairs = [("type", "segments"), ("digits", _Lines(lists)), ("pools", pool_lists), *format_pairs]
            yield _block("[value]", pairs, comments.value)
            yield _block("[value.glyphs]", [(f"0x{shape:02x}", meaning) for shape, meaning in glyphs])
    yield _block("[value.points]", [(str(places), str(bit)) for places, bit in value.points], comments.points)


def _code(code: Code, comments: TableComments) -> Iterator[str]:
    otherwise = None if code.otherwise is None else _inline_meaning(code.otherwise)
    pairs = [*_location(code.location, 1), ("otherwise", otherwise)]
    yield _block("[[code]]", pairs, TableComments(comments.above))
    rows = [(code_key(code, number), _inline_meaning(meaning)) for number, meaning in code.meanings]
    yield _block("[code.is]", rows, TableComments(lines=comments.lines), even_empty=True)


def code_key(code: Code, number: int) -> str:
    """Return the key of a code's ``number`` in ``[code.is]``: ``0x1f``, as wide as the code's field."""
    width = 2 * code.location.size if not code.location.bits else (len(code.location.bits) + 3) // 4
    return f"0x{number:0{width}x}"


def _text(text: TextFormat, comments: ProfileComments) -> Iterator[str]:
    yield _block(
        "[text]",
        [
            ("end", text.end or _EmptyString()),
            ("pause", _pause(text.pause)),
            ("encoding", _unless_default(text.encoding, "utf-8")),
            ("longest", _unless_default(text.longest, 256)),
            ("value_number", _unless_default(text.value_number, 1)),
            ("number_count", text.number_count),
            ("unit", text.unit),
            ("coupling", text.coupling),
            ("separators", text.separators),
            ("split_before_number", text.split_before_number),
            ("decimal_comma", text.decimal_comma),
            ("ignore", text.ignore),
            ("unit_words", _Lines(map(list, text.unit_words))),
            ("packets", text.packets),
            ("continued", text.continued),
            ("shapes", text.shapes),
            ("number", _number_form(text.number)),
            ("same_numbers", text.same_numbers),
            ("known_words_only", text.known_words_only),
            ("lines_before", text.lines_before),
        ],
        comments.text,
    )
    yield _block("[text.fixed_numbers]", [(str(position), number) for position, number in text.fixed_numbers])
    for checksum in text.checksums:
        yield _checksum(checksum, "[[text.checksum]]", comments.checksum)
    words = [(quoted(word), _inline_meaning(meaning)) for word, meaning in text.words]
    yield _block("[text.words]", words, comments.words)


def _pause(seconds: float) -> Decimal | None:
    return Decimal(repr(seconds)) if seconds != LONGEST_PAUSE else None


def _number_form(form: NumberForm) -> Any:
    if form == NumberForm():
        return None
    return _Inline(
        [
            ("sign", form.sign),
            ("digits", form.digits),
            ("exponent_digits", form.exponent_digits),
            ("exponent_sign", form.exponent_sign),
        ]
    )


def _segment_text(segment: Segment) -> str:
    return segment.value if isinstance(segment, UnknownSegment) else str(segment)


class _Inline(list[tuple[str, Any]]):
    """An inline table; it is written even when empty."""


class _Lines(list[list[str]]):
    """A list with one item a line."""


class _Hexadecimal(int):
    """A number written in hexadecimal."""


class _EmptyString:
    """An empty text that must be written because it is not the default."""


def _inline_meaning(meaning: Meaning) -> _Inline:
    return _Inline(
        [
            ("unit", meaning.unit),
            ("prefix", meaning.prefix),
            ("coupling", meaning.coupling),
            ("places", meaning.places),
            ("scale", meaning.scale),
            ("flag", meaning.flag),
        ]
    )


def _unless_default(value: Any, default: Any) -> Any:
    return None if value == default else value


def _block(header: str, pairs: Pairs, comments: TableComments = _NO_COMMENTS, *, even_empty: bool = False) -> str:
    """Return the lines of a table; nothing for a table without keys, unless ``even_empty``."""
    lines = []
    for key, value in _present_pairs(pairs):
        comment = f"  # {comments.lines[key]}" if key in comments.lines else ""
        lines.append(f"{key} = {_literal(value)}{comment}")
    if not lines and not even_empty and not header.startswith("[["):
        return ""
    above = [f"# {comment}" for comment in comments.above]
    return "\n".join([*above, header, *lines] if header else [*above, *lines]) + "\n"


def _present_pairs(pairs: Pairs) -> Iterator[tuple[str, Any]]:
    """Leave out None, false, and empty texts and lists."""
    for key, value in pairs:
        if isinstance(value, _Inline) or not (value is None or value is False or value in ("", (), [])):
            yield key, value


def _literal(value: Any) -> str:
    match value:
        case True:
            return "true"
        case _Hexadecimal():
            return f"0x{value:02x}"
        case int():
            return str(value)
        case Decimal():
            return str(value).lower()
        case _EmptyString():
            return '""'
        case str():
            return quoted(value.value if isinstance(value, StrEnum) else value)
        case _Inline():
            inner = ", ".join(f"{key} = {_literal(item)}" for key, item in _present_pairs(value))
            return f"{{ {inner} }}" if inner else "{}"
        case _Lines():
            return "[\n" + "".join(f"    {_literal(item)},\n" for item in value) + "]"
        case list() | tuple():
            return f"[{', '.join(_literal(item) for item in value)}]"
    raise TypeError(f"{value!r} has no TOML form")


def quoted(text: str) -> str:
    """Return ``text`` as a TOML string, which is also its form as a key."""
    return '"' + "".join(_escaped(char) for char in text) + '"'


def _escaped(char: str) -> str:
    if char in _ESCAPES:
        return _ESCAPES[char]
    return f"\\u{ord(char):04x}" if ord(char) < 0x20 or ord(char) == 0x7F else char
