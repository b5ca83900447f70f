import json
import os
import re
import sqlite3
import time
from contextlib import closing, suppress
from dataclasses import replace
from datetime import UTC, datetime
from decimal import Decimal
from typing import cast

import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st
from sqlite_utils import Database

from meterlink.cli.history import command, history_lines, parse_since
from meterlink.core.clock import Timestamp
from meterlink.core.equipment import CircuitState, Meter, Plan, PointKind, Rating, Site, TestPoint
from meterlink.core.errors import DamagedDatabaseError, InputError, NoDatabaseError, StoreError
from meterlink.core.readings import Reading, Status
from meterlink.core.units import Amount, Quantity
from meterlink.core.verdicts import Judgement, Limits, Margin, Verdict
from meterlink.store.history_query import HistoryFilter
from meterlink.store.reader import Reader
from meterlink.store.rows import AcceptedRow, Batch, NewConnection, ReadingRow
from meterlink.store.writer import Writer

OUTER = 60  # s
DAY = 86_400 * 1_000_000_000
NOON = 1_783_944_000 * 1_000_000_000  # 2026-07-13T12:00:00Z
LIMITS = Limits(Decimal("4.7"), Decimal("5.3"), "µF", "5 µF ±6 %", Decimal(5))
OUTSIDE = Judgement(
    Verdict.OUTSIDE,
    Margin.CLOSE_CALL,
    LIMITS,
    Decimal("4.68"),
    Decimal("-6.4"),
    Decimal("0.08"),
    "assumed: 1 % of reading + 3 digits",
    "4.68 µF is below the low limit of 4.7 µF.",
)
PLAN = Plan(
    "fans",
    tuple(
        TestPoint(
            key=key,
            circuit="condenser fan",
            component=component,
            section=section,
            terminals=("C", "FAN"),
            quantity=Quantity.CAPACITANCE,
            state=CircuitState.ISOLATED,
            kind=PointKind.CAPACITOR,
            specification=Rating(Amount(Decimal(5), "µF"), "±6 %"),
        )
        for key, component, section in (("fan", "run capacitor", "FAN"), ("start", "start capacitor", ""))
    ),
)


needs_zones = pytest.mark.skipif(not hasattr(time, "tzset"), reason="this platform's zone cannot be set for a process")


class StoppedClock:
    def now(self):
        return Timestamp(NOON, 1)


@pytest.fixture
def data(tmp_path):
    folder = tmp_path / "data"
    writer = Writer(
        folder / "meterlink.db", station="van-3", clock=StoppedClock(), boot_id="boot-a", on_alarm=lambda _: None
    )
    writer.start()
    meter = writer.register_meter(Meter("00:00:5E:00:53:0A", "bench meter")).result(OUTER)
    connection = writer.open_connection(NewConnection(meter, Timestamp(NOON, 1)))
    for number, site in enumerate(
        (Site("Mill Lane bakery", "Condenser 1"), Site("Harbour cold store", "condenser 10"))
    ):
        opened = Timestamp(NOON + number * DAY, 1)
        ids = writer.open_visit(site, PLAN, opened).result(OUTER)
        for key, digits in (("fan", "4.68"), ("start", "4.69")):
            reading = Reading(Quantity.CAPACITANCE, Decimal(digits), "µF", opened)
            row = ReadingRow(reading, connection, ids.visit_id, ids.point_ids[key], clock_set=True)
            writer.submit(Batch(readings=(row, row), accepted=(AcceptedRow(row, OUTSIDE, 1.25),)))
    writer.close()
    return folder


@pytest.fixture
def reader(data):
    return Reader(data / "meterlink.db")


def run(data, *args):
    return CliRunner().invoke(command, ["--data", str(data), *args], catch_exceptions=False)


# Queries.


@pytest.mark.parametrize(
    ("filters", "ids"),
    [
        ({}, [1, 2, 3, 4]),
        ({"unit": "condenser 1"}, [1, 2]),  # the whole name: not condenser 10; upper or lower case
        ({"site": "HARBOUR COLD STORE"}, [3, 4]),
        ({"component": "start capacitor"}, [2, 4]),
        ({"unit": "Condenser 1", "component": "start capacitor"}, [2]),
        ({"since_utc_ns": NOON + 1}, [3, 4]),
        ({"since_utc_ns": NOON}, [1, 2, 3, 4]),
        ({"limit": 3}, [2, 3, 4]),
        ({"limit": 1, "unit": "Condenser 1"}, [2]),
        ({"unit": "%"}, []),
        ({"unit": "' OR 1=1 --"}, []),
    ],
)
def test_history_is_filtered(reader, filters, ids):
    assert [row.id for row in reader.history(**filters)] == ids


def test_history_of_one_visit(reader):
    first, second = reader.visits()
    assert [row.id for row in reader.history(visit_uid=second.uid)] == [3, 4]
    assert (first.site, first.plan, first.opened) == (
        Site("Mill Lane bakery", "Condenser 1"),
        "fans",
        Timestamp(NOON, 1),
    )


def test_raw_readings_are_paged_in_order(reader):
    uid = reader.visits()[1].uid
    everything = reader.readings(uid)
    assert [row.id for row in everything] == sorted(row.id for row in everything)
    assert len(everything) == 6  # two raw and one accepted, at two points
    assert [row.point_key for row in reader.readings(uid, "start")] == ["start"] * 3
    pages = [reader.readings(uid, limit=4), reader.readings(uid, after_id=everything[3].id, limit=4)]
    assert pages[0] + pages[1] == everything
    assert reader.readings("no such uid") == []


def test_the_order_is_that_of_the_rows_even_if_the_clock_was_changed(data, reader):
    with closing(sqlite3.connect(data / "meterlink.db")) as connection:
        connection.execute("UPDATE accepted_readings SET utc_ns = ? - id", (NOON,))
        connection.commit()
    rows = reader.history()
    assert [row.id for row in rows] == [1, 2, 3, 4]
    times = [row.reading.timestamp.utc_ns for row in rows]
    assert times == sorted(times, reverse=True)


@pytest.mark.fault("clock-not-set")
def test_a_reading_with_an_unset_clock_is_never_filtered_out_by_time(data, reader):
    with closing(sqlite3.connect(data / "meterlink.db")) as connection:
        connection.execute("UPDATE accepted_readings SET utc_ns = 0, clock_set = 0 WHERE id = 1")
        connection.commit()
    assert [row.id for row in reader.history(since_utc_ns=NOON + 1)] == [1, 3, 4]
    assert "(clock was not set)" in run(data, "--limit", "4").output


def test_history_never_walks_the_raw_readings(data):
    # A visit has tens of accepted readings and hundreds of thousands of raw ones.
    from meterlink.store import queries  # noqa: PLC0415

    with closing(sqlite3.connect(data / "meterlink.db")) as connection:
        sql = f"EXPLAIN QUERY PLAN {queries._SELECT_ACCEPTED} WHERE u.name = 'x' ORDER BY a.id DESC LIMIT 5"
        steps = [row[3] for row in connection.execute(sql)]
    assert steps[0] == "SCAN a"
    searches = [step for step in steps[1:] if step.startswith("SEARCH")]
    others = [step for step in steps[1:] if step not in searches]
    verdicts = "SEARCH verdicts USING COVERING INDEX verdicts_of_reading (accepted_id=?)"
    voids = "SEARCH voids USING {}INDEX voids_of_reading (accepted_id=?)"
    corrections = "SEARCH corrections USING COVERING INDEX corrections_of_reading (accepted_id=?)"
    by_reading = {verdicts, voids.format(""), voids.format("COVERING "), corrections}
    assert all("INTEGER PRIMARY KEY" in step or step in by_reading for step in searches), searches
    assert all(step.startswith("CORRELATED SCALAR SUBQUERY") for step in others)


def test_the_error_names_a_row_that_another_program_edited(data, reader):
    with closing(sqlite3.connect(data / "meterlink.db")) as connection:
        connection.execute("PRAGMA ignore_check_constraints = ON")
        connection.execute("UPDATE verdicts SET verdict = 'splendid' WHERE id = 3")
        connection.commit()
    with pytest.raises(DamagedDatabaseError, match=r"Row 3 .*splendid.*Another program has changed the file"):
        reader.history()


def test_the_view_of_the_history_shows_the_same(data, reader):
    with closing(sqlite3.connect(data / "meterlink.db")) as connection:
        shown = list(Database(connection)["history"].rows_where(order_by="id"))
    same = (
        "site", "unit", "visit_uid", "circuit", "component", "section", "quantity", "unit_symbol", "value", "verdict",
        "margin", "limits_unit", "limits_basis", "meter", "accuracy", "rule", "probability", "next_measurement",
        "settled_in", "reason",
    )  # fmt: skip
    rows = reader.history()
    assert [row["uid"] for row in shown] == [row.uid for row in rows]
    for view, fields in zip(shown, reader.history_fields(HistoryFilter()), strict=True):
        assert [view[key] for key in same] == [fields[key] for key in same]
        assert view["at"] == str(fields["at"]).replace("Z", "000Z")
        assert f"{view['digits']} {view['unit_symbol']}" == fields["reading"]
        assert (view["low"], view["high"]) == ("4.7", "5.3")
        assert view["terminals"] == "–".join(cast("list[str]", fields["terminals"]))


# The command.


def test_every_fact_is_shown_newest_last(data):
    result = run(data)
    assert result.exit_code == 0
    _, *rows = result.output.splitlines()
    assert len(rows) == 4
    for fact in ("Harbour cold store / condenser 10", "condenser fan", "start capacitor", "C–FAN", "4.69 µF"):
        assert fact in rows[-1]
    for fact in ("run capacitor FAN", "OUTSIDE (close call)", "4.7 to 5.3 µF (5 µF ±6 %)", "-6.4 %"):
        assert fact in rows[0]


@needs_zones
def test_time_is_local(data, monkeypatch):
    monkeypatch.setenv("TZ", "America/Denver")
    time.tzset()
    try:
        assert run(data).output.splitlines()[1].startswith("2026-07-13 06:00  Mill Lane bakery")
    finally:
        monkeypatch.undo()
        time.tzset()


@pytest.mark.parametrize("width", [80, 40, 12])
def test_no_line_is_wider_than_the_terminal(data, monkeypatch, width):
    monkeypatch.setattr("meterlink.cli.history.terminal_width", lambda: width)
    output = run(data).output
    assert max(map(len, output.splitlines())) <= width
    if width == 40:
        assert "  4.68 µF  OUTSIDE (close call)\n    limits 4.7 to 5.3 µF (5 µF ±6 %)\n    -6.4 %" in output


def test_hostile_names_reach_no_terminal(reader):
    row = reader.history()[0]
    hostile = "\x1b[2J\x1b]0;gone\x07[red]pump\u202e\r\n1"
    row = row._replace(
        site=Site(hostile, hostile),
        circuit=hostile,
        component=hostile,
        section=hostile,
        terminals=(hostile, hostile),
        judgement=replace(OUTSIDE, limits=replace(LIMITS, basis=hostile, unit=hostile)),
    )
    output = "\n".join(history_lines(row, 80))
    assert not re.search(r"[\x00-\x09\x0b-\x1f\x7f\u202e\[\]]", output)


@given(st.integers(1, 200), st.text(max_size=80), st.text(max_size=80))
def test_any_name_fits_any_width(width, site, basis):
    reading = Reading(Quantity.CAPACITANCE, None, "µF", Timestamp(NOON, 1), status=Status.OVERLOAD)
    row = _history_row(reading, Site(site, "unit"), replace(LIMITS, basis=basis))
    for line in history_lines(row, width):
        assert len(line) <= max(width, 10)


def _history_row(reading, site, limits):
    from meterlink.store.rows import HistoryRow  # noqa: PLC0415

    return HistoryRow(
        id=1, uid="u", reading=reading, judgement=replace(OUTSIDE, limits=limits), settled_in=1.0, site=site,
        visit_uid="v", plan="p", point_key="k", circuit="c", component="co", section="", terminals=("A", "B"),
        state=CircuitState.ISOLATED, kind=PointKind.CAPACITOR, rating="", meter=Meter("a", "n"), station="s", boot="b",
        software="0", clock_set=None,
    )  # fmt: skip


def test_json_has_the_documented_keys(data):
    objects = json.loads(run(data, "--json", "--limit", "1").output)
    assert [len(objects[0].pop(key)) for key in ("visit_uid", "uid")] == [36, 36]
    assert objects == [
        {
            "at": "2026-07-14T12:00:00.000Z",
            "clock_set": True,
            "clock_step": 0.0,
            "site": "Harbour cold store",
            "unit": "condenser 10",
            "circuit": "condenser fan",
            "component": "start capacitor",
            "section": "",
            "terminals": ["C", "FAN"],
            "quantity": "capacitance",
            "reading": "4.69 µF",
            "unit_symbol": "µF",
            "value": 4.69e-6,
            "verdict": "outside",
            "margin": "close call",
            "low": 4.7,
            "high": 5.3,
            "limits_unit": "µF",
            "limits_basis": "5 µF ±6 %",
            "deviation_percent": -6.4,
            "meter": "bench meter",
            "accuracy": "assumed: 1 % of reading + 3 digits",
            "calibration": "",
            "rule": "simple acceptance",
            "probability": None,
            "prior": None,
            "next_measurement": "",
            "settled_in": 1.25,
            "reason": "4.68 µF is below the low limit of 4.7 µF.",
            "question": None,
            "choices": None,
            "answer": None,
            "revision": 1,
            "voided": False,
            "void_reason": None,
            "decoded_again": None,
            "accepted_as": None,
            "decoded_by": None,
            "recorded_by": None,
        }
    ]
    help_text = " ".join(run(data, "--help").output.split())
    assert [key for key in (*objects[0], "visit_uid") if not re.search(rf"\b{key}\b", help_text)] == []


def test_an_overdue_calibration_stands_with_the_verdict(reader):
    row = reader.history()[0]
    overdue = replace(row.judgement, calibration="calibration overdue since 2026-03-01, certificate K-1047")
    lines = "\n".join(history_lines(row._replace(judgement=overdue), 200))
    assert "calibration overdue since 2026-03-01" in lines
    assert "K-1047" not in lines  # in the record, and in --json
    in_time = replace(row.judgement, calibration="calibrated 2025-03-01, due 2026-03-01")
    assert "calibrat" not in "\n".join(history_lines(row._replace(judgement=in_time), 200))


def test_json_is_always_ascii(data):
    assert run(data, "--json").output.isascii()
    assert json.loads(run(data, "--json", "--unit", "nowhere").output) == []


def test_without_a_match_the_output_lists_the_units(data, tmp_path):
    assert (
        run(data, "--unit", "nowhere").output == "No accepted readings match. Units here: Condenser 1, condenser 10.\n"
    )
    writer = Writer(
        tmp_path / "new" / "meterlink.db", station="s", clock=StoppedClock(), boot_id="b", on_alarm=lambda _: None
    )
    writer.start()
    writer.close()
    assert run(tmp_path / "new").output == "No accepted readings yet.\n"


def test_since_selects(data):
    assert len(json.loads(run(data, "--json", "--since", "2026-07-14T00:00:00Z").output)) == 2
    assert json.loads(run(data, "--json", "--since", "9000-12-31").output) == []
    assert len(json.loads(run(data, "--json", "--since", "0002-01-01").output)) == 4


NOW = datetime(2026, 7, 20, 12, 0, 0, 250_000, tzinfo=UTC)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("2026-07-13T12:00:00Z", NOON),
        ("2026-07-13T14:00:00+02:00", NOON),
        ("2026-07-13 12:00:00.000001Z", NOON + 1000),
        ("7d", NOON + 250_000_000),
        (" 168h ", NOON + 250_000_000),
        ("10080m", NOON + 250_000_000),
    ],
)
def test_since_is_a_time_or_a_span(text, expected):
    assert parse_since(text, NOW) == expected


@needs_zones
def test_a_date_is_local(monkeypatch):
    monkeypatch.setenv("TZ", "America/Denver")
    time.tzset()
    try:
        assert parse_since("2026-07-13", NOW) == NOON - 6 * 3600 * 1_000_000_000
        assert parse_since("2026-07-13T06:00", NOW) == NOON
    finally:
        monkeypatch.undo()
        time.tzset()


@pytest.mark.parametrize(
    "text", ["", "soon", "7", "7w", "-7d", "2026-13-01", "999999d", "٧d", "7d7d", "1e3d", "\x1b[2J"]
)
def test_nonsense_is_one_clear_line_and_exit_code_2(data, text):
    with pytest.raises(InputError, match="is not a date or time") as caught:
        run(data, "--since", text)
    assert caught.value.exit_code == 2
    assert str(caught.value).isprintable()


@given(st.text(max_size=30))
def test_since_accepts_or_refuses_any_text(text):
    with suppress(InputError):
        assert -(2**63) <= parse_since(text, NOW) < 2**63


def test_a_limit_of_zero_is_refused(data):
    assert run(data, "--limit", "0").exit_code == 2
    assert run(data, "--limit", "many").exit_code == 2


def test_a_folder_without_a_database_is_named(tmp_path):
    with pytest.raises(NoDatabaseError, match="There is no database"):
        run(tmp_path)


def test_a_name_that_is_not_text_is_an_error(data):
    with pytest.raises(StoreError, match="can't encode"):
        run(data, "--unit", os.fsdecode(b"\xff"))


# Pages


def test_a_verdict_and_an_end_select(data):
    assert len(json.loads(run(data, "--json", "--verdict", "outside").output)) == 4
    assert len(json.loads(run(data, "--json", "--verdict", "CLOSE CALL").output)) == 4
    assert json.loads(run(data, "--json", "--verdict", "no contact").output) == []
    assert len(json.loads(run(data, "--json", "--until", "2026-07-14T00:00:00Z").output)) == 2
    assert json.loads(run(data, "--json", "--since", "2026-07-14T00:00:00Z", "--until", "2026-07-13").output) == []


@pytest.mark.parametrize("page", [1, 3, 4, 1000])
def test_json_is_that_of_all_readings_at_once(data, reader, monkeypatch, page):
    """Page by page: one JSON array, a reading on each line of it."""
    whole = list(reader.history_fields(HistoryFilter()))
    assert [fields["uid"] for fields in whole] == [row.uid for row in reader.history()]
    monkeypatch.setattr("meterlink.store.reader.PAGE", page)
    monkeypatch.setattr("meterlink.cli.output._RECORDS_AT_ONCE", 2)
    output = run(data, "--json").output
    assert json.loads(output) == whole
    assert output == run(data, "--json", "--all").output
    assert [line[0] for line in output.splitlines()] == ["[", "{", "{", "{", "{", "]"]
    assert json.loads(run(data, "--json", "--site", "harbour cold store").output) == whole[2:]
    assert [line.split("\t")[7] for line in run(data, "--lines").output.splitlines()] == ["4.68 µF", "4.69 µF"] * 2


def test_fields_are_those_of_the_row_object(reader):
    """`history_fields` reads the columns itself; every value must be that of the objects made of the same row."""
    for fields, row in zip(reader.history_fields(HistoryFilter()), reader.history(), strict=True):
        judgement, limits = row.judgement, row.judgement.limits
        assert limits is not None
        assert judgement.deviation_percent is not None
        expected = (
            row.reading.text, row.reading.value, row.reading.unit, judgement.verdict, judgement.margin,
            float(limits.low), float(limits.high), limits.unit, limits.basis, float(judgement.deviation_percent),
            row.meter.name, row.clock_set, row.revision, row.void_reason, row.settled_in, judgement.reason,
            list(row.terminals),
        )  # fmt: skip
        keys = (
            "reading", "value", "unit_symbol", "verdict", "margin", "low", "high", "limits_unit", "limits_basis",
            "deviation_percent", "meter", "clock_set", "revision", "void_reason", "settled_in", "reason", "terminals",
        )  # fmt: skip
        assert tuple(fields[key] for key in keys) == expected


@pytest.mark.parametrize(
    ("step_at", "opened_at", "step_s", "text"),
    [
        (5, 1, 7200, " (clock set on by 2 h)"),
        (5, 1, -90, " (clock set back by 90 s)"),
        (20, 1, 7200, ""),  # after the reading
        (5, 6, 7200, ""),  # before the visit
    ],
)
def test_a_reading_after_a_step_of_the_clock_is_marked(data, reader, step_at, opened_at, step_s, text):
    """Only where the step came during the visit: its earlier times do not agree with this one."""
    with closing(sqlite3.connect(data / "meterlink.db")) as connection:
        connection.execute(
            "INSERT INTO clock_steps (boot, before_utc_ns, before_monotonic_ns, after_utc_ns, after_monotonic_ns,"
            " step_ns) VALUES (1, 0, ?, 0, ?, ?)",
            (step_at - 1, step_at, step_s * 10**9),
        )
        connection.execute("UPDATE visits SET opened_monotonic_ns = ? WHERE id = 2", (opened_at,))
        connection.execute("UPDATE accepted_readings SET monotonic_ns = 10 WHERE visit_id = 2")
        connection.commit()
    marked = [0, 0, step_s, step_s] if text else [0] * 4
    assert [row.clock_step_ns for row in reader.history()] == [step * 10**9 for step in marked]
    assert [fields["clock_step"] for fields in reader.history_fields(HistoryFilter())] == marked
    _, *rows = run(data).output.splitlines()
    assert [text in row for row in rows] == [text == "", text == "", True, True]
    assert ("clock set" in "".join(rows)) == (text != "")


@pytest.mark.parametrize(
    ("table", "change"),
    [
        ("verdicts", "verdict = 'splendid'"),
        ("verdicts", "limits_low = 'some'"),
        ("verdicts", "question = '{}'"),
        ("accepted_readings", "quantity = 'sound'"),
        ("accepted_readings", "coupling = 'both'"),
    ],
)
def test_json_names_a_row_that_another_program_edited(data, reader, table, change):
    with closing(sqlite3.connect(data / "meterlink.db")) as connection:
        connection.execute("PRAGMA ignore_check_constraints = ON")
        connection.execute(f"UPDATE {table} SET {change} WHERE id = 3")  # noqa: S608  # texts of this test
        connection.commit()
    with pytest.raises(DamagedDatabaseError, match=r"Row 3 .*Another program has changed the file"):
        list(reader.history_fields(HistoryFilter()))


@pytest.mark.parametrize(
    ("options", "ids"),
    [
        (("--circuit", "CONDENSER FAN"), [1, 2, 3, 4]),
        (("--circuit", "compressor"), []),
        (("--meter", "Bench Meter"), [1, 2, 3, 4]),
        (("--meter", "00:00:5e:00:53:0a"), [1, 2, 3, 4]),
        (("--meter", "bench"), []),
        (("--site", "mill lane bakery", "--component", "start capacitor"), [2]),
        (("--newest-visit",), [3, 4]),
        (("--newest-visit", "--unit", "condenser 1"), [1, 2]),
        (("--newest-visit", "--site", "mill lane bakery", "--limit", "1"), [2]),
        (("--verdict", "outside", "--meter", "bench meter", "--limit", "2"), [3, 4]),
    ],
)
def test_options_select(data, reader, options, ids):
    uids = {row.uid: row.id for row in reader.history()}
    assert [uids[fields["uid"]] for fields in json.loads(run(data, "--json", *options).output)] == ids


@pytest.mark.parametrize(
    ("options", "ids"),
    [
        (("--before", 3), [1, 2]),
        (("--before", 3, "--limit", "1"), [2]),  # the page before: the newest of the older ones
        (("--after", 1), [2, 3, 4]),
        (("--after", 1, "--limit", "1"), [2]),  # the page after: the oldest of the newer ones
        (("--after", 1, "--before", 4), [2, 3]),
        (("--after", 4), []),
        (("--before", 1), []),
    ],
)
def test_cursors_are_uids_and_give_every_reading_once(data, reader, options, ids):
    uids = {row.id: row.uid for row in reader.history()}
    typed = [uids[option] if isinstance(option, int) else option for option in options]
    listed = [fields["uid"] for fields in json.loads(run(data, "--json", *typed).output)]
    assert listed == [uids[number] for number in ids]


@pytest.mark.parametrize("size", [1, 2, 3, 4, 5])
@pytest.mark.parametrize("unit", [(), ("--unit", "Condenser 1")])
def test_pages_by_cursor_are_the_whole_list(data, size, unit):
    """Backwards with --before the first reading of each page, forwards with --after the last one."""
    whole = [fields["uid"] for fields in json.loads(run(data, "--json", *unit).output)]
    for option, end in (("--before", 0), ("--after", -1)):
        walked: list[str] = []
        cursor: tuple[str, ...] = () if option == "--before" else ("--after", whole[0])
        while page := json.loads(run(data, "--json", "--limit", str(size), *unit, *cursor).output):
            uids = [fields["uid"] for fields in page]
            walked = uids + walked if option == "--before" else walked + uids
            cursor = (option, uids[end])
        assert walked == (whole if option == "--before" else whole[1:])


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (("--before", "no such uid"), "--before: there is no reading 'no such uid'. The uids are in --json."),
        (("--after", "\u202e"), "--after: there is no reading ''"),
        (("--newest-visit", "--unit", "Condensor 1"), "No visit was there. Did you mean Condenser 1?"),
        (("--newest-visit", "--site", "nowhere"), "No visit was there."),
    ],
)
def test_a_cursor_or_a_place_that_is_none(data, options, message):
    with pytest.raises(InputError) as caught:
        run(data, *options)
    assert message in str(caught.value)


def test_a_visit_is_named_or_the_newest(data, reader):
    assert run(data, "--visit", reader.visits()[0].uid, "--newest-visit").exit_code == 2


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (("--site", "Mill Lane bakry"), "Did you mean Mill Lane bakery?"),
        (("--circuit", "condenser fam"), "Did you mean condenser fan?"),
        (("--meter", "q"), "Meters here: bench meter."),
        (("--component", "q"), "Components here: run capacitor, start capacitor."),
        (("--site", "Harbour cold store", "--unit", "q"), "Units here: condenser 10."),
        (("--site", "Harbour cold store", "--until", "2000-01-01"), "No accepted readings match."),
    ],
)
def test_a_name_that_nothing_has_is_answered_with_the_nearest(data, options, message):
    assert message in run(data, *options).output


def test_many_names_are_not_all_listed(data, monkeypatch):
    monkeypatch.setattr("meterlink.cli.history._NAMES_SHOWN", 1)
    assert run(data, "--unit", "nowhere").output.endswith("Units here: Condenser 1 and 1 more.\n")


def test_a_unit_is_found_without_reading_the_others(reader, data):
    """An index finds the readings of a unit; the ids alone are sorted."""
    from meterlink.store import history_query  # noqa: PLC0415

    where, values = history_query._where(HistoryFilter(unit="Condenser 1"))
    with closing(sqlite3.connect(data / "meterlink.db")) as connection:
        sql = f"EXPLAIN QUERY PLAN SELECT a.id FROM accepted_readings a {where} ORDER BY a.id"  # noqa: S608  # ours
        steps = [row[3] for row in connection.execute(sql, values)]
    assert steps[0] == "SEARCH a USING COVERING INDEX accepted_of_visit (visit_id=?)"


def test_text_has_the_newest_readings_and_says_so(data, monkeypatch):
    monkeypatch.setattr("meterlink.cli.history._ON_A_PAGE", 2)
    page = run(data)
    uid = json.loads(run(data, "--json", "--limit", "2").output)[0]["uid"]
    assert page.stderr == f"The newest 2, newest last; --before {uid[:12]} has older ones, --all lists all.\n"
    older = run(data, "--before", uid[:12])
    assert (older.stderr, older.stdout.count("Mill Lane")) == ("", 2)
    first = json.loads(run(data, "--json").output)[0]["uid"]
    assert run(data, "--after", first).stderr.startswith("The next 2, newest last; --after ")
    assert "Harbour" in page.stdout
    assert "Mill Lane" not in page.stdout
    everything = run(data, "--all")
    assert (everything.stderr, everything.stdout.count("4.68 µF")) == ("", 2)
    assert run(data, "--limit", "2").stderr == ""
    assert run(data, "--all", "--limit", "2").stdout == run(data, "--limit", "2").stdout
