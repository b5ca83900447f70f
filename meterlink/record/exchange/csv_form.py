"""Readings as CSV (RFC 4180): a header, lines that end in CR LF, UTF-8.

A spreadsheet takes a cell that begins with ``=``, ``+``, ``-`` or ``@`` for a formula, and runs it. So a text that
begins with one of these, with a tab, a line end or ``'`` gets a ``'`` before it, which the import removes again.
Numbers stay as they are. An empty cell is null where a field may be null; an empty text in such a field is ``'``.
"""

import csv
import io
from collections.abc import Iterable, Iterator, Sequence
from typing import BinaryIO

from meterlink.core.errors import InputError
from meterlink.record.exchange.values import NUMBER, PerStretch, from_text
from meterlink.store.exchange_fields import ACCEPTED_FIELDS, RAW_FIELDS, STRETCH_FIELDS, Field, FieldKind
from meterlink.store.exported import Page, Row, Value

# Cells that a spreadsheet may run; the last four are the wide forms of the first four, which some take for them.
_RISKY = frozenset("=+-@\t\r\n'＝＋－＠")  # wide forms are meant
_ROWS_AT_ONCE = 1_000  # in one write
_LONGEST_CELL = 2**24  # characters; Python's limit is 2**17, and a question with its choices may come near it


def write_accepted(file: BinaryIO, rows: Iterable[Row]) -> None:
    """Write accepted readings (`ACCEPTED_FIELDS`)."""
    lines = io.StringIO()
    writer = csv.writer(lines, lineterminator="\r\n")
    writer.writerow([field.name for field in ACCEPTED_FIELDS])
    for number, row in enumerate(rows, 1):
        writer.writerow(cells(ACCEPTED_FIELDS, row))
        if number % _ROWS_AT_ONCE == 0:
            _drain(lines, file)
    _drain(lines, file)


def write_raw(file: BinaryIO, pages: Iterable[Page]) -> None:
    """Write raw readings (`RAW_FIELDS`): the cells of a stretch are made once."""
    file.write((",".join(field.name for field in RAW_FIELDS) + "\r\n").encode())
    ends = PerStretch(lambda stretch: f",{csv_line(cells(STRETCH_FIELDS, stretch.values))}")
    for page in pages:
        lines = [
            f"{at},{utc_ns},{monotonic_ns},{'' if digits is None else digits},{'' if value is None else value},"
            f"{packet.hex()}{ends[stretch]}"
            for (at, utc_ns, monotonic_ns, digits, value, packet), stretch in page
        ]
        file.write("".join(lines).encode())


def cells(fields: Sequence[Field], row: Row) -> list[str]:
    """Return the cells of a row."""
    return [_cell(field, value) for field, value in zip(fields, row, strict=True)]


def csv_line(texts: Sequence[str]) -> str:
    """Return cells as a line with its end."""
    line = io.StringIO()
    csv.writer(line, lineterminator="\r\n").writerow(texts)
    return line.getvalue()


def _cell(field: Field, value: Value) -> str:
    match value:
        case None:
            return ""
        case bytes():
            return value.hex()
        case int() | float():
            return repr(value)
    if field.kind is FieldKind.DECIMAL and NUMBER.fullmatch(value):
        return value
    if value == "":
        return "'" if field.null else ""
    return f"'{value}" if value[0] in _RISKY else value


def _drain(lines: io.StringIO, file: BinaryIO) -> None:
    file.write(lines.getvalue().encode())
    lines.seek(0)
    lines.truncate()


def read_rows(lines: Iterable[str]) -> Iterator[tuple[int, list[str]]]:
    """Yield the number of the line (from 1) and the cells of each row, the header first.

    Raises:
        InputError: the text is no CSV, or was cut off.
    """
    csv.field_size_limit(_LONGEST_CELL)
    last = "\n"

    def remembered() -> Iterator[str]:
        nonlocal last
        for last in lines:  # noqa: UP028  # looked at below
            yield last

    rows = csv.reader(remembered(), strict=True)
    try:
        for row in rows:
            if not last.endswith(("\n", "\r")):
                raise InputError("The line has no end: the file is cut off.", "Export it again.")
            if row:
                yield rows.line_num, row
    except csv.Error as error:
        raise InputError(f"Line {rows.line_num} is no CSV: {error}.", "Write it as RFC 4180 says.") from error


def from_cell(field: Field, cell: str) -> Value:
    """Return the value of a cell.

    Raises:
        InputError: the field has no such value.
    """
    if field.kind in {FieldKind.TEXT, FieldKind.DECIMAL} and cell.startswith("'"):
        return cell[1:] if field.kind is FieldKind.TEXT else from_text(field, cell[1:])
    return from_text(field, cell)
