"""The values of exported fields: as text, as JSON, and back with a check of each."""

import re
from collections.abc import Callable, Mapping, Sequence
from math import isfinite, nan
from typing import Generic, NoReturn, TypeVar

from meterlink.core.errors import InputError
from meterlink.core.text import clean_text
from meterlink.store.exchange_fields import Field, FieldKind
from meterlink.store.exported import Row, Stretch, Value

_T = TypeVar("_T")

NUMBER = re.compile(r"-?[0-9]+(\.[0-9]+)?")
"""A decimal number as a display shows it."""

_INTEGER = re.compile(r"-?[0-9]{1,19}")
_SURROGATE = re.compile("[\ud800-\udfff]")  # JSON can escape half a character, which no other format can have
_HEXADECIMAL = re.compile(r"([0-9a-fA-F]{2})*")
_SMALLEST, _LARGEST = -(2**63), 2**63 - 1  # SQLite's integers

_WHOLE = (_INTEGER, int, "a whole number of 64 bits")
# The form that a text must have, its conversion, and the form in words.
_FORMS: dict[FieldKind, tuple[re.Pattern[str], Callable[[str], Value], str]] = {
    FieldKind.INTEGER: _WHOLE,
    FieldKind.TIME: _WHOLE,
    FieldKind.FLAG: (re.compile("[01]"), int, "0 or 1"),
    FieldKind.BYTES: (_HEXADECIMAL, bytes.fromhex, "hexadecimal digits, two for each byte"),
    FieldKind.DECIMAL: (NUMBER, str, "a number such as -4.70"),
}

# Stretches of which a form keeps a part of its own: more than are open at once (`stretches.MOST_OPEN`).
_REMEMBERED = 512

JsonValue = str | int | float | bool | None


def json_value(field: Field, value: Value) -> JsonValue:
    """Return a value as JSON has it: bytes in hexadecimal, a flag as true or false."""
    if isinstance(value, bytes):
        return value.hex()
    if field.kind is FieldKind.FLAG and value is not None:
        return bool(value)
    return value


def json_object(fields: Sequence[Field], row: Row) -> dict[str, JsonValue]:
    """Return a row as an object of JSON."""
    return {field.name: json_value(field, value) for field, value in zip(fields, row, strict=True)}


def values_of(fields: Sequence[Field], record: Mapping[str, object]) -> Row:
    """Return the values of a record in the order of ``fields``."""
    return tuple(record[field.name] for field in fields)  # type: ignore[misc]  # a record has plain values under them


def from_text(field: Field, text: str | None) -> Value:
    """Return the value of a text; None is null, and an empty text is where the field may be null.

    Raises:
        InputError: the field has no such value.
    """
    if text is None or (text == "" and (field.null or field.kind is not FieldKind.TEXT)):
        return _null(field)
    if field.kind is FieldKind.REAL:
        return _real(field, text)
    if field.kind not in _FORMS:
        return text
    pattern, convert, wanted = _FORMS[field.kind]
    if not pattern.fullmatch(text):
        _refuse(field, text, wanted)
    value = convert(text)
    if isinstance(value, int) and not _SMALLEST <= value <= _LARGEST:
        _refuse(field, text, wanted)
    return value


def from_json(field: Field, value: object) -> Value:
    """Return the value of one of JSON.

    Raises:
        InputError: the field has no such value.
    """
    match field.kind, value:
        case _, None:
            return _null(field)
        case ((FieldKind.INTEGER | FieldKind.TIME), int()) if not isinstance(value, bool):
            return from_text(field, str(value))
        case FieldKind.REAL, (int() | float()) if not isinstance(value, bool):
            return _real(field, value)
        case FieldKind.FLAG, bool():
            return int(value)
        case ((FieldKind.TEXT | FieldKind.DECIMAL | FieldKind.BYTES), str()):
            if _SURROGATE.search(value):
                _refuse(field, value, "characters of Unicode only, no halves of them")
            if value == "":
                return b"" if field.kind is FieldKind.BYTES else _checked_text(field, value)
            return from_text(field, value)
    raise InputError(f"{field.name} is {clean_text(str(value), 60)!r}.", "Write a value as the export writes it.")


def from_binary(field: Field, value: object) -> Value:
    """Return the value of one that a binary form has with its type: bytes as bytes, a flag as a bool.

    Raises:
        InputError: the field has no such value.
    """
    if field.kind is FieldKind.BYTES and isinstance(value, bytes):
        return value
    return from_json(field, value)


def _checked_text(field: Field, text: str) -> str:
    if field.kind is FieldKind.DECIMAL:
        _refuse(field, text, "a number such as -4.70")
    return text


def _null(field: Field) -> Value:
    if field.null:
        return None
    if field.kind is FieldKind.BYTES:
        return b""
    raise InputError(f"{field.name} is missing.", f"Write it: {field.meaning}.")


def _real(field: Field, value: str | float) -> float:
    try:
        number = float(value)
    except (ValueError, OverflowError):
        number = nan
    if not isfinite(number):
        _refuse(field, str(value), "a number such as 4.7e-05")
    return number


def _refuse(field: Field, text: str, wanted: str) -> NoReturn:
    raise InputError(f"{field.name} is {clean_text(text, 60)!r}.", f"Write {wanted}.")


class PerStretch(Generic[_T]):
    """The part of a line that all readings of a stretch have in common, made once for each stretch."""

    def __init__(self, make: Callable[[Stretch], _T]) -> None:
        self._make = make
        self._known: dict[int, tuple[Stretch, _T]] = {}  # by identity: to hash 30 values takes longer than a line

    def __getitem__(self, stretch: Stretch) -> _T:
        known = self._known.get(id(stretch))
        if known is not None and known[0] is stretch:
            return known[1]
        if len(self._known) >= _REMEMBERED:
            self._known.clear()
        made = self._make(stretch)
        self._known[id(stretch)] = stretch, made
        return made
