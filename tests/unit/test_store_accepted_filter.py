"""The filter line of the history, compared with a plain filter over the same readings."""

import sqlite3
import unicodedata
from contextlib import closing
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.core.clock import Timestamp
from meterlink.core.equipment import CircuitState, Meter, Plan, PointKind, Site, TestPoint
from meterlink.core.readings import Reading
from meterlink.core.units import Quantity
from meterlink.core.verdicts import Judgement, Margin, Verdict
from meterlink.store.accepted_filter import AcceptedFilter, FilterWord, parse_filter
from meterlink.store.reader import Reader
from meterlink.store.rows import AcceptedRow, Batch, HistoryRow, NewConnection, ReadingRow, VerdictRow, VoidRow
from meterlink.store.writer import Writer
from support.examples import examples
from support.recorded_visits import OUTER_TIMEOUT, ManualClock

DAY = 86_400_000_000_000
NOON = 1_783_944_000 * 10**9  # 2026-07-13T12:00:00Z
SITES = (
    Site("Mill Lane bakery", "Condenser 1"),
    Site("Mill Lane bakery", "Condenser 10"),
    Site('Café "Zum Öl" (NOT OR AND)', "RTU-2*"),
    Site("within", "outside 2026-11"),
    Site("Ωmega µ site", "^:{}\x1b[31m"),
)
PARTS = (
    ("run capacitor", "HERM", Quantity.CAPACITANCE, "µF"),
    ("winding", "C–S", Quantity.RESISTANCE, "Ω"),
    ("contactor coil", "", Quantity.RESISTANCE, "Ω"),
)
JUDGEMENTS = (
    (Verdict.WITHIN, Margin.CLEAR), (Verdict.OUTSIDE, Margin.CLOSE_CALL), (Verdict.NO_CONTACT, None),
    (Verdict.OUTSIDE, Margin.CLEAR), (Verdict.CANNOT_TELL, None),
)  # fmt: skip
METERS = (
    Meter("00:00:5E:00:53:01", "Alder bench"),
    Meter("00:00:5E:00:53:02", ""),
    Meter("00:00:5E:00:53:03", "meter 3"),
)
PLAN = Plan(
    "plan",
    tuple(
        TestPoint(
            f"p{number}", "compressor", part, ("C", "S"), quantity, CircuitState.ISOLATED, PointKind.CAPACITOR,
            section=section,
        )
        for number, (part, section, quantity, _) in enumerate(PARTS)
    ),
)  # fmt: skip


def judgement(number: int) -> Judgement:
    verdict, margin = JUDGEMENTS[number % len(JUDGEMENTS)]
    return Judgement(verdict, margin, None, None, None, None, "", "Because.")


@pytest.fixture(scope="module")
def database(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A database of 90 accepted readings, some of them voided or judged again, over ten months."""
    path = tmp_path_factory.mktemp("filter") / "meterlink.db"
    clock = ManualClock()
    clock.utc_ns = NOON
    writer = Writer(path, station="van-3", clock=clock, boot_id="boot-a", on_alarm=lambda _: None)
    writer.start()
    number = 0
    for round_number in range(6):
        for place, site in enumerate(SITES):
            opened = Timestamp(NOON + (round_number * 50 + place) * DAY, 1)
            meter = writer.register_meter(METERS[(round_number + place) % 3]).result(OUTER_TIMEOUT)
            connection = writer.open_connection(NewConnection(meter, opened))
            ids = writer.open_visit(site, PLAN, opened).result(OUTER_TIMEOUT)
            for key, (_, _, quantity, unit) in zip(ids.point_ids, PARTS, strict=True):
                reading = Reading(quantity, Decimal("4.5"), unit, opened)
                row = ReadingRow(reading, connection, ids.visit_id, ids.point_ids[key], clock_set=None)
                uid = f"uid-{number}"
                batch = Batch(
                    accepted=(AcceptedRow(row, judgement(number), 1.5, uid),),
                    verdicts=(VerdictRow(uid, judgement(number + 1)),) if number % 7 == 0 else (),
                    voids=tuple(VoidRow(uid, reason) for reason in ("slip", "", "again")[: number % 4]),
                )
                writer.submit(batch).result(OUTER_TIMEOUT)
                number += 1
    writer.close()
    return path


def tokens(text: str) -> list[str]:
    """Return the words of a text: letters and digits, in lower case, without accents."""
    plain = "".join(char for char in unicodedata.normalize("NFD", text.lower()) if unicodedata.category(char) != "Mn")
    return "".join(char if unicodedata.category(char)[0] in "LN" else " " for char in plain.replace("µ", "μ")).split()


def columns(row: HistoryRow) -> list[str]:
    judged = row.judgement
    close = " close call" if judged.margin is Margin.CLOSE_CALL else ""
    voided = "" if row.void_reason is None else " voided"
    return [
        row.site.name, row.site.unit, row.circuit, row.component, row.section, row.reading.quantity,
        f"{judged.verdict}{close}{voided}", row.meter.name or row.meter.address,
    ]  # fmt: skip


def matches(row: HistoryRow, word: FilterWord) -> bool:
    """Whether the words stand next to each other in a column; the last one as a beginning unless it is exact."""
    wanted = tokens(word.text)
    for column in columns(row):
        found = tokens(column)
        for first in range(len(found) - len(wanted) + 1):
            *heads, last = zip(wanted, found[first:], strict=False)
            whole = last[0] == last[1] if word.exact else last[1].startswith(last[0])
            if whole and all(mine == other for mine, other in heads):
                return True
    return False


def selects(chosen: AcceptedFilter, row: HistoryRow) -> bool:
    at = row.reading.timestamp.utc_ns
    in_time = chosen.begin_utc_ns is None or chosen.begin_utc_ns <= at < (chosen.end_utc_ns or 0)
    return in_time and all(matches(row, word) for word in chosen.words)


WORDS = sorted(
    {
        word
        for text in (
            *(f"{site.name} {site.unit}" for site in SITES),
            *(f"{part} {section} {quantity}" for part, section, quantity, _ in PARTS),
            "within outside no contact cannot tell close call voided compressor Alder bench meter 3 00:00:5E:00:53:02",
        )
        for word in text.replace("\x1b", " ").split()
    }
)
WORD = st.sampled_from(WORDS)
PREFIX = st.builds(lambda word, length: word[:length], WORD, st.integers(1, 6))
DATES = st.builds(
    lambda days, length: (date(2026, 7, 1) + timedelta(days)).isoformat()[:length],
    st.integers(0, 300),
    st.integers(4, 10),
)
QUOTED = st.builds(lambda words: f'"{" ".join(words)}"', st.lists(WORD, min_size=1, max_size=3))
JUNK = st.text("ab1 \"'*():^-–\\{}+~%_,.;§\x00\x1bÄß", max_size=8)
LINES = st.lists(st.one_of(WORD, WORD, PREFIX, DATES, QUOTED, JUNK), max_size=4).map(" ".join)


@examples(60)
@given(line=LINES, limit=st.integers(7, 100))
def test_the_filter_selects_what_a_plain_filter_selects(database: Path, line: str, limit: int) -> None:
    reader, chosen = Reader(database), parse_filter(line)
    expected = [row.id for row in reversed(reader.history()) if selects(chosen, row)]
    assert [row.id for row in reader.filtered_history(chosen, limit)] == expected[:limit]
    # Page by page, down and up again.
    down: list[int] = []
    while page := reader.filtered_history(chosen, limit, before_id=down[-1] if down else None):
        down += [row.id for row in page]
    assert down == expected
    up: list[int] = []
    while page := reader.filtered_history(chosen, limit, after_id=up[0] if up else 0):
        up = [row.id for row in page] + up
    assert up == expected


@examples(50)
@given(line=st.text(max_size=40))
def test_any_text_is_a_filter_line(database: Path, line: str) -> None:
    assert len(Reader(database).filtered_history(parse_filter(line), 100)) <= 90


@pytest.mark.parametrize(
    ("line", "first", "after"),
    [
        ("2026", "2026-01-01", "2027-01-01"),
        ("2026-", "2026-01-01", "2027-01-01"),
        ("2026-0", "2026-01-01", "2026-10-01"),
        ("2026-1", "2026-10-01", "2027-01-01"),
        ("2026-11", "2026-11-01", "2026-12-01"),
        ("2026-11-", "2026-11-01", "2026-12-01"),
        ("2026-12", "2026-12-01", "2027-01-01"),
        ("2026-11-0", "2026-11-01", "2026-11-10"),
        ("2026-11-3", "2026-11-30", "2026-12-01"),
        ("2024-02-2", "2024-02-20", "2024-03-01"),  # a leap year: ten days
        ("2026-11-03", "2026-11-03", "2026-11-04"),
        ("2026 2026-11", "2026-11-01", "2026-12-01"),
    ],
)
def test_a_date_is_the_days_that_begin_so(line: str, first: str, after: str) -> None:
    """The days whose dates, as ISO 8601 writes them, begin with the typed text."""
    chosen = parse_filter(line, UTC)
    begin, end = (datetime.fromisoformat(day).replace(tzinfo=UTC).timestamp() for day in (first, after))
    assert chosen == AcceptedFilter((), round(begin) * 10**9, round(end) * 10**9)


@pytest.mark.parametrize("line", ["2026-13", "2026-11-31", "2026-02-30", "2026-00", "2026-11-00", "2026-11-4"])
def test_a_date_that_does_not_exist_selects_nothing(database: Path, line: str) -> None:
    assert Reader(database).filtered_history(parse_filter(line), 10) == []


@pytest.mark.parametrize("line", ["202", "2026-1-03", "2026-11-035", "2026.11", "1826", '"2026-11"'])
def test_other_digits_are_words(line: str) -> None:
    assert parse_filter(line).words == (FilterWord(line.strip('"'), exact='"' in line),)


def test_a_day_is_that_of_the_zone() -> None:
    """In Berlin the third of November begins at 23:00 UTC of the second: the clocks are an hour ahead in winter."""
    chosen = parse_filter("2026-11-03", ZoneInfo("Europe/Berlin"))
    begin = datetime(2026, 11, 2, 23, tzinfo=UTC).timestamp()
    assert (chosen.begin_utc_ns, chosen.end_utc_ns) == (round(begin) * 10**9, round(begin + 86_400) * 10**9)


def test_signs_alone_select_everything() -> None:
    assert parse_filter('– / * () : "" "--"') == AcceptedFilter()


# The index is that of the present names and verdicts.


@pytest.fixture
def connection(database: Path, tmp_path: Path):
    copy = tmp_path / "copy.db"
    with closing(sqlite3.connect(database)) as source, closing(sqlite3.connect(copy, isolation_level=None)) as target:
        source.backup(target)
        yield target


def indexed_words(connection: sqlite3.Connection) -> list[tuple[object, ...]]:
    return connection.execute("SELECT *, rowid FROM accepted_words ORDER BY rowid").fetchall()


def present_words(connection: sqlite3.Connection) -> list[tuple[object, ...]]:
    return connection.execute("SELECT * FROM words_of_accepted ORDER BY accepted_id").fetchall()


CHANGES = [
    "UPDATE sites SET name = 'Orchard dairy' WHERE id = 1",
    "UPDATE units SET name = 'Walk-in 7' WHERE id = 2",
    "UPDATE units SET site_id = 3 WHERE id = 1",
    "UPDATE circuits SET name = 'blower' WHERE id = 1",
    "UPDATE components SET name = 'start capacitor', section = 'A' WHERE id = 1",
    "UPDATE visits SET unit_id = 4 WHERE id = 1",
    "UPDATE test_points SET component_id = 5 WHERE id = 1",
    "UPDATE accepted_readings SET point_id = 9, visit_id = 3 WHERE id = 1",
    "INSERT INTO voids SELECT NULL, 'new', 1, 0, 1, 'slip'",
]


@pytest.mark.parametrize("change", CHANGES)
def test_the_index_follows_every_change(connection: sqlite3.Connection, change: str) -> None:
    before = indexed_words(connection)
    assert before == present_words(connection)
    connection.execute(change)
    assert indexed_words(connection) == present_words(connection) != before


def test_a_renamed_meter_is_found_by_its_new_name(connection: sqlite3.Connection, tmp_path: Path) -> None:
    reader = Reader(tmp_path / "copy.db")
    assert len(reader.filtered_history(parse_filter("alder"), 100)) == 30
    connection.execute("UPDATE meters SET name = 'Rowan' WHERE name = 'Alder bench'")
    assert reader.filtered_history(parse_filter("alder"), 100) == []
    assert len(reader.filtered_history(parse_filter("rowan"), 100)) == 30


def test_the_index_is_whole(connection: sqlite3.Connection) -> None:
    """SQLite's own check of a word index against the texts that it was made from."""
    connection.execute("INSERT INTO accepted_words(accepted_words) VALUES ('integrity-check')")
