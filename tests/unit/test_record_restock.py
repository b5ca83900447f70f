"""The restock list: how many to buy, candidates; CSV read by two other readers, and read back; HTML and PDF."""

import csv
import io
import re
from collections.abc import Sequence
from pathlib import Path

import duckdb
import html5lib
import pypdf
import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.core.errors import InputError
from meterlink.core.stock import CAPACITOR, Movement, MovementKind, StockCount, StockItem, stock_counts
from meterlink.core.text import clean_text
from meterlink.record.paper import Paper
from meterlink.record.restock import RestockLine, RestockList, restock_list
from meterlink.record.restock_forms import COLUMNS, read_restock, restock_csv, restock_html, restock_pdf
from meterlink.record.spreadsheet_text import from_spreadsheet, to_spreadsheet
from meterlink.station.truck import capacitor_entries
from support.examples import examples

DUAL, SINGLE_45, SINGLE_5 = (
    StockItem(CAPACITOR, rating) for rating in ("45+5 µF 440 V", "45 µF 440 V", "5 µF 370/440 V")
)
CONTACTOR = StockItem("contactor", "2-pole 30 A")


def ledger(*entries: tuple[MovementKind, StockItem, int]) -> list[Movement]:
    return [Movement(kind, item, count, at, uid=f"{at:04d}") for at, (kind, item, count) in enumerate(entries, 1)]


def made(movements: Sequence[Movement], marks: dict[StockItem, int] | None = None, since: int | None = None):
    counts = [
        StockCount(count.item, count.count, count.place, (marks or {}).get(count.item, 0))
        for count in stock_counts(movements)
    ]
    return restock_list(movements, counts, capacitor_entries(counts), since)


LOADED, USED, RECEIVED = MovementKind.LOADED, MovementKind.USED, MovementKind.RECEIVED


def test_to_buy_is_up_to_the_low_mark_or_as_many_as_were_used() -> None:
    """With a mark of 3 and one left, two are missing, however many were used; without a mark the used ones are."""
    movements = ledger((LOADED, DUAL, 2), (LOADED, CONTACTOR, 5), (USED, DUAL, 1), (USED, CONTACTOR, 2))
    found = made(movements, {DUAL: 3})
    assert [(line.item, line.used, line.to_buy) for line in found.lines] == [(DUAL, 1, 2), (CONTACTOR, 2, 2)]
    # Above its mark a part was used and is not to be bought.
    assert [(line.item, line.to_buy) for line in made(movements, {CONTACTOR: 3}).lines][1] == (CONTACTOR, 0)


def test_more_used_than_loaded_is_none_left() -> None:
    (line,) = made(ledger((USED, DUAL, 2)), {DUAL: 1}).lines
    assert (line.stock.count, line.to_buy) == (-2, 1)


def test_the_list_begins_at_the_newest_restock_and_keeps_the_parts_that_it_did_not_bring() -> None:
    """The counter had no contactor: it stays on the list, although it was used before the restock."""
    movements = ledger((USED, DUAL, 1), (USED, CONTACTOR, 1), (RECEIVED, DUAL, 1), (USED, SINGLE_45, 1))
    found = made(movements)
    assert (found.since_utc_ns, found.is_since_restock) == (3, True)
    assert [(line.item, line.used, line.to_buy) for line in found.lines] == [(CONTACTOR, 0, 1), (SINGLE_45, 1, 1)]
    earlier = made(movements, since=1)
    assert [(line.item, line.used, line.to_buy) for line in earlier.lines] == [
        (DUAL, 1, 0), (CONTACTOR, 1, 1), (SINGLE_45, 1, 1),
    ]  # fmt: skip


def test_candidates_are_the_parts_that_the_rules_of_replacement_allow() -> None:
    """Two singles of the same µF and as many volts make one dual; a contactor has no such rule."""
    movements = ledger(
        (LOADED, SINGLE_45, 1), (LOADED, SINGLE_5, 1), (LOADED, CONTACTOR, 1),
        (USED, DUAL, 1), (USED, CONTACTOR, 1),
    )  # fmt: skip
    dual, contactor = sorted(made(movements).lines, key=lambda line: line.item.part)
    (candidate,) = dual.candidates
    assert str(candidate) == "45 µF 440 V and 5 µF 370/440 V, two singles for a dual"
    assert candidate.remarks[0].startswith("Separate parts for one dual: tie one terminal of each together as C")
    assert contactor.candidates == ()


def test_a_part_for_a_lower_voltage_and_one_that_is_used_up_are_no_candidates() -> None:
    low = StockItem(CAPACITOR, "45+5 µF 370 V")
    (dual,) = (line for line in made(ledger((LOADED, low, 1), (USED, DUAL, 1))).lines if line.item == DUAL)
    assert dual.candidates == ()
    left = made(ledger((LOADED, DUAL, 2), (USED, DUAL, 1), (LOADED, SINGLE_45, 1), (LOADED, SINGLE_5, 1)))
    assert left.lines[0].candidates == ()  # one of its own is left


# CSV


def one_line(part: str, rating: str, place: str = "") -> RestockList:
    return RestockList(None, False, (RestockLine(StockCount(StockItem(part, rating), -2, place, 3), 4, 3, ()),))


FORMULAS = (
    "=1+1", "+1", "-5 blades", "@SUM(A1)", "=cmd|' /C calc'!A0", '=HYPERLINK("x","y")', "\t=1", "'=1", "'", "＝1",
)  # fmt: skip
# The texts of the ledger are cleaned; a text of another program may be in the database all the same.
texts = st.one_of(st.text(max_size=40), st.sampled_from(FORMULAS)).map(lambda text: clean_text(text, 400))


@pytest.mark.parametrize("text", FORMULAS)
def test_no_text_is_a_formula_and_numbers_are_numbers(text: str) -> None:
    rows = list(csv.DictReader(io.StringIO(restock_csv(one_line(text, text, text)), newline="")))
    for cell in (rows[0]["part"], rows[0]["rating"], rows[0]["place"]):
        assert not cell or cell[0] not in "=+-@\t\r\n＝"
    assert (rows[0]["buy"], rows[0]["used"], rows[0]["on_truck"], rows[0]["low"]) == ("3", "4", "-2", "3")


@given(st.text(max_size=20))
def test_a_cell_is_read_back_exactly(text: str) -> None:
    assert from_spreadsheet(to_spreadsheet(text)) == text


@examples(100)
@given(texts.filter(bool), texts.filter(bool), texts)
def test_a_list_is_read_back_as_it_was_written(part: str, rating: str, place: str) -> None:
    """RFC 4180: quotes, commas and line ends within a cell; the reader is Python's."""
    text = restock_csv(one_line(part, rating, place))
    assert text.endswith("\r\n")
    assert read_restock(text) == [(part, rating, 3, place)]
    assert read_restock("\ufeff" + text) == [(part, rating, 3, place)]


def test_another_reader_sees_the_same_table(tmp_path: Path) -> None:
    """DuckDB finds the types by itself: numbers are whole numbers, texts are texts."""
    movements = ledger((LOADED, DUAL, 2), (USED, DUAL, 3), (USED, StockItem("fan motor", '1/4 HP, 8" "CW"'), 1))
    (tmp_path / "list.csv").write_text(restock_csv(made(movements, {DUAL: 2})), encoding="utf-8", newline="")
    table = duckdb.read_csv(str(tmp_path / "list.csv"))
    assert tuple(table.columns) == COLUMNS
    types = dict(zip(table.columns, map(str, table.types), strict=True))
    assert {types[name] for name in ("buy", "used", "on_truck", "low")} == {"BIGINT"}
    assert [row[:6] for row in table.fetchall()] == [
        ("capacitor", "45+5 µF 440 V", 2, 3, -1, 2),
        ("fan motor", '1/4 HP, 8" "CW"', 1, 1, -1, None),
    ]


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
def test_a_list_that_a_spreadsheet_saved_is_read(delimiter: str) -> None:
    """Spreadsheets of some countries part cells with semicolons, reorder nothing, and drop no column."""
    rows = [["Rating", "Buy", "Note"], ["45+5 µF 440 V", "2", "blue"], ["7.5 µF 370 V", "0", ""], ["5 µF", "", ""]]
    text = "\n".join(delimiter.join(row) for row in rows)
    assert read_restock(text) == [(CAPACITOR, "45+5 µF 440 V", 2, "")]


@pytest.mark.parametrize(
    ("text", "error"),
    [
        ("", "The list has no column 'rating'. Its columns: part, rating, buy,"),
        ("rating,count\n45 µF,1\n", "The list has no column 'buy'."),
        ("rating,buy\n45 µF,two\n", "Line 2 of the list: 'two' is not the number of parts. Write 0 to 9999."),
        ("rating,buy\n45 µF,-1\n", "Line 2 of the list: '-1' is not the number of parts."),
        ("rating,buy\n45 µF,1.5\n", "Line 2 of the list: '1.5' is not the number of parts."),
        ("rating,buy\n45 µF,99999\n", "Line 2 of the list: '99999' is not the number of parts."),
        ("rating,buy\n45 µF,²\n", "Line 2 of the list: '²' is not the number of parts."),
        ("rating,buy\n,1\n", "Line 2 of the list has no rating."),
        ('rating,buy\n"45 µF"x,1\n', "The list is no CSV"),
        ("rating,buy\n" + "45 µF,1\n" * 1000, "The list has 1001 lines. Book at most 1000 at once."),
    ],
)
def test_a_wrong_list_is_refused_by_its_line(text: str, error: str) -> None:
    with pytest.raises(InputError) as refused:
        read_restock(text)
    assert str(refused.value).startswith(error)


# Pages


HOSTILE = '<script>alert(1)</script><img src=x onerror=y>" & #panic("x") \u202e'


def test_a_page_has_each_line_with_a_box_and_nothing_of_a_text_is_markup() -> None:
    page = restock_html(one_line("fan motor", HOSTILE, HOSTILE), "Used since the first entry.")
    tree = html5lib.HTMLParser(strict=True, namespaceHTMLElements=False).parse(page)
    assert {element.tag for element in tree.iter() if isinstance(element.tag, str)}.isdisjoint({"script", "img"})
    assert "".join(tree.find("body").itertext()).count("<script>alert(1)</script>") == 2
    assert page.count('class="box"') == 1
    assert "http" not in page.replace("http-equiv", "")
    assert "Nothing to buy." in restock_html(RestockList(None, False, ()), "")


@pytest.mark.parametrize("paper", Paper)
def test_a_pdf_has_every_line_on_its_paper(paper: Paper) -> None:
    movements = ledger(*((USED, StockItem("fan motor", f"{number} W"), number) for number in range(1, 60)))
    pages = pypdf.PdfReader(io.BytesIO(restock_pdf(made(movements), "Used since the first entry.", paper))).pages
    assert len(pages) > 1
    for page in pages:
        sides = (float(page.mediabox.width), float(page.mediabox.height))
        assert [side / 72 * 25.4 for side in sides] == pytest.approx(list(map(float, paper.size)), abs=0.1)
    text = " ".join(" ".join(page.extract_text().split()) for page in pages)
    for number in range(1, 60):
        assert re.search(rf"\b{number} fan motor {number} W -{number} {number}\b", text), number


def test_a_pdf_without_a_glyph_for_a_letter_is_refused() -> None:
    with pytest.raises(InputError, match="its type has no sign '冷'"):
        restock_pdf(one_line("fan motor", "冷"), "", Paper.A4)


def test_a_word_that_is_longer_than_its_cell_is_broken_and_whole() -> None:
    """Nothing runs into the next column: no two glyphs of a page lie on one another."""
    word, place = "W" * 200, "P" * 40
    pdf = restock_pdf(one_line("fan motor", word, place), "", Paper.A4)
    places: list[tuple[float, float, str]] = []
    (page,) = pypdf.PdfReader(io.BytesIO(pdf)).pages
    page.extract_text(
        visitor_text=lambda text, _user, matrix, _font, _size: places.append((matrix[4], matrix[5], text))
    )
    text = re.sub(r"[\s\u200b]", "", "".join(text for _, _, text in places))
    assert word in text
    assert place in text
    lines = [text.strip() for _, _, text in places if set(text.strip("\u200b\n ")) == {"W"}]
    assert lines
    assert max(len(line.replace("\u200b", "")) for line in lines) <= 33


def test_a_page_for_the_counter_has_only_the_parts_to_buy() -> None:
    movements = ledger((LOADED, DUAL, 5), (USED, DUAL, 1), (USED, CONTACTOR, 1))
    found = made(movements, {DUAL: 2})
    assert [line.to_buy for line in found.lines] == [0, 1]
    page = restock_html(found, "")
    assert (page.count('class="box"'), DUAL.rating in page) == (1, False)
    text = pypdf.PdfReader(io.BytesIO(restock_pdf(found, "", Paper.A4))).pages[0].extract_text()
    assert "contactor" in text
    assert DUAL.rating not in text
    assert DUAL.rating in restock_csv(found)
