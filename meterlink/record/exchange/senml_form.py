"""Readings as SenML (RFC 8428): a pack in JSON whose records begin anew with each reading.

The first record of a reading has base name, base time and the value in its base unit, or its status. Limits and the
half-width of the uncertainty follow in base units, then every field that is not null under its own name: texts and
whole numbers as strings, so that no digit is lost, other numbers as ``v``, flags as ``vb``, the packet as ``vd``.

A pack that is still being written is a stream in the sense of RFC 8428 section 4.8 (``application/sensml+json``); the
finished file is a pack (``application/senml+json``), of which a reader may take record after record.
"""

import base64
import json
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from decimal import Decimal
from functools import lru_cache, partial
from typing import Any, BinaryIO, TextIO

from meterlink.core.equipment import Meter
from meterlink.core.errors import InputError
from meterlink.core.readings import Coupling, Status
from meterlink.core.units import Quantity, to_base
from meterlink.record.exchange.values import PerStretch, from_binary, from_text
from meterlink.record.senml import (
    ABSOLUTE_FROM,
    ROOT,
    Record,
    display_record,
    name_part,
    quantity_record,
    resolve,
    unique_meter_name,
)
from meterlink.store.exchange_fields import ACCEPTED_FIELDS, RAW_ROW_FIELDS, STRETCH_FIELDS, Field, FieldKind
from meterlink.store.exported import Page, Row, Stretch, Value

_encode = json.JSONEncoder(ensure_ascii=False, separators=(",", ":")).encode
_REMEMBERED_DISPLAYS = 128  # of a stretch: a display at rest shows few values

_CHUNK = 2**16  # characters
_LONGEST_RECORD = 2**24  # characters

# Fields that the first record says already, or that follow from others.
_SAID = {"at", "value"}


ReadingRecords = tuple[list[Record], list[Record]]
"""The records of a reading, and those that it has in common with others: of these, the list is the same object."""


def accepted_records(rows: Iterable[Row]) -> Iterator[ReadingRecords]:
    """Yield the records of each accepted reading (`ACCEPTED_FIELDS`)."""
    for row in rows:
        values = {field.name: value for field, value in zip(ACCEPTED_FIELDS, row, strict=True)}
        parts = (values[name] for name in ("station", "site", "unit", "point"))
        name = "/".join((ROOT, *(name_part(str(part)) for part in parts), ""))
        records = [
            *_first_records(name, values["utc_ns"], _display(values, values["digits"])),
            *_limits(values),
            *_field_records(ACCEPTED_FIELDS, row),
        ]
        yield records, []


def raw_records(pages: Iterable[Page]) -> Iterator[ReadingRecords]:
    """Yield the records of each raw reading (`RAW_FIELDS`)."""
    common = PerStretch(_stretch_records)
    for page in pages:
        for row, stretch in page:
            name, display, records = common[stretch]
            yield [*_first_records(name, row[1], display(row[3])), *_field_records(RAW_ROW_FIELDS, row)], records


def write_json(file: BinaryIO, readings: Iterable[ReadingRecords]) -> None:
    """Write the records of readings as one JSON array, a line for each reading."""
    file.write(b"[")
    before = b"\n"
    common: list[Record] = []
    common_text = ""
    for own, shared in readings:
        if shared is not common:
            common, common_text = shared, "," + _encode([json_record(record) for record in shared])[1:-1]
        text = _encode([json_record(record) for record in own])[1:-1]
        file.write(before + (text + common_text if shared else text).encode())
        before = b",\n"
    file.write(b"\n]\n")


def json_record(record: Record) -> Mapping[str, str | float | bool | bytes]:
    """Return a record as JSON has it: binary data in base64 for URLs, without padding (RFC 8428 section 5)."""
    if "vd" not in record:
        return record
    return {
        key: base64.urlsafe_b64encode(value).decode().rstrip("=") if isinstance(value, bytes) else value
        for key, value in record.items()
    }


def _stretch_records(stretch: Stretch) -> tuple[str, Callable[[Value], Record], list[Record]]:
    """Return the base name, the function that makes a value record of digits, and the common records."""
    values = {field.name: value for field, value in zip(STRETCH_FIELDS, stretch.values, strict=True)}
    meter = unique_meter_name(Meter(str(values["meter_address"]), str(values["meter"])))
    name = f"{ROOT}/{name_part(str(values['station']))}/{name_part(meter)}/"
    display = lru_cache(_REMEMBERED_DISPLAYS)(partial(_display, values))
    return name, display, list(_field_records(STRETCH_FIELDS, stretch.values))


def _first_records(name: str, utc_ns: Value, display: Record) -> list[Record]:
    assert isinstance(utc_ns, int)  # noqa: S101  # the column is
    if utc_ns >= ABSOLUTE_FROM:
        return [{"bn": name, "bt": utc_ns / 1_000_000_000, **display}]
    # The clock was not set: a time relative to now, which is unknown (RFC 8428 section 4.5.3).
    return [{"bn": name, "bt": 0, "n": "clock", "vs": "not set"}, display]


def _display(values: dict[str, Value], digits: Value) -> Record:
    return display_record(
        Quantity(str(values["quantity"])),
        None if digits is None else Decimal(str(digits)),
        str(values["unit_symbol"]),
        Status(str(values["status"])),
        None if values["coupling"] is None else Coupling(str(values["coupling"])),
    )


def _limits(values: dict[str, Value]) -> Iterator[Record]:
    unit = values["limits_unit"]
    if unit is None:
        return
    quantity = Quantity(str(values["quantity"]))
    for name, value in (("limit-low", values["limits_low"]), ("limit-high", values["limits_high"])):
        if value is not None:
            yield quantity_record(name, quantity, to_base(Decimal(str(value)), str(unit)))
    if values["expanded_uncertainty"] is not None:
        # A half-width is a difference: from °F only the scale factor applies, not the offset of 32 degrees.
        width = to_base(Decimal(str(values["expanded_uncertainty"])), str(unit)) - to_base(Decimal(0), str(unit))
        yield quantity_record("expanded-uncertainty", quantity, width)


def _field_records(fields: Sequence[Field], row: Row) -> Iterator[Record]:
    for field, value in zip(fields, row, strict=True):
        if value is None or field.name in _SAID:
            continue
        match field.kind:
            case FieldKind.FLAG:
                yield {"n": field.name, "vb": bool(value)}
            case FieldKind.REAL:
                assert isinstance(value, float)  # noqa: S101  # the column is
                yield {"n": field.name, "v": value}
            case FieldKind.BYTES:
                assert isinstance(value, bytes)  # noqa: S101  # the column is
                yield {"n": field.name, "vd": value}
            case _:
                yield {"n": field.name, "vs": str(value)}


def read_json(file: TextIO) -> Iterator[object]:
    """Yield the items of a JSON array, one in memory.

    Raises:
        InputError: the text is no JSON array.
    """
    decoder, text, place = json.JSONDecoder(), "", 0
    is_open = False
    while True:
        more = file.read(_CHUNK)
        text, place = text[place:] + more, 0
        while True:
            place = _after_spaces(text, place, "," if is_open else "")
            if place >= len(text):
                break
            if not is_open:
                if text[place] != "[":
                    raise InputError("The file is no array of JSON.", "Write SenML as RFC 8428 section 5 says.")
                is_open, place = True, place + 1
            elif text[place] == "]":
                return
            else:
                try:
                    item, place = decoder.raw_decode(text, place)
                except (ValueError, RecursionError) as error:
                    if more and len(text) - place < _LONGEST_RECORD and isinstance(error, ValueError):
                        break  # it goes on in the next chunk
                    raise InputError(f"The file is damaged or cut off: {error}.", "Export it again.") from error
                yield item
        if not more:
            raise InputError("The file is cut off: its array has no end.", "Export it again.")


def reading_values(records: Iterable[Mapping[str, Any]]) -> Iterator[dict[str, object]]:
    """Yield the named values of each reading; a reading begins with a record that sets the base name.

    Raises:
        InputError: a record breaks a rule of the RFC.
    """
    values: dict[str, object] = {}
    for record in resolve(records):
        if record.begins and values:
            yield values
            values = {}
        values[record.name.removeprefix(record.base_name)] = record.value
    if values:
        yield values


def from_senml(field: Field, value: object) -> Value:
    """Return the value of a field from that of its record.

    Raises:
        InputError: the field has no such value.
    """
    if value is None and not field.null:
        return from_text(field, "")
    if field.kind is FieldKind.BYTES and isinstance(value, str):
        try:
            return base64.b64decode(value + "=" * (-len(value) % 4), altchars=b"-_", validate=True)
        except ValueError as error:
            raise InputError(f"{field.name} is no base64: {error}.", "Write it as RFC 8428 section 5 says.") from error
    if field.kind in {FieldKind.INTEGER, FieldKind.TIME} and isinstance(value, str):
        return from_text(field, value)
    return from_binary(field, value)


def _after_spaces(text: str, place: int, separator: str) -> int:
    while place < len(text) and text[place] in f" \t\r\n{separator}":
        place += 1
    return place
