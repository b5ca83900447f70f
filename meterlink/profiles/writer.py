"""Writing profiles: TOML that reads back equal. What is the default is left out."""

from collections.abc import Iterable, Iterator
from decimal import Decimal
from enum import StrEnum
from typing import Any

from meterlink.profiles.model import (
    SCHEMA_VERSION,
    Checksum,
    Code,
    ConnectionSetup,
    FieldLocation,
    Framing,
    LengthField,
    Meaning,
    NumberField,
    Profile,
    Segments,
    TextFormat,
    UnknownSegment,
    ValueFormat,
)

Pairs = Iterable[tuple[str, Any]]

_ESCAPES = {"\\": "\\\\", '"': '\\"', "\n": "\\n", "\r": "\\r", "\t": "\\t"}
_NO_DEFAULT_SIZE = object()


def write_profile(profile: Profile) -> str:
    """Return the TOML text of a profile; `check_profile` reads an equal profile from it."""
    blocks = [
        _block(
            "",
            [("profile", SCHEMA_VERSION), ("name", profile.name), ("driver", profile.driver), ("note", profile.note)],
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
        blocks += _text(profile.text)
    if profile.framing is not None:
        blocks += _framing(profile.framing)
    if profile.value is not None:
        blocks += _value(profile.value)
    for code in profile.codes:
        blocks += _code(code)
    blocks.append(_block("[lit]", [(_quoted(str(bit)), _inline_meaning(one)) for bit, one in profile.annunciators]))
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


def _framing(framing: Framing) -> Iterator[str]:
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
            ("whole", framing.one_per_packet),
            ("longest", _unless_default(framing.longest, 256)),
            ("key", framing.key.hex(" ")),
            ("key_from", _unless_default(framing.key_from, 0)),
        ],
    )
    for check in framing.checksums:
        yield _checksum(check, "[[frame.check]]")


def _checksum(check: Checksum, header: str) -> str:
    return _block(
        header,
        [
            ("kind", check.kind),
            ("at", check.at),
            ("size", _unless_default(check.size, 1)),
            ("order", _unless_default(check.order, "little")),
            ("from", _unless_default(check.begin, 0)),
            ("to", check.end),
            ("hex", check.hex),
            ("key", _Hexadecimal(check.key) if check.key else None),
            ("raw", check.raw),
            ("negate", check.negate),
            ("width", check.width),
            ("polynomial", _Hexadecimal(check.polynomial) if check.polynomial else None),
            ("init", _Hexadecimal(check.init) if check.init else None),
            ("reflect_in", check.reflect_in),
            ("reflect_out", check.reflect_out),
            ("xor_out", _Hexadecimal(check.xor_out) if check.xor_out else None),
        ],
    )


def _location(location: FieldLocation, size: int | object = _NO_DEFAULT_SIZE) -> Pairs:
    if location.bits:
        return [("bits", [str(bit) for bit in location.bits])]
    return [
        ("at", location.at),
        ("size", _unless_default(location.size, size)),
        ("order", _unless_default(location.order, "little")),
    ]


def _value(value: ValueFormat) -> Iterator[str]:
    rest: list[tuple[str, Any]] = [("places", value.places), ("scale", value.scale), ("unit", value.unit)]
    rest += [("coupling", value.coupling), ("most_digits", value.most_digits)]
    match value.source:
        case NumberField(type=kind, location=place) as number:
            special = [
                ("overload", [_Hexadecimal(one) for one in number.overload]),
                ("invalid", [_Hexadecimal(one) for one in number.invalid]),
                ("overload_above", number.overload_above),
            ]
            yield _block("[value]", [("type", kind), *_location(place), *special, *rest])
        case Segments(digits=digits, glyphs=glyphs, pools=pools):
            lists = [[one.value if isinstance(one, UnknownSegment) else str(one) for one in digit] for digit in digits]
            shared = _Lines([str(bit) for bit in pool] for pool in pools)
            yield _block("[value]", [("type", "segments"), ("digits", _Lines(lists)), ("pools", shared), *rest])
            yield _block("[value.glyphs]", [(f"0x{shape:02x}", meaning) for shape, meaning in glyphs])
    yield _block("[value.points]", [(str(places), str(bit)) for places, bit in value.points])


def _code(code: Code) -> Iterator[str]:
    otherwise = None if code.otherwise is None else _inline_meaning(code.otherwise)
    yield _block("[[code]]", [*_location(code.location, 1), ("otherwise", otherwise)])
    width = 2 * code.location.size if not code.location.bits else (len(code.location.bits) + 3) // 4
    rows = [(f"0x{number:0{width}x}", _inline_meaning(meaning)) for number, meaning in code.meanings]
    yield _block("[code.is]", rows, even_empty=True)


def _text(text: TextFormat) -> Iterator[str]:
    yield _block(
        "[text]",
        [
            ("end", text.end or _EmptyString()),
            ("encoding", _unless_default(text.encoding, "utf-8")),
            ("longest", _unless_default(text.longest, 256)),
            ("number", _unless_default(text.value_number, 1)),
            ("numbers", text.number_count),
            ("unit", text.unit),
            ("coupling", text.coupling),
            ("separators", text.separators),
            ("glued", text.split_before_number),
            ("ignore", text.ignore),
        ],
    )
    for check in text.checksums:
        yield _checksum(check, "[[text.check]]")
    yield _block("[text.words]", [(_quoted(word), _inline_meaning(meaning)) for word, meaning in text.words])


class _Inline(list[tuple[str, Any]]):
    """An inline table; empty is a value of its own."""


class _Lines(list[list[str]]):
    """A list whose items stand on a line each."""


class _Hexadecimal(int):
    """A number better read in hexadecimal."""


class _EmptyString:
    """A text that is empty, and not for want of one."""


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


def _block(header: str, pairs: Pairs, *, even_empty: bool = False) -> str:
    """Return a table's lines; nothing for one without any, unless ``even_empty``."""
    lines = [f"{key} = {_literal(value)}" for key, value in _present_pairs(pairs)]
    if not lines and not even_empty and not header.startswith("[["):
        return ""
    return "\n".join([header, *lines] if header else lines) + "\n"


def _present_pairs(pairs: Pairs) -> Iterator[tuple[str, Any]]:
    """Leave out what is not there: None, false, an empty text or list."""
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
            return _quoted(value.value if isinstance(value, StrEnum) else value)
        case _Inline():
            inner = ", ".join(f"{key} = {_literal(one)}" for key, one in _present_pairs(value))
            return f"{{ {inner} }}" if inner else "{}"
        case _Lines():
            return "[\n" + "".join(f"    {_literal(one)},\n" for one in value) + "]"
        case list() | tuple():
            return f"[{', '.join(_literal(one) for one in value)}]"
    raise TypeError(f"{value!r} has no TOML form")


def _quoted(text: str) -> str:
    return '"' + "".join(_escaped(char) for char in text) + '"'


def _escaped(char: str) -> str:
    if char in _ESCAPES:
        return _ESCAPES[char]
    return f"\\u{ord(char):04x}" if ord(char) < 0x20 or ord(char) == 0x7F else char
