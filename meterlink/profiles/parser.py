"""Reading profiles: TOML in, a `Profile` or all its problems out, line by line."""

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from enum import StrEnum
from typing import Any

from meterlink.core.errors import InputError, ProfileError
from meterlink.core.readings import Coupling
from meterlink.core.text import clean_text
from meterlink.core.units import parse_unit_word
from meterlink.profiles.model import (
    LONGEST_PROFILE_NAME,
    PROFILE_NAME,
    SCHEMA_VERSION,
    UNIT_PREFIXES,
    Bit,
    ByteOrder,
    CandidateSegment,
    Checksum,
    ChecksumKind,
    Code,
    ConnectionSetup,
    ConnectionWrite,
    DriverName,
    FieldLocation,
    Flag,
    Framing,
    LengthField,
    Match,
    Meaning,
    NumberField,
    NumberType,
    Profile,
    Segment,
    Segments,
    TextFormat,
    UnknownSegment,
    ValueFormat,
)
from meterlink.profiles.tables import LARGEST_OFFSET, LONGEST_FRAME, LONGEST_NOTE, TomlTable, parse_bit, parse_code
from meterlink.tomlfile.documents import parse_document
from meterlink.tomlfile.positions import TomlPath
from meterlink.tomlfile.problems import PathProblem, Problem, nearest_position, quote_value

_MOST_PLACES = 12
_MOST_DIGITS = 12  # of a display
_MOST_SEPARATORS = 16
_LARGEST_NUMBER = (1 << 64) - 1
_SEGMENTS_PER_DIGIT = 7
_CANDIDATE_SEGMENT = re.compile(r"(!?)\*([0-9]{1,2})")

# Bytes of a number: (default, maximum).
_NUMBER_SIZES: dict[NumberType, tuple[int, int]] = {
    NumberType.UINT: (1, 8),
    NumberType.INT: (2, 8),
    NumberType.SIGN_MAGNITUDE: (2, 8),
    NumberType.BCD: (2, 8),
    NumberType.DIGIT_BYTES: (4, 12),
    NumberType.ASCII: (6, 24),
    NumberType.FLOAT32: (4, 4),
    NumberType.FLOAT64: (8, 8),
    NumberType.SFLOAT: (2, 2),
    NumberType.FLOAT: (4, 4),
}
_BIT_FIELD_TYPES = frozenset({NumberType.UINT, NumberType.INT, NumberType.SIGN_MAGNITUDE, NumberType.BCD})


class _ByteOrder(StrEnum):
    little = "little"
    big = "big"


class _Encoding(StrEnum):
    ascii = "ascii"
    utf8 = "utf-8"


@dataclass(frozen=True, slots=True)
class CheckedProfile:
    """A profile (None where there are problems), and the problems in the order of the file."""

    profile: Profile | None
    problems: tuple[Problem, ...]


def parse_profile(text: str, source: str) -> Profile:
    """Return the profile in ``text``, which was read from ``source``.

    Raises:
        ProfileError: the text is no profile; the message begins with source, line and column of the first problem.
    """
    checked = check_profile(text)
    if checked.profile is None:
        first, *others = checked.problems
        more = f" `meterlink profile check` lists {len(others)} more." if others else ""
        at = f"{source}:{first.position.line}:{first.position.column}: " + (
            f"{first.location}: " if first.location else ""
        )
        raise ProfileError(f"{at}{first.message}", f"{first.remedy}{more}")
    return checked.profile


def check_profile(text: str) -> CheckedProfile:
    """Return the profile in ``text``, or all its problems."""
    document = parse_document(text, parse_float=Decimal)
    if isinstance(document, Problem):
        return CheckedProfile(None, (document,))
    parser = ProfileParser(document.table)
    profile = parser.parse()
    problems = [
        Problem(
            nearest_position(document.positions, problem.path),
            _describe_path(problem.path),
            problem.message,
            problem.remedy,
        )
        for problem in parser.problems
    ]
    unique = dict.fromkeys(sorted(problems, key=lambda problem: problem.position))
    return CheckedProfile(None if unique else profile, tuple(unique))


def _describe_path(path: TomlPath) -> str:
    """Return a path in words: ``frame.checksum 2, at``, counted from 1."""
    words: list[str] = []
    for part, before in zip(path, ("", *path), strict=False):
        if isinstance(part, str):
            words.append(clean_text(part))
        else:
            words[-1] += f"{'.' if isinstance(before, int) else ' '}{part + 1}"
    return ".".join(words[:-1]) + (", " if len(words) > 1 else "") + words[-1] if words else ""


class ProfileParser:
    """Parses a profile's table, once; the profile is usable only where ``problems`` stays empty."""

    def __init__(self, entry: Mapping[str, Any]) -> None:
        self.problems: list[PathProblem] = []
        self._top = TomlTable(entry, (), self.problems)
        self._bytes_used: list[tuple[int, TomlPath]] = []  # (offset, path of the key that needs it)

    def parse(self) -> Profile:
        """Return the profile, with defaults where a key is wrong; `problems` lists them."""
        top = self._top
        if not top.has("profile"):
            top.add_problem(
                None, "the version of the schema is missing.", f"Write profile = {SCHEMA_VERSION} at its top."
            )
        elif top.entry["profile"] != SCHEMA_VERSION or isinstance(top.entry["profile"], bool):
            version = quote_value(top.entry["profile"])
            top.add_problem(
                "profile",
                f"version {version} is not supported.",
                f"Write profile = {SCHEMA_VERSION}, or update Meterlink.",
            )
        name = top.text("name", longest=LONGEST_PROFILE_NAME)
        if not PROFILE_NAME.fullmatch(name):
            top.add_problem(
                "name",
                "the name is missing or not usable.",
                'Write name = "…" of lower-case letters, digits and hyphens.',
            )
        driver = top.choice("driver", DriverName)
        if not top.has("driver"):
            top.add_problem(None, "the driver is missing.", 'Write driver = "framed", "segmented" or "lined".')
        profile = Profile(
            name=name,
            driver=driver or DriverName.FRAMED,
            connection=self._connection(),
            match=self._match(),
            note=top.text("note", longest=LONGEST_NOTE),
        )
        if driver is DriverName.LINED:
            profile = replace(profile, text=self._text())
            self._reject_keys(driver, "frame", "value", "code", "annunciators")
        elif driver is not None:
            profile = replace(
                profile,
                framing=self._framing(),
                value=self._value(driver),
                codes=self._codes(),
                annunciators=self._annunciators(),
            )
            self._reject_keys(driver, "text")
            self._check_frame_length(profile)
            self._check_units(profile)
        if driver is not None:
            top.report_unknown_keys()
        return profile

    def _reject_keys(self, driver: DriverName, *keys: str) -> None:
        for key in keys:
            if self._top.has(key):
                self._top.add_problem(key, f"a {driver} profile has no {key}.", "Remove it, or correct driver.")

    # --- recognition and connection

    def _match(self) -> Match:
        table = self._top.table("match")
        if table is None:
            return Match()
        match = Match(table.text("name"), table.uuids("services"), table.optional_integer("manufacturer", 0, 0xFFFF))
        table.report_unknown_keys()
        return match

    def _connection(self) -> ConnectionSetup:
        table = self._top.table("connection")
        if table is None:
            if not self._top.has("connection"):
                remedy = 'Write [connection] and notify = ["<characteristic UUID>"].'
                self._top.add_problem(None, "[connection] is missing.", remedy)
            return ConnectionSetup()
        service = table.uuids("service")
        if len(service) > 1:
            table.add_problem("service", "it names more than one service.", "Write one, or remove it.")
        connection = ConnectionSetup(
            notify=table.uuids("notify"),
            read=table.uuids("read"),
            every=table.seconds("every", 1.0, least=0.05),
            service=service[0] if service else "",
            writes=tuple(self._write(row) for row in table.tables("write")),
        )
        if not connection.notify and not connection.read:
            remedy = 'Write notify = ["<characteristic UUID>"], or read.'
            table.add_problem("notify", "notify and read are missing.", remedy)
        table.report_unknown_keys()
        return connection

    def _write(self, table: TomlTable) -> ConnectionWrite:
        to = table.uuids("to")
        if len(to) != 1:
            table.add_problem("to", "to must be one UUID.", 'Write to = "<characteristic UUID>".')
        if not table.has("hex"):
            table.add_problem(None, "hex is missing.", 'Write hex = "a5 01".')
        # An attribute holds 512 bytes at most (Bluetooth Core, vol. 3 part F, 3.2.9).
        data = table.hex_bytes("hex", longest=512)
        write = ConnectionWrite(
            to[0] if to else "", data, table.seconds("every", 0.0, least=0.05), table.boolean("response")
        )
        table.report_unknown_keys()
        return write

    # --- frames

    def _framing(self) -> Framing:
        table = self._top.table("frame")
        if table is None:
            return Framing()
        framing = Framing(
            start=table.hex_bytes("start", longest=16),
            length=self._length(table),
            end=table.hex_bytes("end", longest=16),
            one_per_packet=table.boolean("one_per_packet"),
            longest=table.integer("longest", LONGEST_FRAME, 1, LONGEST_FRAME),
            key=table.hex_bytes("key", longest=64),
            key_from=table.integer("key_from", 0, 0, LARGEST_OFFSET),
            checksums=tuple(self._checksum(row) for row in table.tables("checksum")),
        )
        if isinstance(framing.length, int) and framing.length < len(framing.start) + len(framing.end):
            table.add_problem(
                "length",
                "the frame is shorter than its start and end.",
                "Write the number of bytes of the whole frame.",
            )
        table.report_unknown_keys()
        return framing

    def _length(self, frame: TomlTable) -> int | LengthField | None:
        if not frame.has("length"):
            return None
        if not isinstance(frame.entry["length"], dict):
            return frame.optional_integer("length", 1, LONGEST_FRAME)
        table = frame.table("length")
        assert table is not None  # noqa: S101 - it is a dictionary
        at = self._required_integer(table, "at", 0, LARGEST_OFFSET)
        field = LengthField(
            at,
            table.integer("size", 1, 1, 2),
            self._order(table),
            table.integer("add", 0, -LONGEST_FRAME, LONGEST_FRAME),
        )
        table.report_unknown_keys()
        return field

    def _checksum(self, table: TomlTable) -> Checksum:
        kind = table.choice("kind", ChecksumKind)
        if not table.has("kind"):
            table.add_problem(None, "the kind of checksum is missing.", "Use one of: sum, xor, crc.")
        size = table.integer("size", 1, 1, 4)
        as_hex = table.boolean("hex")
        checksum = Checksum(
            kind=kind or ChecksumKind.SUM,
            at=table.integer("at", -2 * size if as_hex else -size, -LONGEST_FRAME, LARGEST_OFFSET),
            size=size,
            order=self._order(table),
            begin=table.integer("from", 0, -LONGEST_FRAME, LARGEST_OFFSET),
            end=table.integer("to", 0, -LONGEST_FRAME, LONGEST_FRAME) if table.has("to") else None,
            raw=table.boolean("raw"),
            init=table.integer("init", 0, 0, (1 << 8 * size) - 1),
            xor_out=table.integer("xor_out", 0, 0, (1 << 8 * size) - 1),
            negate=table.boolean("negate"),
            hex=as_hex,
            key=table.integer("key", 0, 0, 0xFF),
        )
        if checksum.key and checksum.hex:
            table.add_problem("key", "a checksum with hex has no key.", "Use the key of the frame.")
        if -checksum.encoded_size < checksum.at < 0:
            table.add_problem(
                "at",
                f"{checksum.encoded_size} bytes do not fit there.",
                f"Write at = {-checksum.encoded_size} for the last ones.",
            )
        if checksum.at >= 0:
            self._bytes_used.append((checksum.at + checksum.encoded_size - 1, (*table.path, "at")))
        if checksum.end is not None and checksum.end > 0:
            self._bytes_used.append((checksum.end - 1, (*table.path, "to")))
        if kind is ChecksumKind.CRC:
            checksum = replace(
                checksum,
                width=table.optional_integer("width", 1, 8 * size),
                polynomial=self._required_integer(table, "polynomial", 1, (1 << 8 * size) - 1),
                reflect_in=table.boolean("reflect_in"),
                reflect_out=table.boolean("reflect_out"),
            )
        table.report_unknown_keys()
        return checksum

    # --- locations

    def _required_integer(self, table: TomlTable, key: str, low: int, high: int) -> int:
        if not table.has(key):
            table.add_problem(None, f"{key} is missing.", f"Write {key} = a whole number from {low} to {high}.")
        return table.integer(key, low, low, high)

    def _order(self, table: TomlTable) -> ByteOrder:
        return "big" if table.choice("order", _ByteOrder) is _ByteOrder.big else "little"

    def _location(self, table: TomlTable, default_size: int = 1, max_size: int = 8) -> FieldLocation:
        if table.has("bits"):
            for key in ("at", "size", "order"):
                if table.has(key):
                    table.add_problem(key, "bits give the location already.", f"Remove {key} or bits.")
            bits = table.bits("bits")
            if not bits and not table.entry["bits"]:
                table.add_problem("bits", "it is empty.", 'Write bits = ["3.7", "3.6"].')
            self._note_bytes(bits, (*table.path, "bits"))
            return FieldLocation(bits=bits)
        if not table.has("at"):
            table.add_problem(None, "the location is missing.", 'Write at = a number of bytes, or bits = ["3.7", …].')
        location = FieldLocation(
            table.integer("at", 0, 0, LARGEST_OFFSET),
            table.integer("size", default_size, 1, max_size),
            self._order(table),
        )
        self._bytes_used.append((location.at + location.size - 1, (*table.path, "at")))
        return location

    def _note_bytes(self, bits: Sequence[Bit], path: TomlPath) -> None:
        self._bytes_used += [(bit.byte, path) for bit in bits]

    def _check_frame_length(self, profile: Profile) -> None:
        length = profile.framing.length if profile.framing else None
        if not isinstance(length, int):
            return
        for byte, path in self._bytes_used:
            if byte >= length:
                message = f"byte {byte} is beyond a frame of {length} bytes (0 to {length - 1})."
                self.problems.append(PathProblem(path, message, "Correct the location, or frame.length."))

    # --- values

    def _value(self, driver: DriverName) -> ValueFormat | None:
        table = self._top.table("value")
        if table is None:
            if not self._top.has("value"):
                self._top.add_problem(None, "[value] is missing.", 'Write [value] with type = "…".')
            return None
        source = self._segments(table) if driver is DriverName.SEGMENTED else self._number(table)
        unit, coupling = self._unit_and_coupling(table)
        value = ValueFormat(
            source=source,
            places=table.optional_integer("places", 0, _MOST_PLACES),
            scale=table.decimal("scale"),
            points=self._points(table),
            unit=unit,
            coupling=coupling,
            most_digits=table.optional_integer("most_digits", 1, _MOST_DIGITS),
        )
        if value.points and value.places is not None:
            table.add_problem("places", "points give the decimals already.", "Remove places or points.")
        table.report_unknown_keys()
        return value

    def _number(self, table: TomlTable) -> NumberField:
        number_type = table.choice("type", NumberType) or NumberType.UINT
        if not table.has("type"):
            table.add_problem(
                None, "the type is missing.", f"Use one of: {', '.join(member.value for member in NumberType)}."
            )
        size, max_size = _NUMBER_SIZES[number_type]
        location = self._location(table, size, max_size)
        if location.bits and number_type not in _BIT_FIELD_TYPES:
            table.add_problem("bits", f"{number_type} consists of whole bytes.", "Write at = an offset instead.")
        elif number_type is NumberType.BCD and len(location.bits) % 4:
            table.add_problem("bits", f"it has {len(location.bits)} bits.", "Write four bits for every digit.")
        elif not location.bits and size == max_size and location.size != size:
            table.add_problem("size", f"{number_type} has {size} bytes.", f"Write size = {size}, or leave it out.")
        return NumberField(
            number_type,
            location,
            table.integers("overload", 0, _LARGEST_NUMBER),
            table.integers("invalid", 0, _LARGEST_NUMBER),
            table.optional_integer("overload_above", 0, _LARGEST_NUMBER),
        )

    def _segments(self, table: TomlTable) -> Segments:
        if not table.has("type") or table.entry["type"] != "segments":
            table.add_problem("type", "the type of a segmented profile is segments.", 'Write type = "segments".')
        pools = self._pools(table)
        digits = []
        digit_lists = table.entry["digits"] if table.has("digits") else None
        if not isinstance(digit_lists, list) or not 1 <= len(digit_lists) <= _MOST_DIGITS:
            remedy = f'Write digits = [["3.0", "3.1", …], …], 1 to {_MOST_DIGITS} lists of seven bits a to g.'
            table.add_problem(
                "digits", "the digits are missing." if digit_lists is None else "it is not a list of digits.", remedy
            )
            digit_lists = []
        for number, digit in enumerate(digit_lists):
            digits.append(self._digit(digit, (*table.path, "digits", number), len(pools)))
        return Segments(tuple(digits), tuple(self._glyphs(table)), pools)

    def _pools(self, table: TomlTable) -> tuple[tuple[Bit, ...], ...]:
        pool_lists = table.entry["pools"] if table.has("pools") else []
        pools = []
        for number, pool in enumerate(pool_lists if isinstance(pool_lists, list) else [pool_lists]):
            parsed = [parse_bit(bit) for bit in pool if isinstance(bit, str)] if isinstance(pool, list) else []
            bits = tuple(bit for bit in parsed if bit is not None)
            if not bits or not isinstance(pool, list) or len(bits) < len(pool):
                remedy = 'Write pools = [["3.0", "!3.4"], …], the bits of each.'
                self.problems.append(
                    PathProblem((*table.path, "pools"), f"{quote_value(pool)} is not a list of bits.", remedy)
                )
            self._note_bytes(bits, (*table.path, "pools", number))
            pools.append(bits)
        return tuple(pools)

    def _digit(self, segments: object, path: TomlPath, pools: int) -> tuple[Segment, ...]:
        if not isinstance(segments, list) or len(segments) != _SEGMENTS_PER_DIGIT:
            self.problems.append(
                PathProblem(path, "it is not a list of seven segments.", "Write those of a, b, c, d, e, f, g.")
            )
            return ()
        digit: list[Segment] = []
        for number, text in enumerate(segments):
            segment = _parse_segment(text, pools)
            if segment is None:
                message = f"{quote_value(text)} is not a segment."
                remedy = (
                    'Write its bit ("3.7", "!3.7"), "" for no segment, "?" for an unknown bit, or "*0" for an unknown '
                    "bit of the first pool."
                )
                self.problems.append(PathProblem((*path, number), message, remedy))
            else:
                digit.append(segment)
        self._note_bytes([bit for bit in digit if isinstance(bit, Bit)], path)
        return tuple(digit)

    def _glyphs(self, table: TomlTable) -> Iterator[tuple[int, str]]:
        glyphs = table.table("glyphs")
        if glyphs is None:
            return
        example = 'Write 0x7c = "6": a shape, bit 0 = a to bit 6 = g, and its character.'
        for key, shape in glyphs.parsed_keys(parse_code, example):
            meaning = glyphs.entry[key]
            usable = isinstance(meaning, str) and len(meaning) == 1 and meaning.isascii() and meaning.isprintable()
            if shape >= 1 << _SEGMENTS_PER_DIGIT or not usable:
                glyphs.add_problem(key, f"{quote_value(key)} = {quote_value(meaning)} is not usable.", example)
            else:
                yield shape, meaning

    def _points(self, value: TomlTable) -> tuple[tuple[int, Bit], ...]:
        table = value.table("points")
        if table is None:
            return ()
        points = []
        example = f'Write 2 = "4.7": the number of digits behind the point (1 to {_MOST_PLACES}), and its bit.'
        for key, places in table.parsed_keys(lambda key: _in_range_or_none(parse_code(key), 1, _MOST_PLACES), example):
            bit = table.bit(key)
            if bit is not None:
                self._note_bytes([bit], (*table.path, key))
                points.append((places, bit))
        return tuple(points)

    # --- meanings of codes, annunciators and words

    def _codes(self) -> tuple[Code, ...]:
        return tuple(self._code(table) for table in self._top.tables("code"))

    def _code(self, table: TomlTable) -> Code:
        location = self._location(table)
        rows = table.table("is")
        if rows is None and not table.has("is"):
            table.add_problem(None, "[code.is] is missing.", "Write [code.is] with 0x01 = { … }.")
        meanings = () if rows is None else tuple(self._meanings(rows, parse_code, "Write 0x01 = { … }, a number."))
        otherwise = table.table("otherwise")
        code = Code(location, meanings, None if otherwise is None else self._meaning(otherwise))
        table.report_unknown_keys()
        return code

    def _annunciators(self) -> tuple[tuple[Bit, Meaning], ...]:
        table = self._top.table("annunciators")
        if table is None:
            return ()
        annunciators = tuple(self._meanings(table, parse_bit, 'Write "3.7" = { … }, the bit in quotes.'))
        for bit, _meaning in annunciators:
            self._note_bytes([bit], (*table.path, str(bit)))
        return annunciators

    def _meanings(self, table: TomlTable, parse: Callable[[str], Any], example: str) -> Iterator[tuple[Any, Meaning]]:
        for key, parsed in table.parsed_keys(parse, example):
            row = table.table(key)
            if row is not None:
                yield parsed, self._meaning(row)

    def _meaning(self, table: TomlTable) -> Meaning:
        prefix = table.text("prefix").replace("\u03bc", "µ")
        prefix = "µ" if prefix == "u" else prefix
        if prefix and prefix not in UNIT_PREFIXES:
            table.add_problem(
                "prefix", f"{quote_value(prefix)} is not a prefix here.", f"Use one of: {', '.join(UNIT_PREFIXES)}."
            )
        unit, coupling = self._unit_and_coupling(table)
        meaning = Meaning(
            unit=unit,
            prefix=prefix,
            coupling=coupling,
            places=table.optional_integer("places", 0, _MOST_PLACES),
            scale=table.decimal("scale"),
            flag=table.choice("flag", Flag),
        )
        table.report_unknown_keys()
        return meaning

    def _unit_and_coupling(self, table: TomlTable) -> tuple[str, Coupling | None]:
        """Return ``(unit, coupling)`` of the keys ``unit`` and ``coupling``; ``unit = "VDC"`` states both."""
        unit, coupling = table.text("unit"), table.choice("coupling", Coupling)
        if not unit:
            return "", coupling
        try:
            word = parse_unit_word(unit)
        except InputError as error:
            table.add_problem("unit", error.message, error.remedy)
            return "", coupling
        if word.coupling and coupling and word.coupling is not coupling:
            table.add_problem("unit", f"{quote_value(unit)} is not {coupling}.", f'Write unit = "{word.unit}".')
        return word.unit, coupling or word.coupling

    def _check_units(self, profile: Profile) -> None:
        meanings = [meaning for code in profile.codes for _, meaning in code.meanings]
        meanings += [meaning for _, meaning in profile.annunciators]
        meanings += [code.otherwise for code in profile.codes if code.otherwise]
        if self.problems or profile.value is None:  # a wrong unit is a problem already
            return
        if not profile.value.unit and not any(meaning.unit for meaning in meanings):
            remedy = 'Write unit = "V" in [value], or in the meaning of a code or an annunciator.'
            self.problems.append(PathProblem(("value",), "the value has no unit.", remedy))

    def _text(self) -> TextFormat:
        table = self._top.table("text")
        if table is None:
            return TextFormat()
        end = table.text("end", "\n", longest=8, clean=False)
        words = table.table("words")
        unit, coupling = self._unit_and_coupling(table)
        text = TextFormat(
            end=end,
            encoding="ascii" if table.choice("encoding", _Encoding) is _Encoding.ascii else "utf-8",
            longest=table.integer("longest", LONGEST_FRAME, 1, 4096),
            value_number=table.integer("value_number", 1, 1, 64),
            number_count=table.optional_integer("number_count", 1, 64),
            unit=unit,
            coupling=coupling,
            separators=table.text("separators", "", longest=_MOST_SEPARATORS, clean=False),
            split_before_number=table.boolean("split_before_number"),
            words=() if words is None else tuple(self._meanings(words, _single_word, "Write a word without blanks.")),
            ignore=table.texts("ignore"),
            checksums=tuple(self._checksum(row) for row in table.tables("checksum")),
        )
        table.report_unknown_keys()
        return text


def _parse_segment(text: object, pools: int) -> Segment | None:
    if not isinstance(text, str):
        return None
    if text in {"", "?"}:
        return UnknownSegment(text)
    if match := _CANDIDATE_SEGMENT.fullmatch(text):
        pool = int(match[2])
        return CandidateSegment(pool, bool(match[1])) if pool < pools else None
    return parse_bit(text)


def _in_range_or_none(number: int | None, low: int, high: int) -> int | None:
    return number if number is not None and low <= number <= high else None


def _single_word(key: str) -> str | None:
    return key if key and not key.isspace() and len(key.split()) == 1 else None
