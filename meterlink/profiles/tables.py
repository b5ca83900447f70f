"""A table of a profile, key by key: a wrong value is noted with its position, and the next key is read."""

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from decimal import Decimal
from enum import StrEnum
from typing import Any, TypeVar

from meterlink.core.text import clean_text
from meterlink.driver_api import uuid16
from meterlink.profiles.model import Bit
from meterlink.tomlfile.positions import TomlPath
from meterlink.tomlfile.problems import PathProblem, find_unknown_fields, quote_value

LARGEST_OFFSET = 255  # the longest frame a profile may describe has 256 bytes; no display needs more
LONGEST_FRAME = 256
MOST_BITS = 64  # of one number
LONGEST_NOTE = 400  # characters: a few lines

_Choice = TypeVar("_Choice", bound=StrEnum)

_BIT = re.compile(r"(!?)([0-9]{1,3})\.([0-7])")
_BITS = re.compile(r"(!?)([0-9]{1,3})\.([0-7])-([0-7])")
_UUID128 = re.compile(r"[0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12}")
_UUID16 = re.compile(r"[0-9a-f]{4}")
_LIKE_UUID = re.compile(r"[0-9a-f-]*|.{36}")
_CHANNEL = re.compile(r"[!-~]{1,80}")  # a channel's name in a capture of another program: one word of ASCII


def canonical_uuid(text: str) -> str:
    """Return a UUID in lower case, 16 bits as the 128 they stand for; any other word in lower case."""
    low = text.lower()
    return uuid16(int(low, 16)) if _UUID16.fullmatch(low) else low


def parse_bit(text: str) -> Bit | None:
    """Return the bit of ``"3.7"`` or ``"!3.7"``; None for any other text."""
    match = _BIT.fullmatch(text)
    if match is None or int(match[2]) > LARGEST_OFFSET:
        return None
    return Bit(int(match[2]), int(match[3]), bool(match[1]))


class TomlTable:
    """One table of a TOML file, at ``path``.

    A getter returns its default where the key is missing or wrong, and adds a wrong one to ``problems``.
    """

    def __init__(self, entry: Mapping[str, Any], path: TomlPath, problems: list[PathProblem]) -> None:
        self.entry = entry
        self.path = path
        self.problems = problems
        self._known_keys: dict[str, None] = {}

    def add_problem(self, key: str | None, message: str, remedy: str) -> None:
        """Note a problem with ``key`` (None: with the whole table)."""
        path = (*self.path, key) if key is not None and key in self.entry else self.path
        self.problems.append(PathProblem(path, message, remedy))

    def report_unknown_keys(self) -> None:
        """Note the keys that no getter has read."""
        self.problems += find_unknown_fields(self.entry, tuple(self._known_keys), self.path)

    def has(self, key: str) -> bool:
        """Return whether the key is there; from now on it is a known key."""
        self._known_keys[key] = None
        return key in self.entry

    def text(self, key: str, default: str = "", *, longest: int = 80, clean: bool = True) -> str:
        """Return a text; ``clean`` removes characters that no screen shows."""
        if not self.has(key):
            return default
        value = self.entry[key]
        if not isinstance(value, str):
            self.add_problem(key, f"{quote_value(value)} is not text.", f'Write {key} = "…".')
            return default
        if len(value) > longest:
            self.add_problem(key, f"{quote_value(value)} is longer than {longest} characters.", "Shorten it.")
        return clean_text(value, longest) if clean else value

    def integer(self, key: str, default: int, low: int, high: int) -> int:
        """Return an integer from ``low`` to ``high``."""
        if not self.has(key):
            return default
        value = self.entry[key]
        if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
            self.add_problem(
                key, f"{quote_value(value)} is not usable.", f"Write {key} = a whole number from {low} to {high}."
            )
            return default
        return value

    def optional_integer(self, key: str, low: int, high: int) -> int | None:
        """Return an integer from ``low`` to ``high``; None where it is missing or wrong."""
        number = self.integer(key, low - 1, low, high)
        return None if number < low else number

    def decimal(self, key: str) -> Decimal | None:
        """Return a number other than zero, exactly as written; None where it is missing or wrong."""
        if not self.has(key):
            return None
        value = self.entry[key]
        usable = isinstance(value, int | Decimal) and not isinstance(value, bool)
        number = Decimal(value) if usable else Decimal(0)
        if not number.is_finite() or not number or abs(number.adjusted()) > 18 or len(number.as_tuple().digits) > 18:
            self.add_problem(
                key, f"{quote_value(value)} is not usable.", f"Write {key} = a number such as 0.01 or 1e6."
            )
            return None
        return number

    def seconds(self, key: str, default: float, *, least: float) -> float:
        """Return a number of seconds from ``least`` to 3600."""
        if not self.has(key):
            return default
        value = self.entry[key]
        if isinstance(value, bool) or not isinstance(value, int | Decimal) or not least <= float(value) <= 3600:
            self.add_problem(
                key,
                f"{quote_value(value)} is not usable.",
                f"Write {key} = a number of seconds from {least:g} to 3600.",
            )
            return default
        return float(value)

    def boolean(self, key: str, *, default: bool = False) -> bool:
        """Return true or false."""
        if not self.has(key):
            return default
        value = self.entry[key]
        if not isinstance(value, bool):
            self.add_problem(
                key, f"{quote_value(value)} is neither true nor false.", f"Write {key} = true or {key} = false."
            )
            return default
        return value

    def choice(self, key: str, enum_type: type[_Choice]) -> _Choice | None:
        """Return a member of ``enum_type``; None where it is missing or wrong."""
        if not self.has(key):
            return None
        value = self.entry[key]
        allowed = [member.value for member in enum_type]
        if value in allowed:
            return enum_type(value)
        self.add_problem(key, f"{quote_value(value)} is not known.", f"Use one of: {', '.join(allowed)}.")
        return None

    def hex_bytes(self, key: str, *, longest: int) -> bytes:
        """Return the bytes of pairs of hexadecimal digits, with or without blanks between the pairs."""
        if not self.has(key):
            return b""
        value = self.entry[key]
        try:
            data = bytes.fromhex(value)
        except (TypeError, ValueError):
            self.add_problem(
                key, f"{quote_value(value)} is not pairs of hexadecimal digits.", f'Write {key} = "a5 5a".'
            )
            return b""
        if not 1 <= len(data) <= longest:
            self.add_problem(key, f"it has {len(data)} bytes.", f"Write 1 to {longest} bytes.")
        return data

    def uuids(self, key: str) -> tuple[str, ...]:
        """Return a list of UUIDs; the key may have a single UUID without a list."""
        if not self.has(key):
            return ()
        value = self.entry[key]
        uuids: list[str] = []
        for number, item in enumerate(value if isinstance(value, list) else [value]):
            path = (*self.path, key, number) if isinstance(value, list) else (*self.path, key)
            uuid = canonical_uuid(item) if isinstance(item, str) else ""
            if not _CHANNEL.fullmatch(uuid) or (_LIKE_UUID.fullmatch(uuid) and not _UUID128.fullmatch(uuid)):
                remedy = 'Write 4 hexadecimal digits or a whole UUID: "0000fff1-0000-1000-8000-00805f9b34fb".'
                self.problems.append(PathProblem(path, f"{quote_value(item)} is not a UUID.", remedy))
            elif uuid in uuids:
                self.problems.append(PathProblem(path, f"{quote_value(item)} is listed twice.", "Remove one."))
            else:
                uuids.append(uuid)
        return tuple(uuids)

    def integers(self, key: str, low: int, high: int) -> tuple[int, ...]:
        """Return a list of integers from ``low`` to ``high``."""
        numbers = []
        for index, item in enumerate(self._list(key, "[0x7fff]")):
            if isinstance(item, bool) or not isinstance(item, int) or not low <= item <= high:
                remedy = f"Write whole numbers from {low} to {high}."
                self.problems.append(
                    PathProblem((*self.path, key, index), f"{quote_value(item)} is not usable.", remedy)
                )
            else:
                numbers.append(item)
        return tuple(numbers)

    def texts(self, key: str) -> tuple[str, ...]:
        """Return a list of texts."""
        texts = []
        for number, item in enumerate(self._list(key, '["…"]')):
            if not isinstance(item, str) or not item:
                self.problems.append(
                    PathProblem((*self.path, key, number), f"{quote_value(item)} is not text.", 'Write "…".')
                )
            else:
                texts.append(item)
        return tuple(texts)

    def bits(self, key: str) -> tuple[Bit, ...]:
        """Return a list of bits, each range as its single bits."""
        bits: list[Bit] = []
        for number, item in enumerate(self._list(key, '["3.7", "3.6"]')):
            item_bits = _parse_bits(item) if isinstance(item, str) else None
            if item_bits is None:
                self.problems.append(_invalid_bit((*self.path, key, number), item))
            else:
                bits += item_bits
        if len(bits) > MOST_BITS:
            self.add_problem(key, f"it has {len(bits)} bits.", f"Write {MOST_BITS} at most.")
        if len({(bit.byte, bit.bit) for bit in bits}) < len(bits):
            self.add_problem(key, "a bit is listed twice.", "Name each bit once.")
        return tuple(bits)

    def bit(self, key: str) -> Bit | None:
        """Return the bit that a key's text names; None where it names none."""
        value = self.entry[key]
        bit = parse_bit(value) if isinstance(value, str) else None
        if bit is None:
            self.problems.append(_invalid_bit((*self.path, key), value))
        return bit

    def table(self, key: str) -> "TomlTable | None":
        """Return the table under a key; None where it is missing or no table."""
        if not self.has(key):
            return None
        value = self.entry[key]
        if not isinstance(value, dict):
            self.add_problem(
                key, f"{quote_value(value)} is not a table.", f"Write it as [{'.'.join(map(str, (*self.path, key)))}]."
            )
            return None
        return TomlTable(value, (*self.path, key), self.problems)

    def tables(self, key: str) -> "Iterator[TomlTable]":
        """Yield the tables of an array under a key."""
        header = ".".join(part for part in (*self.path, key) if isinstance(part, str))
        for number, item in enumerate(self._list(key, f"[[{header}]]")):
            path = (*self.path, key, number)
            if isinstance(item, dict):
                yield TomlTable(item, path, self.problems)
            else:
                self.problems.append(
                    PathProblem(path, f"{quote_value(item)} is not a table.", f"Write it as [[{header}]].")
                )

    def parsed_keys(self, parse: Callable[[str], Any], example: str) -> "Iterator[tuple[str, Any]]":
        """Yield ``(key, parsed key)``; a key that ``parse`` rejects (None), or that occurs twice, is a problem."""
        seen = set()
        for key in self.entry:
            self._known_keys[key] = None
            value = parse(key)
            if value is None:
                self.problems.append(PathProblem((*self.path, key), f"{quote_value(key)} is not usable here.", example))
            elif value in seen:
                self.problems.append(
                    PathProblem((*self.path, key), f"{quote_value(key)} is listed twice.", "Remove one.")
                )
            else:
                seen.add(value)
                yield key, value

    def _list(self, key: str, example: str) -> Sequence[Any]:
        if not self.has(key):
            return ()
        value = self.entry[key]
        if not isinstance(value, list):
            remedy = f"Write each as {example}." if example.startswith("[[") else f"Write {key} = {example}."
            self.add_problem(key, f"{quote_value(value)} is not a list.", remedy)
            return ()
        return value


def parse_code(text: str) -> int | None:
    """Return the number of a code's key, decimal or with 0x or 0b; None for any other text."""
    try:
        number = int(text, 0)
    except ValueError:
        return None
    return number if 0 <= number < 1 << MOST_BITS else None


def _parse_bits(text: str) -> list[Bit] | None:
    """Return the bits of ``"3.7"`` or ``"3.7-4"``, in that order; None for any other text."""
    bit = parse_bit(text)
    if bit is not None:
        return [bit]
    match = _BITS.fullmatch(text)
    if match is None or int(match[2]) > LARGEST_OFFSET:
        return None
    first, last = int(match[3]), int(match[4])
    step = -1 if first >= last else 1
    return [Bit(int(match[2]), bit, bool(match[1])) for bit in range(first, last + step, step)]


def _invalid_bit(path: TomlPath, value: object) -> PathProblem:
    return PathProblem(
        path, f"{quote_value(value)} is not a bit.", 'Write "3.7" for bit 7 of byte 3, "!3.7" for its opposite.'
    )
