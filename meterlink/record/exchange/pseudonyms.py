"""Names of persons and places replaced by numbers: *site 1*, *meter 2*; the same for the same name within one file."""

from collections import defaultdict
from collections.abc import Sequence

from meterlink.store.exchange_fields import Field, FieldKind, Personal
from meterlink.store.exported import Row, Value

# The field whose value tells two of a kind apart, where it is not the field itself.
_KNOWN_BY = {Personal.METER: "meter_address"}
_WITHIN = {Personal.UNIT: "site"}


class Pseudonyms:
    """Replaces the personal fields of rows (see `Personal`). Measurements, limits, verdicts and times stay."""

    def __init__(self) -> None:
        self._numbers: dict[Personal, dict[object, int]] = defaultdict(dict)

    def replace(self, fields: Sequence[Field], row: Row) -> Row:
        """Return the row with its personal fields replaced or left out."""
        by_name = {field.name: value for field, value in zip(fields, row, strict=True)}
        return tuple(self._value(field, value, by_name) for field, value in zip(fields, row, strict=True))

    def _value(self, field: Field, value: Value, row: dict[str, Value]) -> Value:
        kind = field.personal
        if kind is Personal.NO or value is None or value == "":
            return value
        if kind is Personal.LEFT_OUT:
            return left_out(field)
        key: object = row.get(_KNOWN_BY.get(kind, ""), value)
        if kind in _WITHIN:
            key = (row.get(_WITHIN[kind]), value)
        numbers = self._numbers[kind]
        return f"{kind} {numbers.setdefault(key, len(numbers) + 1)}"


def left_out(field: Field) -> Value:
    """Return the value of a field that is left out."""
    if field.null:
        return None
    return b"" if field.kind is FieldKind.BYTES else ""
