"""Readings as Parquet: typed columns, row groups of some ten thousand readings. The only importer of pyarrow.

A decimal number is text, with every digit of the display; ``value`` is the same number as a double. Times of the wall
clock are timestamps in ns, UTC. Names that repeat are kept once in each row group.
"""

import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import islice
from pathlib import Path

# Arrow's own allocators keep 20 MB more; it reads this when it is imported.
os.environ.setdefault("ARROW_DEFAULT_MEMORY_POOL", "system")

import pyarrow as pa
import pyarrow.parquet as pq

from meterlink.core.errors import InputError
from meterlink.store.exchange_fields import (
    ACCEPTED_FIELDS,
    RAW_ROW_FIELDS,
    STRETCH_FIELDS,
    Field,
    FieldKind,
)
from meterlink.store.exported import Page, Row

# Raw readings. A larger group takes more memory while it is made; with smaller ones the descriptions of all groups,
# which are in memory at once, take more: ten million readings take 136 MB to write, with a group of 50,000 150 MB.
_GROUP = 30_000
_STATISTICS = ["at"]  # a reader skips groups by time; those of the other columns would stay in memory to the end
_READ_AT_ONCE = 2_000  # rows
_ACCEPTED_GROUP = 4_000  # they have three times as many columns
_TYPES = {
    FieldKind.TEXT: pa.string(),
    FieldKind.DECIMAL: pa.string(),
    FieldKind.INTEGER: pa.int64(),
    FieldKind.TIME: pa.timestamp("ns", tz="UTC"),
    FieldKind.REAL: pa.float64(),
    FieldKind.FLAG: pa.bool_(),
    FieldKind.BYTES: pa.binary(),
}
# Texts that many readings have in common: in memory each is a number in a dictionary.
_SHARED_TEXT = pa.dictionary(pa.int32(), pa.string())
_STRETCH_TYPES = {**_TYPES, FieldKind.TEXT: _SHARED_TEXT, FieldKind.DECIMAL: _SHARED_TEXT}


def write_accepted(path: Path, rows: Iterable[Row], *, anonymous: bool) -> None:
    """Write accepted readings (`ACCEPTED_FIELDS`)."""
    schema = _schema(ACCEPTED_FIELDS, _TYPES, "accepted", anonymous=anonymous)
    remaining = iter(rows)
    with pq.ParquetWriter(path, schema) as writer:
        while chunk := list(islice(remaining, _ACCEPTED_GROUP)):
            columns = [
                pa.array([_arrow(field, value) for value in column], _TYPES[field.kind])
                for field, column in zip(ACCEPTED_FIELDS, zip(*chunk, strict=True), strict=True)
            ]
            writer.write_table(pa.Table.from_arrays(columns, schema=schema))


def write_raw(path: Path, pages: Iterable[Page], *, anonymous: bool) -> None:
    """Write raw readings (`RAW_FIELDS`); the values of a stretch are made once in a page."""
    schema = pa.unify_schemas(
        [
            _schema(RAW_ROW_FIELDS, _TYPES, "raw", anonymous=anonymous),
            _schema(STRETCH_FIELDS, _STRETCH_TYPES, "raw", anonymous=anonymous),
        ]
    )
    with pq.ParquetWriter(path, schema, write_statistics=_STATISTICS) as writer:
        for group in _groups(_raw_table(page, schema) for page in pages if page):
            writer.write_table(pa.concat_tables(group).unify_dictionaries())


def _raw_table(page: Page, schema: pa.Schema) -> pa.Table:
    rows, stretches = zip(*page, strict=True)
    distinct = {id(stretch): stretch for stretch in stretches}
    numbers = {key: number for number, key in enumerate(distinct)}
    places = pa.array([numbers[id(stretch)] for stretch in stretches], pa.int32())
    columns = [
        pa.array(column, _TYPES[field.kind])
        for field, column in zip(RAW_ROW_FIELDS, zip(*rows, strict=True), strict=True)
    ]
    of_stretches = zip(*(stretch.values for stretch in distinct.values()), strict=True)
    columns += [
        pa.array([_arrow(field, value) for value in column], _STRETCH_TYPES[field.kind]).take(places)
        for field, column in zip(STRETCH_FIELDS, of_stretches, strict=True)
    ]
    return pa.Table.from_arrays(columns, schema=schema)


def _groups(tables: Iterable[pa.Table]) -> Iterator[list[pa.Table]]:
    group: list[pa.Table] = []
    for table in tables:
        group.append(table)
        if sum(map(len, group)) >= _GROUP:
            yield group
            group = []
    if group:
        yield group


def _schema(
    fields: Sequence[Field], types: Mapping[FieldKind, pa.DataType], readings: str, *, anonymous: bool
) -> pa.Schema:
    metadata = {"meterlink": "meterlink-export-1", "readings": readings, "anonymous": str(anonymous).lower()}
    return pa.schema(
        [
            pa.field(field.name, types[field.kind], nullable=bool(field.null), metadata={"meaning": field.meaning})
            for field in fields
        ],
        metadata,
    )


def _arrow(field: Field, value: object) -> object:
    """Return a value as pyarrow takes it: a flag is a bool."""
    return bool(value) if field.kind is FieldKind.FLAG and value is not None else value


def read_rows(path: Path) -> tuple[dict[str, str], Iterator[dict[str, object]]]:
    """Return the metadata of the file (``readings``, ``anonymous``) and its rows, some in memory.

    Raises:
        InputError: it is no Parquet; the rows raise it where the file is damaged.
    """
    try:
        file = pq.ParquetFile(path)
    except (pa.ArrowException, OSError) as error:
        raise InputError(f"{path.name} is no Parquet: {error}.", "Export it again.") from error
    metadata = {key.decode(): value.decode() for key, value in (file.schema_arrow.metadata or {}).items()}
    return metadata, _rows(file)


def _rows(file: pq.ParquetFile) -> Iterator[dict[str, object]]:
    names = file.schema_arrow.names
    try:
        with file:
            for group in range(file.num_row_groups):
                for batch in file.iter_batches(batch_size=_READ_AT_ONCE, row_groups=[group]):
                    for row in zip(*map(_plain_values, batch.columns), strict=True):
                        yield dict(zip(names, row, strict=True))
    except (pa.ArrowException, OSError, UnicodeDecodeError) as error:
        raise InputError(f"The file is damaged: {error}.", "Export it again.") from error


def _plain_values(column: pa.Array) -> list[object]:
    """Return the values of a column; a time in ns, also where another program wrote it again in coarser units."""
    if pa.types.is_dictionary(column.type):
        column = column.dictionary_decode()
    if pa.types.is_timestamp(column.type):
        column = column.cast(pa.timestamp("ns", column.type.tz)).cast(pa.int64())
    values: list[object] = column.to_pylist()
    return values
