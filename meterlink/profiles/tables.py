"""A table of a profile, key by key: what is wrong with one is noted where it stands, and the next is read."""

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from decimal import Decimal
from enum import StrEnum
from typing import Any, TypeVar

from meterlink.core.text import clean_text
from meterlink.driver_api import uuid16
from meterlink.plans.point_table import FieldProblem, find_unknown_fields, quote_value
from meterlink.profiles.model import Bit
from meterlink.tomlfile.positions import TomlPath

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
_CHANNEL = re.compile(r"[!-~]{1,80}")  # what somebody else's capture may call a channel: one word of ASCII


def canonical_uuid(text: str) -> str:
    """Return a UUID in lower case, one of 16 bits as the 128 it stands for; any other word as it is."""
    low = text.lower()
    return uuid16(int(low, 16)) if _UUID16.fullmatch(low) else low


def parse_bit(text: str) -> Bit | None:
    """Return the bit that ``"3.7"`` or ``"!3.7"`` names, None for anything else."""
    match = _BIT.fullmatch(text)
    if match is None or int(match[2]) > LARGEST_OFFSET:
        return None
    return Bit(int(match[2]), int(match[3]), bool(match[1]))


class TomlTable:
    """One table at ``path``. A getter returns its default where the key is missing or wrong; ``problems`` tells."""

    def __init__(self, entry: Mapping[str, Any], path: TomlPath, problems: list[FieldProblem]) -> None:
        self.entry = entry
        self.path = path
        self.problems = problems
        self._known_keys: dict[str, None] = {}

    def add_problem(self, key: str | None, message: str, remedy: str) -> None:
        """Note a problem with ``key`` (None: with the table as a whole)."""
        path = (*self.path, key) if key is not None and key in self.entry else self.path
        self.problems.append(FieldProblem(path, message, remedy))

    def report_unknown_keys(self) -> None:
        """Note the keys that nobody asked for."""
        self.problems += find_unknown_fields(self.entry, tuple(self._known_keys), self.path)

    def has(self, key: str) -> bool:
        """Return whether the key is there; it is then a known one."""
        self._known_keys[key] = None
        return key in self.entry

    def text(self, key: str, default: str = "", *, longest: int = 80, clean: bool = True) -> str:
        """Return a text; ``clean`` takes out what cannot be shown."""
        if not self.has(key):
            return default
        given = self.entry[key]
        if not isinstance(given, str):
            self.add_problem(key, f"{quote_value(given)} is not text.", f'Write {key} = "…".')
            return default
        if len(given) > longest:
            self.add_problem(key, f"{quote_value(given)} is longer than {longest} characters.", "Shorten it.")
        return clean_text(given, longest) if clean else given

    def integer(self, key: str, default: int, low: int, high: int) -> int:
        """Return an integer from ``low`` to ``high``."""
        if not self.has(key):
            return default
        given = self.entry[key]
        if isinstance(given, bool) or not isinstance(given, int) or not low <= given <= high:
            self.add_problem(
                key, f"{quote_value(given)} is not usable.", f"Write {key} = a whole number from {low} to {high}."
            )
            return default
        return given

    def optional_integer(self, key: str, low: int, high: int) -> int | None:
        """Return an integer from ``low`` to ``high``, None where there is none or it is wrong."""
        number = self.integer(key, low - 1, low, high)
        return None if number < low else number

    def decimal(self, key: str) -> Decimal | None:
        """Return a number other than zero, exactly as written; None where there is none."""
        if not self.has(key):
            return None
        given = self.entry[key]
        usable = isinstance(given, int | Decimal) and not isinstance(given, bool)
        number = Decimal(given) if usable else Decimal(0)
        if not number.is_finite() or not number or abs(number.adjusted()) > 18 or len(number.as_tuple().digits) > 18:
            self.add_problem(
                key, f"{quote_value(given)} is not usable.", f"Write {key} = a number such as 0.01 or 1e6."
            )
            return None
        return number

    def seconds(self, key: str, default: float, *, least: float) -> float:
        """Return a number of seconds from ``least`` to an hour."""
        if not self.has(key):
            return default
        given = self.entry[key]
        if isinstance(given, bool) or not isinstance(given, int | Decimal) or not least <= float(given) <= 3600:
            self.add_problem(
                key,
                f"{quote_value(given)} is not usable.",
                f"Write {key} = a number of seconds from {least:g} to 3600.",
            )
            return default
        return float(given)

    def boolean(self, key: str, *, default: bool = False) -> bool:
        """Return true or false."""
        if not self.has(key):
            return default
        given = self.entry[key]
        if not isinstance(given, bool):
            self.add_problem(
                key, f"{quote_value(given)} is neither true nor false.", f"Write {key} = true or {key} = false."
            )
            return default
        return given

    def choice(self, key: str, enum_type: type[_Choice]) -> _Choice | None:
        """Return one of the words of ``kind``; None where it is missing or another."""
        if not self.has(key):
            return None
        given = self.entry[key]
        allowed = [member.value for member in enum_type]
        if given in allowed:
            return enum_type(given)
        self.add_problem(key, f"{quote_value(given)} is not known.", f"Use one of: {', '.join(allowed)}.")
        return None

    def hex_bytes(self, key: str, *, longest: int) -> bytes:
        """Return the bytes of pairs of hexadecimal digits; blanks may stand between the pairs."""
        if not self.has(key):
            return b""
        given = self.entry[key]
        try:
            data = bytes.fromhex(given)
        except (TypeError, ValueError):
            self.add_problem(
                key, f"{quote_value(given)} is not pairs of hexadecimal digits.", f'Write {key} = "a5 5a".'
            )
            return b""
        if not 1 <= len(data) <= longest:
            self.add_problem(key, f"these are {len(data)} bytes.", f"Write 1 to {longest} bytes.")
        return data

    def uuids(self, key: str) -> tuple[str, ...]:
        """Return a list of UUIDs; one alone need not stand in a list."""
        if not self.has(key):
            return ()
        given = self.entry[key]
        found = []
        listed = given if isinstance(given, list) else [given]
        for number, one in enumerate(listed):
            path = (*self.path, key, number) if isinstance(given, list) else (*self.path, key)
            uuid = canonical_uuid(one) if isinstance(one, str) else ""
            if not _CHANNEL.fullmatch(uuid) or (_LIKE_UUID.fullmatch(uuid) and not _UUID128.fullmatch(uuid)):
                remedy = 'Write 4 hexadecimal digits or a whole UUID: "0000fff1-0000-1000-8000-00805f9b34fb".'
                self.problems.append(FieldProblem(path, f"{quote_value(one)} is not a UUID.", remedy))
            elif uuid in found:
                self.problems.append(FieldProblem(path, f"{quote_value(one)} stands here twice.", "Leave one out."))
            else:
                found.append(uuid)
        return tuple(found)

    def integers(self, key: str, low: int, high: int) -> tuple[int, ...]:
        """Return a list of integers from ``low`` to ``high``."""
        found = []
        for number, one in enumerate(self._list(key, "[0x7fff]")):
            if isinstance(one, bool) or not isinstance(one, int) or not low <= one <= high:
                remedy = f"Write whole numbers from {low} to {high}."
                self.problems.append(
                    FieldProblem((*self.path, key, number), f"{quote_value(one)} is not usable.", remedy)
                )
            else:
                found.append(one)
        return tuple(found)

    def texts(self, key: str) -> tuple[str, ...]:
        """Return a list of texts."""
        found = []
        for number, one in enumerate(self._list(key, '["…"]')):
            if not isinstance(one, str) or not one:
                self.problems.append(
                    FieldProblem((*self.path, key, number), f"{quote_value(one)} is not text.", 'Write "…".')
                )
            else:
                found.append(one)
        return tuple(found)

    def bits(self, key: str) -> tuple[Bit, ...]:
        """Return a list of bits, ranges written out."""
        found: list[Bit] = []
        for number, one in enumerate(self._list(key, '["3.7", "3.6"]')):
            several = _parse_bits(one) if isinstance(one, str) else None
            if several is None:
                self.problems.append(_invalid_bit((*self.path, key, number), one))
            else:
                found += several
        if len(found) > MOST_BITS:
            self.add_problem(key, f"these are {len(found)} bits.", f"Write {MOST_BITS} at most.")
        if len({(bit.byte, bit.bit) for bit in found}) < len(found):
            self.add_problem(key, "a bit stands here twice.", "Name each bit once.")
        return tuple(found)

    def bit(self, key: str) -> Bit | None:
        """Return the bit that the key's text names."""
        given = self.entry[key]
        bit = parse_bit(given) if isinstance(given, str) else None
        if bit is None:
            self.problems.append(_invalid_bit((*self.path, key), given))
        return bit

    def table(self, key: str) -> "TomlTable | None":
        """Return the table under a key, None where there is none."""
        if not self.has(key):
            return None
        given = self.entry[key]
        if not isinstance(given, dict):
            self.add_problem(
                key, f"{quote_value(given)} is not a table.", f"Write it as [{'.'.join(map(str, (*self.path, key)))}]."
            )
            return None
        return TomlTable(given, (*self.path, key), self.problems)

    def tables(self, key: str) -> "Iterator[TomlTable]":
        """Yield the tables of an array under a key."""
        header = ".".join(str(one) for one in (*self.path, key) if isinstance(one, str))
        for number, one in enumerate(self._list(key, f"[[{header}]]")):
            path = (*self.path, key, number)
            if isinstance(one, dict):
                yield TomlTable(one, path, self.problems)
            else:
                self.problems.append(
                    FieldProblem(path, f"{quote_value(one)} is not a table.", f"Write it as [[{header}]].")
                )

    def parsed_keys(self, parse: Callable[[str], Any], example: str) -> "Iterator[tuple[str, Any]]":
        """Yield every key with what ``parse`` makes of it; one it makes None of, or the same as before, is noted."""
        seen = set()
        for key in self.entry:
            self._known_keys[key] = None
            value = parse(key)
            if value is None:
                self.problems.append(
                    FieldProblem((*self.path, key), f"{quote_value(key)} is not usable here.", example)
                )
            elif value in seen:
                self.problems.append(
                    FieldProblem((*self.path, key), f"{quote_value(key)} stands here twice.", "Leave one out.")
                )
            else:
                seen.add(value)
                yield key, value

    def _list(self, key: str, example: str) -> Sequence[Any]:
        if not self.has(key):
            return ()
        given = self.entry[key]
        if not isinstance(given, list):
            remedy = f"Write each as {example}." if example.startswith("[[") else f"Write {key} = {example}."
            self.add_problem(key, f"{quote_value(given)} is not a list.", remedy)
            return ()
        return given


def parse_code(text: str) -> int | None:
    """Return the number a code's key is, decimal or with 0x or 0b; None for anything else."""
    try:
        number = int(text, 0)
    except ValueError:
        return None
    return number if 0 <= number < 1 << MOST_BITS else None


def _parse_bits(text: str) -> list[Bit] | None:
    """Return the bits of ``"3.7"`` or ``"3.7-4"``, in that order."""
    one = parse_bit(text)
    if one is not None:
        return [one]
    match = _BITS.fullmatch(text)
    if match is None or int(match[2]) > LARGEST_OFFSET:
        return None
    first, last = int(match[3]), int(match[4])
    step = -1 if first >= last else 1
    return [Bit(int(match[2]), bit, bool(match[1])) for bit in range(first, last + step, step)]


def _invalid_bit(path: TomlPath, given: object) -> FieldProblem:
    return FieldProblem(
        path, f"{quote_value(given)} is not a bit.", 'Write "3.7" for bit 7 of byte 3, "!3.7" for its opposite.'
    )
