"""The types of values in a TOML table: each reads one value, and gives its JSON Schema."""

import re
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterable, Mapping
from decimal import Decimal
from typing import Any, Generic, TypeVar

from meterlink.core.errors import InputError
from meterlink.core.text import clean_text, count_phrase
from meterlink.tomlfile.positions import TomlPath
from meterlink.tomlfile.problems import PathProblem, quote_value

Schema = dict[str, Any]

_T = TypeVar("_T")
_Item = TypeVar("_Item")
_EntryKey = TypeVar("_EntryKey")
_Word = TypeVar("_Word", bound=str)

# Digits of a number, and its largest power of ten: enough for any physical value, few enough for exact arithmetic.
_MOST_DIGITS = 18


class Wrong:
    """The result of reading a wrong value; ``partial`` is the part of it that is right, None if nothing is.

    The partial value of a list or of a table whose keys are data has the partial value of each wrong item in its place.
    """

    def __init__(self, partial: Any = None) -> None:
        self.partial = partial


class FieldType(ABC, Generic[_T]):
    """A type of values. ``noun`` names it in messages; ``example`` is a value of it in TOML."""

    kinds: tuple[type, ...] = (str,)
    noun = "text"
    example = '"…"'

    def read(self, value: object, path: TomlPath, problems: list[PathProblem]) -> _T | Wrong:
        """Return the value at ``path``, or `Wrong`; add every error in it to ``problems``."""
        if not self.accepts(value):
            return self.refuse(path, problems, f"{quote_value(value)} is not {self.noun}.")
        return self.convert(value, path, problems)

    def accepts(self, value: object) -> bool:
        """Return whether TOML's type of ``value`` fits."""
        return type(value) in self.kinds  # exactly: in Python a bool is an int

    @abstractmethod
    def convert(self, value: Any, path: TomlPath, problems: list[PathProblem]) -> _T | Wrong:
        """Return what a value of a fitting type means; see `read`."""

    @abstractmethod
    def schema(self) -> Schema:
        """Return the JSON Schema of the type."""

    def instruction(self, path: TomlPath) -> str:
        """Return the sentence that says how to write a value of this type at ``path``."""
        key = path[-1] if path else ""
        return f"Write {key} = {self.example}." if isinstance(key, str) else f"Write it as {self.example}."

    def refuse(self, path: TomlPath, problems: list[PathProblem], message: str, remedy: str = "") -> Wrong:
        """Add a problem; without a ``remedy`` it is the `instruction`."""
        problems.append(PathProblem(path, message, remedy or self.instruction(path)))
        return Wrong()


class Text(FieldType[str]):
    """One line of text; ``clean`` removes characters that no screen shows.

    ``longest`` is in characters. A ``pattern`` is one of the whole text as written; ``wanted`` is the remedy where it
    differs.
    """

    def __init__(
        self,
        longest: int = 80,
        *,
        pattern: str = "",
        wanted: str = "",
        example: str = '"…"',
        noun: str = "text",
        clean: bool = True,
    ) -> None:
        self.longest = longest
        self.example = example
        self.noun = noun
        self._pattern = pattern
        self._wanted = wanted
        self._clean = clean

    def convert(self, value: str, path: TomlPath, problems: list[PathProblem]) -> str | Wrong:
        """Return the text."""
        if len(value) > self.longest:
            return self.refuse(
                path, problems, f"{quote_value(value)} is longer than {self.longest} characters.", "Shorten it."
            )
        text = clean_text(value, self.longest) if self._clean else value
        if self._clean and not text:
            return self.refuse(path, problems, "it is empty.")
        if self._pattern and not re.fullmatch(self._pattern, value):
            return self.refuse(path, problems, f"{quote_value(value)} cannot be used.", self._wanted)
        return text

    def schema(self) -> Schema:
        """Return the JSON Schema."""
        schema: Schema = {"type": "string", "maxLength": self.longest}
        pattern = f"^(?:{self._pattern})$" if self._pattern else r"\S" if self._clean else ""
        return schema | ({"pattern": pattern} if pattern else {})


class Parsed(FieldType[_T]):
    """Text that ``parse`` turns into a value or refuses with an InputError. ``pattern`` is one for the schema alone."""

    def __init__(self, parse: Callable[[str], _T], example: str, *, pattern: str = "", longest: int = 400) -> None:
        self.example = example
        self._parse = parse
        self._pattern = pattern
        self._longest = longest

    def convert(self, value: str, path: TomlPath, problems: list[PathProblem]) -> _T | Wrong:
        """Return the value."""
        if len(value) > self._longest:
            return self.refuse(path, problems, f"{quote_value(value)} is longer than {self._longest} characters.")
        try:
            return self._parse(value)
        except InputError as error:
            return self.refuse(path, problems, error.message, error.remedy)

    def schema(self) -> Schema:
        """Return the JSON Schema."""
        return {"type": "string", "maxLength": self._longest} | ({"pattern": self._pattern} if self._pattern else {})


class Integer(FieldType[int]):
    """A whole number from ``low`` to ``high``."""

    kinds = (int,)
    noun = "a whole number"

    def __init__(self, low: int, high: int) -> None:
        self._low = low
        self._high = high
        self.example = f"a whole number from {low} to {high}"

    def convert(self, value: int, path: TomlPath, problems: list[PathProblem]) -> int | Wrong:
        """Return the number."""
        if self._low <= value <= self._high:
            return value
        return self.refuse(path, problems, f"{quote_value(value)} is not from {self._low} to {self._high}.")

    def schema(self) -> Schema:
        """Return the JSON Schema."""
        return {"type": "integer", "minimum": self._low, "maximum": self._high}


class Number(FieldType[Decimal]):
    """A finite number from ``low`` to ``high``, exactly as written; zero only where ``zero`` is true."""

    kinds = (int, Decimal)
    noun = "a number"

    def __init__(self, low: str, high: str, *, zero: bool = True, example: str = "") -> None:
        self._low = Decimal(low)
        self._high = Decimal(high)
        self._zero = zero
        self.example = example or f"a number from {low} to {high}" + ("" if zero else ", not 0")

    def convert(self, value: int | Decimal, path: TomlPath, problems: list[PathProblem]) -> Decimal | Wrong:
        """Return the number."""
        number = Decimal(value)
        usable = number.is_finite() and self._low <= number <= self._high and (self._zero or number != 0)
        if not usable or len(number.as_tuple().digits) > _MOST_DIGITS or abs(number.adjusted()) > _MOST_DIGITS:
            return self.refuse(path, problems, f"{quote_value(value)} cannot be used.")
        return number

    def schema(self) -> Schema:
        """Return the JSON Schema."""
        schema: Schema = {"type": "number", "minimum": float(self._low), "maximum": float(self._high)}
        return schema if self._zero else schema | {"not": {"const": 0}}


class Boolean(FieldType[bool]):
    """True or false."""

    kinds = (bool,)
    noun = "true or false"
    example = "true"

    def convert(self, value: bool, path: TomlPath, problems: list[PathProblem]) -> bool:  # noqa: ARG002, FBT001  # overrides
        """Return the value."""
        return value

    def schema(self) -> Schema:
        """Return the JSON Schema."""
        return {"type": "boolean"}


class Choice(FieldType[_Word]):
    """One of ``members``, which are the members of a StrEnum or words, except those in ``without``."""

    def __init__(self, members: Iterable[_Word], *, without: tuple[_Word, ...] = ()) -> None:
        self._members = {str(member): member for member in members if member not in without}
        self.example = next((f'"{word}"' for word in self._members if word), '""')

    def convert(self, value: str, path: TomlPath, problems: list[PathProblem]) -> _Word | Wrong:
        """Return the member."""
        member = self._members.get(value)
        return self.refuse(path, problems, f"{quote_value(value)} is not known.") if member is None else member

    def schema(self) -> Schema:
        """Return the JSON Schema."""
        return {"enum": list(self._members)}

    def instruction(self, path: TomlPath) -> str:  # noqa: ARG002  # overrides
        """Return the sentence that lists the members."""
        return f"Use one of: {', '.join(self._members)}."


class Constant(FieldType[Any]):
    """The one value ``value``; ``remedy`` says what to do about another one."""

    def __init__(self, value: str | int, remedy: str) -> None:
        self.kinds = (type(value),)
        self.noun = self.example = f'"{value}"' if isinstance(value, str) else str(value)
        self._value = value
        self._remedy = remedy

    def convert(self, value: str | int, path: TomlPath, problems: list[PathProblem]) -> str | int | Wrong:
        """Return the value."""
        if value == self._value:
            return value
        return self.refuse(path, problems, f"{quote_value(value)} is not {self.noun}.")

    def schema(self) -> Schema:
        """Return the JSON Schema."""
        return {"const": self._value}

    def instruction(self, path: TomlPath) -> str:  # noqa: ARG002  # overrides
        """Return the remedy."""
        return self._remedy


class Converted(FieldType[_T]):
    """The value of another type, turned by ``function`` into a further one or refused with an InputError."""

    def __init__(self, field_type: FieldType[_Item], function: Callable[[_Item], _T]) -> None:
        self.kinds = field_type.kinds
        self.noun = field_type.noun
        self.example = field_type.example
        self._type = field_type
        self._function = function

    def convert(self, value: object, path: TomlPath, problems: list[PathProblem]) -> _T | Wrong:
        """Return the further value."""
        read = self._type.convert(value, path, problems)
        if isinstance(read, Wrong):
            return read
        try:
            return self._function(read)
        except InputError as error:
            return self.refuse(path, problems, error.message, error.remedy)

    def schema(self) -> Schema:
        """Return the JSON Schema."""
        return self._type.schema()

    def instruction(self, path: TomlPath) -> str:
        """Return the sentence that says how to write a value of the other type."""
        return self._type.instruction(path)


class ListOf(FieldType[tuple[_Item, ...]]):
    """A list of ``least`` to ``most`` values of one type; ``distinct`` refuses one that is listed twice."""

    kinds = (list,)
    noun = "a list"

    def __init__(
        self, item: FieldType[_Item], least: int, most: int, *, distinct: bool = False, example: str = ""
    ) -> None:
        self._item = item
        self._least = least
        self._most = most
        self._distinct = distinct
        self.example = example or f"[{item.example}]"

    def convert(self, value: list[object], path: TomlPath, problems: list[PathProblem]) -> tuple[_Item, ...] | Wrong:
        """Return the values."""
        if not self._least <= len(value) <= self._most:
            wanted = str(self._least) if self._least == self._most else f"{self._least} to {self._most}"
            return self.refuse(path, problems, f"it has {count_phrase(len(value), 'item')}, not {wanted}.")
        before = len(problems)
        items: list[_Item] = []
        for number, entry in enumerate(value):
            item = self._item.read(entry, (*path, number), problems)
            if self._distinct and item in items:
                self.refuse((*path, number), problems, f"{quote_value(entry)} is listed twice.", "Remove one.")
            items.append(item.partial if isinstance(item, Wrong) else item)
        return tuple(items) if len(problems) == before else Wrong(tuple(items))

    def schema(self) -> Schema:
        """Return the JSON Schema."""
        schema: Schema = {
            "type": "array",
            "items": self._item.schema(),
            "minItems": self._least,
            "maxItems": self._most,
        }
        return schema | ({"uniqueItems": True} if self._distinct else {})


class Entries(FieldType[tuple[tuple[_EntryKey, _T], ...]]):
    """A table whose keys are data: ``((key, value), ...)``.

    ``parse_key`` gives the meaning of a key, None for a wrong one. ``pattern`` is that of a right key for the schema.
    ``example`` is one entry; ``wanted`` is the remedy for a wrong key, by default the `instruction`.
    """

    kinds = (dict,)
    noun = "a table"

    def __init__(
        self,
        parse_key: Callable[[str], _EntryKey | None],
        pattern: str,
        value: FieldType[_T],
        example: str,
        *,
        wanted: str = "",
    ) -> None:
        self._parse_key = parse_key
        self._pattern = pattern
        self._value = value
        self._wanted = wanted
        self.example = f"{{ {example} }}"

    def convert(
        self, value: Mapping[str, object], path: TomlPath, problems: list[PathProblem]
    ) -> tuple[tuple[_EntryKey, _T], ...] | Wrong:
        """Return the pairs, in the order of the file."""
        before = len(problems)
        entries: dict[_EntryKey, _T] = {}
        for word, item in value.items():
            key, at = self._parse_key(word), (*path, word)
            if key is None:
                remedy = self._wanted or self.instruction(path)
                self.refuse(at, problems, f"{quote_value(word)} is not a key here.", remedy)
                continue
            if key in entries:
                self.refuse(at, problems, f"{quote_value(word)} is listed twice.", "Remove one.")
            read = self._value.read(item, at, problems)
            entries[key] = read.partial if isinstance(read, Wrong) else read
        return tuple(entries.items()) if len(problems) == before else Wrong(tuple(entries.items()))

    def schema(self) -> Schema:
        """Return the JSON Schema."""
        properties = {f"^(?:{self._pattern})$": self._value.schema()}
        return {"type": "object", "patternProperties": properties, "additionalProperties": False}


class Either(FieldType[_T]):
    """A value of one of several types, told apart by their TOML types."""

    def __init__(self, *types: FieldType[Any]) -> None:
        self._types = types
        self.noun = " or ".join(field_type.noun for field_type in types)
        self.example = " or ".join(field_type.example for field_type in types)

    def accepts(self, value: object) -> bool:
        """Return whether one of the types accepts the value."""
        return any(field_type.accepts(value) for field_type in self._types)

    def convert(self, value: object, path: TomlPath, problems: list[PathProblem]) -> _T | Wrong:
        """Return what the first fitting type reads."""
        fitting = next(field_type for field_type in self._types if field_type.accepts(value))
        result: _T | Wrong = fitting.convert(value, path, problems)
        return result

    def schema(self) -> Schema:
        """Return the JSON Schema."""
        return {"anyOf": [field_type.schema() for field_type in self._types]}
