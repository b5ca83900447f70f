"""The restock list in the forms that leave the program: CSV (RFC 4180), and a page to take to the counter."""

import csv
import io
import re
from collections.abc import Sequence

from meterlink.core.errors import InputError
from meterlink.core.stock import CAPACITOR, MOST_PARTS
from meterlink.record.entries import plain
from meterlink.record.markup import Markup, element
from meterlink.record.paper import Paper
from meterlink.record.restock import RestockLine, RestockList
from meterlink.record.spreadsheet_text import from_spreadsheet, to_spreadsheet
from meterlink.record.sticker_layout import find_unknown_letter
from meterlink.record.typesetting import PrintForm, typeset

COLUMNS = ("part", "rating", "buy", "used", "on_truck", "low", "place", "meanwhile")
"""The columns of the CSV; `read_restock` needs the first three, and takes the place."""

_MOST_LINES = 1000  # of a list that was bought
_MOST_DIGITS = len(str(MOST_PARTS))
_BOM = "\ufeff"  # spreadsheets put one before UTF-8
_DELIMITERS = ",;\t"  # spreadsheets of some countries write ; instead of ,

# The letters that a line of a cell of the PDF has room for, less one: 93 mm of 13 pt and 26 mm of 10 pt, 0.602 em each.
_PART_COLUMNS, _PLACE_COLUMNS = 32, 11
_ZERO_WIDTH_SPACE = "\u200b"

_TITLE = "Restock list"
_HEADS = ("", "Buy", "Part", "On the truck", "Used", "Low mark", "Place")
_MEANWHILE = "Meanwhile"

_STYLE = """
@page { margin: 12mm; }
body { font: 13pt/1.3 "Noto Sans", "Liberation Sans", Arial, sans-serif; color: #000; background: #fff; margin: 0; }
main { max-width: 186mm; margin: 0 auto; } h1 { font-size: 18pt; margin: 4mm 0 1mm; } p { margin: 0 0 3mm; }
table { width: 100%; border-collapse: collapse; } tr { break-inside: avoid; border-bottom: .2mm solid #000; }
th, td { text-align: left; vertical-align: top; padding: 2.5mm 3mm 2.5mm 0; overflow-wrap: anywhere; }
thead th { font-size: 10pt; font-weight: normal; overflow-wrap: normal; } tbody th { font-size: 16pt; }
.count { font-size: 16pt; font-weight: bold; white-space: nowrap; }
.box { width: 6mm; height: 6mm; border: .5mm solid #000; display: inline-block; }
.small { font-size: 10.5pt; font-weight: normal; display: block; }
"""

_TEMPLATE = """
#let data = json(bytes(sys.inputs.data))
#set document(title: data.title, date: none)
#set page(paper: data.paper, margin: 12mm, footer: context align(right, text(size: 9pt)[#counter(page).display()]))
#set text(font: ("DejaVu Sans Mono"), size: 10pt, lang: "en", fallback: false, ligatures: false)
#heading(text(size: 16pt, data.title))
#text(data.since)
#v(2mm)
#table(
  columns: (8mm, 14mm, 1fr, 17mm, 13mm, 13mm, 28mm), inset: (x: 1mm, y: 2.5mm),
  stroke: (x: none, top: none, bottom: 0.3pt),
  table.header(..data.heads.map(head => text(size: 8pt, head))),
  ..data.lines.map(line => (
    square(size: 5mm, stroke: 0.8pt),
    text(size: 15pt, weight: 700, line.buy),
    [#text(size: 13pt, weight: 700, line.part) #for note in line.notes { linebreak(); text(size: 8pt, note) }],
    text(line.count), text(line.used), text(line.low), text(line.place),
  )).flatten(),
)
"""


def restock_csv(restock: RestockList) -> str:
    """Return the list as CSV of RFC 4180, its lines ended by CR LF.

    A text that a spreadsheet would take for a formula begins with an apostrophe (see `to_spreadsheet`); numbers are
    numbers. ``low`` is empty for a part without a mark.
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(COLUMNS)
    for line in restock.lines:
        count = line.stock
        texts = (line.item.part, line.item.rating, count.place, "; ".join(map(str, line.candidates)))
        part, rating, place, meanwhile = (to_spreadsheet(plain(text)) for text in texts)
        writer.writerow((part, rating, line.to_buy, line.used, count.count, count.low or "", place, meanwhile))
    return out.getvalue()


def read_restock(text: str) -> list[tuple[str, str, int, str]]:
    """Return ``(part, rating, count, place)`` of each line of a CSV that buys something.

    Its columns are those of `restock_csv`, in any order: ``rating`` and ``buy`` at least. A line that buys 0, or
    nothing, is left out.

    Raises:
        InputError: the file is no such CSV; the message names the line.
    """
    try:
        rows = list(csv.reader(io.StringIO(text.removeprefix(_BOM), newline=""), _dialect(text), strict=True))
    except csv.Error as error:
        raise InputError(f"The list is no CSV: {error}.", "Save it as CSV, UTF-8.") from error
    heads = [head.strip().casefold() for head in rows[0]] if rows else []
    if missing := [head for head in ("rating", "buy") if head not in heads]:
        raise InputError(f"The list has no column {missing[0]!r}.", f"Its columns: {', '.join(COLUMNS)}.")
    if len(rows) > _MOST_LINES:
        raise InputError(f"The list has {len(rows)} lines.", f"Book at most {_MOST_LINES} at once.")
    bought = []
    for number, row in enumerate(rows[1:], 2):
        cells = dict(zip(heads, map(str.strip, row), strict=False))
        count = _count(cells.get("buy", ""), number)
        if not count:
            continue
        part, rating, place = (from_spreadsheet(cells.get(head, "")) for head in ("part", "rating", "place"))
        if not rating:
            raise InputError(f"Line {number} of the list has no rating.", "Write it as it is marked on the part.")
        bought.append((part or CAPACITOR, rating, count, place))
    return bought


def _dialect(text: str) -> type[csv.Dialect]:
    """Return the dialect of a CSV: its delimiter is the most frequent one of its first line."""
    first = text.partition("\n")[0]

    class Saved(csv.excel):
        delimiter = max(_DELIMITERS, key=first.count)

    return Saved


def _count(cell: str, number: int) -> int:
    """Return the number of parts in a cell; an empty one is 0.

    Raises:
        InputError: it is no number of parts.
    """
    if not cell:
        return 0
    if not (cell.isascii() and cell.isdigit() and len(cell) <= _MOST_DIGITS):
        raise InputError(
            f"Line {number} of the list: {plain(cell)!r} is not the number of parts.", f"Write 0 to {MOST_PARTS}."
        )
    return int(cell)


def restock_html(restock: RestockList, since: str) -> str:
    """Return the parts to buy as an HTML page to print, with a box to tick for each; it loads nothing.

    ``since`` says in a sentence from when on it counts.
    """
    rows = [_row(line) for line in restock.lines if line.to_buy]
    heads = element("thead", element("tr", *(element("th", head, scope="col") for head in _HEADS)))
    body = element(
        "main",
        element("h1", _TITLE),
        element("p", since),
        element("table", heads, element("tbody", *rows)) if rows else element("p", "Nothing to buy."),
    )
    head = element(
        "head",
        element("meta", charset="utf-8"),
        element("meta", http_equiv="Content-Security-Policy", content="default-src 'none'; style-src 'unsafe-inline'"),
        element("meta", name="viewport", content="width=device-width, initial-scale=1"),
        element("title", _TITLE),
        element("style", Markup(_STYLE)),
    )
    return f"<!DOCTYPE html>\n{element('html', head, element('body', body), lang='en')}\n"


def _row(line: RestockLine) -> Markup:
    count = line.stock
    name = [element("bdi", plain(str(line.item)))]
    name += [element("span", note, class_="small") for note in _notes(line)]
    return element(
        "tr",
        element("td", element("span", class_="box", role="img", aria_label="box to tick")),
        element("td", str(line.to_buy), class_="count"),
        element("th", *name, scope="row"),
        *(element("td", text) for text in (str(count.count), str(line.used), str(count.low or ""), plain(count.place))),
    )


def restock_pdf(restock: RestockList, since: str, paper: Paper) -> bytes:
    """Return the parts to buy as PDF.

    Raises:
        InputError: the type has no sign for a letter of the list, or the typesetter is not installed.
    """
    lines = [_pdf_line(line) for line in restock.lines if line.to_buy]
    data = {"title": _TITLE, "since": since, "paper": paper.typesetters_name, "heads": _HEADS, "lines": lines}
    (pdf,) = typeset(_TEMPLATE, data, PrintForm.PDF)
    return pdf


def _pdf_line(line: RestockLine) -> dict[str, object]:
    """Return the cells of a line of the PDF.

    Raises:
        InputError: the type has no sign for a letter.
    """
    name, place, notes = plain(str(line.item)), plain(line.stock.place), list(_notes(line))
    if letter := find_unknown_letter(" ".join((name, place, *notes))):
        raise InputError(f"{name} cannot be printed as PDF: its type has no sign {letter!r}.", "Write HTML or CSV.")
    return {
        "buy": str(line.to_buy),
        "part": _breakable(name, _PART_COLUMNS),
        "notes": notes,
        "count": str(line.stock.count),
        "used": str(line.used),
        "low": str(line.stock.low or ""),
        "place": _breakable(place, _PLACE_COLUMNS),
    }


def _breakable(text: str, longest: int) -> str:
    """Return a text whose words that are longer than a line of a PDF may be broken: nothing runs into the next cell."""
    return re.sub(rf"\S{{{longest}}}(?=\S)", lambda word: f"{word[0]}{_ZERO_WIDTH_SPACE}", text)


def _notes(line: RestockLine) -> Sequence[str]:
    return [f"{_MEANWHILE}: {plain(str(candidate))}" for candidate in line.candidates]
