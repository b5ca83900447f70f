"""An exported file read back: its format found, every row checked, and given to the database."""

import json
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, NoReturn

from meterlink.core.errors import InputError
from meterlink.core.nesting import is_too_deep
from meterlink.core.text import LONGEST_REMARK, clean_text
from meterlink.record.exchange import csv_form, jsonl_form, senml_form
from meterlink.record.exchange.formats import ExportFormat, require
from meterlink.record.exchange.values import from_binary, from_json
from meterlink.store.exchange_fields import (
    ACCEPTED_FIELDS,
    CORRECTION_FIELDS,
    LATER_FIELDS,
    RAW_FIELDS,
    RAW_ROW_FIELDS,
    READING_FIELDS,
    STRETCH_FIELDS,
    VERDICT_FIELDS,
    VISIT_FIELDS,
    VOID_FIELDS,
    Field,
)
from meterlink.store.exported import Row, Value
from meterlink.store.imported import ImportedRows, Record

Convert = Callable[[Field, Any], Value]
Counted = Callable[[int], None]

_PARQUET_MAGIC = b"PAR1"
_DERIVED = {"at", "value"}  # from other fields: not read back
_ROW = [(field, place) for place, field in enumerate(RAW_ROW_FIELDS) if field.name not in _DERIVED]
_REMEMBERED = 512  # ends of rows that many raw readings have in common
_COUNTED_AT_ONCE = 1_000


def format_of(path: Path) -> ExportFormat:
    """Return the format of an exported file, by its contents.

    Raises:
        InputError: the file cannot be read, or is of none of the formats.
    """
    try:
        with path.open("rb") as file:
            begin = file.read(4096)
    except (OSError, ValueError) as error:
        reason = (isinstance(error, OSError) and error.strerror) or "no file has such a name"
        raise InputError(f"{clean_text(str(path))} cannot be read: {reason}.", "Name an exported file.") from error
    text = begin.lstrip(b"\xef\xbb\xbf \t\r\n")
    if begin.startswith(_PARQUET_MAGIC):
        return ExportFormat.PARQUET
    if text.startswith(b"{"):
        return ExportFormat.JSONL
    if text.startswith(b"["):
        return ExportFormat.SENML
    if begin[:1] and begin[0] >> 5 == 4:  # an array of CBOR
        return ExportFormat.CBOR
    header = text.split(b"\n", 1)[0].rstrip(b"\r").split(b",")
    if b"utc_ns" in header:
        return ExportFormat.CSV
    hint = " It is a database: take it in with meterlink merge." if begin.startswith(b"SQLite format 3\0") else ""
    raise InputError(
        f"{clean_text(path.name)} is no export of readings.{hint}",
        "" if hint else "Name a file that meterlink export wrote: csv, jsonl, senml, cbor or parquet.",
    )


def read_into(path: Path, form: ExportFormat, rows: ImportedRows, counted: Counted) -> int:
    """Give all readings of a file to ``rows``; return their number. ``counted`` is called with numbers of readings.

    Raises:
        InputError: a row cannot be read; the message names the file and the line.
    """
    require(form)
    reader = _Reader(rows, counted)
    with _located(clean_text(path.name), reader):
        match form:
            case ExportFormat.CSV:
                with path.open(encoding="utf-8-sig", newline="") as file:
                    reader.read_csv(file)
            case ExportFormat.JSONL:
                with path.open(encoding="utf-8-sig", newline="\n") as file:
                    reader.read_jsonl(file)
            case ExportFormat.SENML:
                with path.open(encoding="utf-8-sig") as file:
                    records: Iterator[Any] = senml_form.read_json(file)
                    reader.read_named(senml_form.reading_values(records), senml_form.from_senml)
            case ExportFormat.CBOR:
                from meterlink.record.exchange.cbor_form import read_cbor  # noqa: PLC0415  # only where it is needed

                with path.open("rb") as binary:
                    reader.read_named(senml_form.reading_values(read_cbor(binary)), senml_form.from_senml)
            case _:
                from meterlink.record.exchange.parquet_form import read_rows  # noqa: PLC0415  # as above

                metadata, named = read_rows(path)
                if metadata.get("anonymous") == "true":
                    _refuse_anonymous()
                reader.read_named(named, from_binary)
    return reader.readings


class _Reader:
    """Reads the rows of a file; ``place`` is that of the present one, in words."""

    def __init__(self, rows: ImportedRows, counted: Counted) -> None:
        self._rows = rows
        self._counted = counted
        self._commons: dict[tuple[Any, ...], Row] = {}
        self.readings = 0
        self.number = 1
        self.place = "{}"

    def read_csv(self, lines: Iterable[str]) -> None:
        """Read a table of accepted or raw readings.

        Raises:
            InputError: a row cannot be read.
        """
        read = csv_form.read_rows(lines)
        _, header = next(read, (1, []))
        fields = ACCEPTED_FIELDS if "uid" in header else RAW_FIELDS
        places = _places(fields, header)
        for self.number, cells in read:
            if len(cells) != len(header):
                raise InputError(f"It has {len(cells)} cells.", f"Write {len(header)}, as the first line has.")
            if fields is RAW_FIELDS:
                self._add_raw(cells if places is None else [cells[place] for place in places], csv_form.from_cell)
            else:
                self._add_named(dict(zip(header, cells, strict=True)), csv_form.from_cell)

    def read_jsonl(self, lines: Iterable[str]) -> None:
        """Read JSON Lines: the export, visits, and accepted or raw readings.

        Raises:
            InputError: a line cannot be read.
        """
        kinds = {
            "raw reading": self._add_raw_line,
            "accepted reading": self._add_accepted_line,
            "visit": self._add_visit,
            "export": _check_export,
            "end": self._check_end,
        }
        record: dict[str, Any] = {}
        for self.number, text in enumerate(lines, 1):
            record = _object(text)
            add = kinds.get(str(record.get("record")))
            if add is None:
                raise InputError(f"record is {record.get('record')!r}.", "Keep the lines of the export.")
            add(record)
        if record.get("record") != "end":
            raise InputError("The last line is no end: the file is cut off.", "Export it again.")

    def read_named(self, readings: Iterable[Mapping[str, object]], convert: Convert) -> None:
        """Read readings whose values have names; a value that is missing is null.

        Raises:
            InputError: a reading cannot be read.
        """
        self.place = "reading {}"
        for self.number, reading in enumerate(readings, 1):
            if "utc_ns" not in reading:
                raise InputError("It has no utc_ns.", "Name a file that meterlink export wrote.")
            if "uid" in reading:
                self._add_named(reading, convert)
            else:
                self._add_raw([reading.get(field.name) for field in RAW_FIELDS], convert)

    def _add_raw(self, cells: Sequence[Any], convert: Convert) -> None:
        """Add a raw reading from its cells, in the order of `RAW_FIELDS`."""
        key = tuple(cells[len(RAW_ROW_FIELDS) :])
        try:
            common = self._commons.get(key)
        except TypeError:  # an array or an object, which no field has: its conversion says so
            common = None
        if common is None:
            common = tuple(convert(field, cell) for field, cell in zip(STRETCH_FIELDS, key, strict=True))
            if len(self._commons) >= _REMEMBERED:
                self._commons.clear()
            self._commons[key] = common
        self._rows.add_raw([convert(field, cells[place]) for field, place in _ROW], common)
        self._count()

    def _add_named(self, reading: Mapping[str, Any], convert: Convert) -> None:
        """Add an accepted reading of a table: with one verdict, and with one void and one correction if it has them."""
        values: Record = {
            field.name: convert(field, reading.get(field.name)) if _is_there(field, reading) else None
            for field in ACCEPTED_FIELDS
            if field.name not in _DERIVED
        }
        voids = [] if values["void_uid"] is None else [values]
        corrections = [] if values["correction_uid"] is None else [values]
        self._rows.add_accepted(values, [values], voids, corrections)
        self._count()

    def _add_raw_line(self, record: Mapping[str, Any]) -> None:
        for field in RAW_FIELDS:
            if field.name not in record:
                _refuse_missing(field)
        self._add_raw([record[field.name] for field in RAW_FIELDS], from_json)

    def _add_accepted_line(self, record: Mapping[str, Any]) -> None:
        self._rows.add_accepted(
            _values(READING_FIELDS, record),
            [_values(VERDICT_FIELDS, part) for part in _array(record, "verdicts")],
            [_values(VOID_FIELDS, part) for part in _array(record, "voids")],
            [_values(CORRECTION_FIELDS, part) for part in _array(record, "corrections")],
        )
        self._count()

    def _add_visit(self, record: Mapping[str, Any]) -> None:
        visit: dict[str, Any] = _values(VISIT_FIELDS, record)
        for key, fields in jsonl_form.PARTS_OF_VISIT.items():
            visit[key] = [_values(fields, part) for part in _array(record, key)]
        self._rows.add_visit(visit)

    def _check_end(self, record: Mapping[str, Any]) -> None:
        if record.get("readings") != self.readings:
            raise InputError(
                f"The file has {self.readings} readings of {record.get('readings')}.",
                "Export it again: lines are missing.",
            )

    def _count(self) -> None:
        self.readings += 1
        if self.readings % _COUNTED_AT_ONCE == 0:
            self._counted(_COUNTED_AT_ONCE)


@contextmanager
def _located(name: str, reader: _Reader) -> Iterator[None]:
    """Let errors name the file and the line.

    Raises:
        InputError: as in the context, with the place.
    """
    try:
        yield
    except InputError as error:
        place = reader.place.format(reader.number)
        message = clean_text(error.message, LONGEST_REMARK)  # it quotes the file
        raise InputError(f"{name}:{place}: {message}", error.remedy) from error
    except UnicodeDecodeError as error:
        place = reader.place.format(reader.number)
        raise InputError(
            f"{name}: after {place}: it is no UTF-8: {error.reason}.", "Write the file as UTF-8."
        ) from error


def _places(fields: Sequence[Field], header: Sequence[str]) -> list[int] | None:
    """Return the place of each field in a row; None where the fields stand in their own order.

    Raises:
        InputError: a column is missing, or is there twice.
    """
    names = [field.name for field in fields]
    if list(header) == names:
        return None
    for field in names:
        if header.count(field) != 1 and field not in _DERIVED and (field in header or field not in LATER_FIELDS):
            there = "missing" if field not in header else "there twice"
            raise InputError(f"The column {field} is {there}.", "Keep the columns of the export.")
    return [header.index(field) if field in header else header.index("utc_ns") for field in names]


def _check_export(record: Mapping[str, Any]) -> None:
    if record.get("anonymous") is not False:
        _refuse_anonymous()
    if record.get("format") != jsonl_form.FORMAT:
        raise InputError(f"Its format is {record.get('format')!r}.", "Update Meterlink: a newer one wrote the file.")


def _object(text: str) -> dict[str, Any]:
    try:
        record = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise InputError(f"It is no JSON: {error}.", "Write one object on each line.") from error
    if not isinstance(record, dict) or is_too_deep(record):
        raise InputError("It is no object of JSON, or one that is nested too deeply.", "Write one object on each line.")
    return record


def _array(record: Mapping[str, Any], key: str) -> list[dict[str, Any]]:
    array = record.get(key, [])
    if not isinstance(array, list) or not all(isinstance(item, dict) for item in array):
        raise InputError(f"{key} is no array of objects.", "Keep the keys of the export.")
    return array


def _values(fields: Sequence[Field], record: Mapping[str, Any]) -> dict[str, Value]:
    """Return the values of the fields of an object.

    Raises:
        InputError: one is missing, or of another type.
    """
    for field in fields:
        if field.name not in _DERIVED and not _may_miss(field, record):
            _refuse_missing(field)
    return {
        field.name: from_json(field, record[field.name]) if field.name in record else None
        for field in fields
        if field.name not in _DERIVED
    }


def _is_there(field: Field, record: Mapping[str, Any]) -> bool:
    return field.name in record or field.name not in LATER_FIELDS


def _may_miss(field: Field, record: Mapping[str, Any]) -> bool:
    return field.name in record or field.name in LATER_FIELDS


def _refuse_missing(field: Field) -> NoReturn:
    raise InputError(f"The key {field.name} is missing.", "Keep the keys of the export.")


def _refuse_anonymous() -> NoReturn:
    raise InputError(
        "This is an anonymous export: it has numbers in place of names, and cannot be imported.",
        "Export again without --anonymous.",
    )
