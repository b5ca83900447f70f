"""Readings as JSON Lines: one object a line, UTF-8. The key ``record`` names its kind.

The first line is the ``export``: its format, the kind of its readings, and whether names were replaced. The line of a
``visit`` comes before the first reading of it. An ``accepted reading`` has all its verdicts, voids and corrections,
oldest first; a ``raw reading`` is as in a table. The last line is the ``end``, with the number of readings: a file that
was cut off between two lines lacks it.
"""

import json
from collections.abc import Callable, Iterable
from typing import BinaryIO

from meterlink.record.exchange.pseudonyms import Pseudonyms
from meterlink.record.exchange.values import PerStretch, json_object, json_value, values_of
from meterlink.store.exchange_fields import (
    CORRECTION_FIELDS,
    KEY_FIELDS,
    NOTE_FIELDS,
    POINT_FIELDS,
    READING_FIELDS,
    REPLACEMENT_FIELDS,
    SALT_FIELDS,
    SEAL_FIELDS,
    STRETCH_FIELDS,
    VERDICT_FIELDS,
    VISIT_FIELDS,
    VOID_FIELDS,
    Field,
)
from meterlink.store.exported import AcceptedReadings, Nested, Page, RawReadings, Stretch

FORMAT = "meterlink-export-1"

PARTS_OF_VISIT: dict[str, tuple[Field, ...]] = {
    "points": POINT_FIELDS,
    "notes": NOTE_FIELDS,
    "replacements": REPLACEMENT_FIELDS,
    "seals": SEAL_FIELDS,
    "seal_salts": SALT_FIELDS,
    "station_keys": KEY_FIELDS,
}
"""The arrays of a visit, with the fields of their objects."""
_NOT_ANONYMOUS = {"notes", "seals", "seal_salts", "station_keys"}


def write_accepted(
    file: BinaryIO,
    readings: Iterable[tuple[Nested, list[Nested], list[Nested], list[Nested]]],
    source: AcceptedReadings,
    names: Pseudonyms | None,
) -> None:
    """Write accepted readings with all that belongs to them; ``names`` replaces names of persons and places."""
    write = _header(file, "accepted", names)
    known: set[object] = set()
    count = 0
    for count, (reading, verdicts, voids, corrections) in enumerate(readings, 1):  # noqa: B007  # for the last line
        uid = reading["visit_uid"]
        if uid not in known:
            known.add(uid)
            write(_visit(source.visit(str(uid)), names))
        write(
            {
                "record": "accepted reading",
                **_object(READING_FIELDS, reading, names),
                "verdicts": [_object(VERDICT_FIELDS, verdict, names) for verdict in verdicts],
                "voids": [_object(VOID_FIELDS, void, names) for void in voids],
                "corrections": [_object(CORRECTION_FIELDS, correction, names) for correction in corrections],
            }
        )
    write({"record": "end", "readings": count})


def write_raw(
    file: BinaryIO,
    pages: Iterable[Page],
    source: RawReadings,
    names: Pseudonyms | None,
) -> None:
    """Write raw readings; the keys of a stretch are made once."""
    write = _header(file, "raw", names)
    known: set[str | None] = {None}

    def end(stretch: Stretch) -> str:
        # The stretches are anonymous already, and have the number of their visit; the source knows its uid.
        if stretch.visit_uid not in known:
            known.add(stretch.visit_uid)
            new_visits.append(str(stretch.visit_uid))
        return "," + _dump(json_object(STRETCH_FIELDS, stretch.values))[1:] + "\n"

    ends, new_visits, count = PerStretch(end), list[str](), 0
    for page in pages:
        count += len(page)
        lines: list[str] = []
        for (at, utc_ns, monotonic_ns, digits, value, packet), stretch in page:
            text = ends[stretch]
            if new_visits:
                file.write("".join(lines).encode())
                lines.clear()
                write(_visit(source.visit(new_visits.pop()), names))
            number = "null" if digits is None else f'"{digits}"'  # a number of Decimal: nothing in it needs an escape
            lines.append(
                f'{{"record":"raw reading","at":"{at}","utc_ns":{utc_ns},"monotonic_ns":{monotonic_ns},'
                f'"digits":{number},"value":{"null" if value is None else value},"packet":"{packet.hex()}"{text}'
            )
        file.write("".join(lines).encode())
    write({"record": "end", "readings": count})


def _header(file: BinaryIO, readings: str, names: Pseudonyms | None) -> Callable[[dict[str, object]], None]:
    """Write the first line; return the function that writes a line."""

    def write(value: dict[str, object]) -> None:
        file.write(_dump(value).encode() + b"\n")

    write({"record": "export", "format": FORMAT, "readings": readings, "anonymous": names is not None})
    return write


def _visit(visit: Nested, names: Pseudonyms | None) -> dict[str, object]:
    written: dict[str, object] = {"record": "visit", **_object(VISIT_FIELDS, visit, names)}
    for key, fields in PARTS_OF_VISIT.items():
        parts = visit.get(key)
        if isinstance(parts, list):
            is_written = names is None or key not in _NOT_ANONYMOUS
            written[key] = [_object(fields, part, names) for part in parts] if is_written else []
    return written


def _object(fields: tuple[Field, ...], record: Nested, names: Pseudonyms | None) -> dict[str, object]:
    row = values_of(fields, record)
    if names is not None:
        row = names.replace(fields, row)
    return {field.name: json_value(field, value) for field, value in zip(fields, row, strict=True)}


_dump = json.JSONEncoder(ensure_ascii=False, separators=(",", ":")).encode
