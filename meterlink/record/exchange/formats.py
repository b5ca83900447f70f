"""The formats of an export, and the writer of each."""

from collections.abc import Callable, Iterable, Iterator
from enum import StrEnum
from importlib.util import find_spec
from pathlib import Path
from typing import BinaryIO, TypeVar, cast

from meterlink.core.errors import InputError
from meterlink.record.exchange import csv_form, jsonl_form, senml_form
from meterlink.record.exchange.pseudonyms import Pseudonyms
from meterlink.record.exchange.values import PerStretch
from meterlink.store.exchange_fields import ACCEPTED_FIELDS, RAW_ROW_FIELDS, STRETCH_FIELDS
from meterlink.store.exported import AcceptedReadings, Page, RawReadings, RawRow, Row, Stretch

_T = TypeVar("_T")
Counted = Callable[[int], None]
"""Called with a number of readings that were written."""


class ExportFormat(StrEnum):
    """A format of an export; its value is also the usual ending of such a file, but that of SenML."""

    CSV = "csv"
    JSONL = "jsonl"
    SENML = "senml"
    CBOR = "cbor"
    PARQUET = "parquet"


ENDINGS = {
    ".csv": ExportFormat.CSV,
    ".jsonl": ExportFormat.JSONL,
    ".ndjson": ExportFormat.JSONL,
    ".senml": ExportFormat.SENML,
    ".json": ExportFormat.SENML,
    ".cbor": ExportFormat.CBOR,
    ".senmlc": ExportFormat.CBOR,  # RFC 8428 section 12.3.2
    ".parquet": ExportFormat.PARQUET,
}
BINARY = {ExportFormat.CBOR, ExportFormat.PARQUET}
"""Formats that no terminal can show."""


def require(form: ExportFormat) -> None:
    """Do nothing if the library that a format needs is installed.

    Raises:
        InputError: it is not.
    """
    if form is ExportFormat.PARQUET and find_spec("pyarrow") is None:
        raise InputError(
            "Parquet needs the library pyarrow, which is not installed.", "Install it: pip install 'meterlink[parquet]'"
        )


def write_accepted(
    form: ExportFormat, file: BinaryIO, source: AcceptedReadings, names: Pseudonyms | None, counted: Counted
) -> None:
    """Write accepted readings in a format other than Parquet; ``names`` replaces names of persons and places."""
    match form:
        case ExportFormat.JSONL:
            jsonl_form.write_accepted(file, _each(source.readings(), counted), source, names)
        case ExportFormat.CSV:
            csv_form.write_accepted(file, accepted_rows(source, names, counted))
        case ExportFormat.SENML:
            senml_form.write_json(file, senml_form.accepted_records(accepted_rows(source, names, counted)))
        case _:
            from meterlink.record.exchange.cbor_form import write_cbor  # noqa: PLC0415  # only where it is needed

            write_cbor(file, senml_form.accepted_records(accepted_rows(source, names, counted)))


def write_raw(
    form: ExportFormat, file: BinaryIO, source: RawReadings, names: Pseudonyms | None, counted: Counted
) -> None:
    """Write raw readings in a format other than Parquet; ``names`` replaces names of persons and places."""
    pages = raw_pages(source, names, counted)
    match form:
        case ExportFormat.JSONL:
            jsonl_form.write_raw(file, pages, source, names)
        case ExportFormat.CSV:
            csv_form.write_raw(file, pages)
        case ExportFormat.SENML:
            senml_form.write_json(file, senml_form.raw_records(pages))
        case _:
            from meterlink.record.exchange.cbor_form import write_cbor  # noqa: PLC0415  # as above

            write_cbor(file, senml_form.raw_records(pages))


def write_parquet(
    path: Path, source: AcceptedReadings | RawReadings, names: Pseudonyms | None, counted: Counted
) -> None:
    """Write accepted or raw readings as Parquet; the library wants a path."""
    from meterlink.record.exchange import parquet_form  # noqa: PLC0415  # pyarrow takes a second, and may be missing

    if isinstance(source, AcceptedReadings):
        parquet_form.write_accepted(path, accepted_rows(source, names, counted), anonymous=names is not None)
    else:
        parquet_form.write_raw(path, raw_pages(source, names, counted), anonymous=names is not None)


def accepted_rows(source: AcceptedReadings, names: Pseudonyms | None, counted: Counted) -> Iterator[Row]:
    """Yield the rows of accepted readings (`ACCEPTED_FIELDS`)."""
    for row in _each(source.rows(), counted):
        yield row if names is None else names.replace(ACCEPTED_FIELDS, row)


def raw_pages(source: RawReadings, names: Pseudonyms | None, counted: Counted) -> Iterator[Page]:
    """Yield pages of raw readings."""

    def anonymous(stretch: Stretch) -> Stretch:
        assert names is not None  # noqa: S101  # only called below
        return stretch._replace(values=names.replace(STRETCH_FIELDS, stretch.values))

    stretches = PerStretch(anonymous)
    for page in source.pages():
        if names is None:
            yield page
        else:
            yield [(cast("RawRow", names.replace(RAW_ROW_FIELDS, row)), stretches[stretch]) for row, stretch in page]
        counted(len(page))


def _each(items: Iterable[_T], counted: Counted) -> Iterator[_T]:
    for item in items:
        yield item
        counted(1)
