"""The screens of the record: keys, the line that narrows, the facts of the working view that they repeat."""

import asyncio
import sqlite3
import threading
import time
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from textual.pilot import Pilot
from textual.widgets import Input

from meterlink.core.clock import Timestamp
from meterlink.notebook.record import Record
from meterlink.store.reader import Reader
from meterlink.store.rows import ClockStep, GapCause, NewGap
from meterlink_tui.record_lines import accepted_lines
from meterlink_tui.sheets.accepted import AcceptedSheet
from meterlink_tui.sheets.help import HelpSheet
from meterlink_tui.sheets.history import HistorySheet
from meterlink_tui.sheets.part import PartSheet
from meterlink_tui.sheets.raw import RawSheet
from meterlink_tui.widgets.pages import PagedList
from support.dashboards import catch_up, dashboard, running_dashboard, screen_lines, screen_text
from support.kept_packets import HERM, VOLTS, KeptPackets, packet_of
from support.kept_records import LAST_VISIT, PLACE, SECOND, VOID_REASON, capacitor, keep_record
from support.recorded_visits import OUTER_TIMEOUT, RecordedVisit, store_visits
from support.thinned_records import keep_closed_record, thin_record
from support.writers import running_writer

SIZES = [(40, 24), (62, 20), (80, 24), (120, 40), (200, 60)]
CAUTION = "Isolate the unit. Discharge the capacitor through a resistor before touching its terminals."


@pytest.fixture(autouse=True)
def _in_utc(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """The screens have the local time."""
    if not hasattr(time, "tzset"):
        pytest.skip("this platform's zone cannot be set for a process")
    monkeypatch.setenv("TZ", "UTC")
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


@pytest.fixture(scope="module")
def database(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("history") / "meterlink.db"
    keep_record(path)
    return path


@pytest.fixture(scope="module")
def broken(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same record with a gap of every cause, and a step of the clock."""
    path = tmp_path_factory.mktemp("gaps") / "meterlink.db"
    keep_record(path)
    connection = Reader(path).connections()[-1].id
    with running_writer(path) as writer:
        for gap in (
            NewGap(connection, GapCause.PACKETS_DROPPED, after(12.5), after(13), 12),
            NewGap(connection, GapCause.METER_SILENT, after(20.3), after(77)),
            NewGap(connection, GapCause.LINK_LOST, after(99), after(137)),
            NewGap(connection, GapCause.NOT_SAVED, after(139), lost=1),
        ):
            writer.add_gap(gap)
        writer.add_clock_step(ClockStep(after(90), after(91), -3600 * SECOND)).result(OUTER_TIMEOUT)
    with closing(sqlite3.connect(path)) as changed, changed:  # a step found while those readings came
        changed.execute("UPDATE clock_steps SET boot = (SELECT boot FROM connections WHERE id = ?)", (connection,))
    return path


def after(seconds: float) -> Timestamp:
    """Return a moment of the last visit; its two clocks have the same number."""
    at = LAST_VISIT + round(seconds * SECOND)
    return Timestamp(at, at)


def point(key: str, component: str, section: str, **more: Any) -> dict[str, Any]:
    return {
        "key": key, "title": f"{component} {section}".strip(), "circuit": "compressor", "component": component,
        "section": section, "terminals": ["C", section or "A2"], "quantity": "capacitance",
        "state": "isolated and discharged", "limits": None, "rating": None, "why": "", "caution": CAUTION,
        "accepted": None, "repeats": 0, "kind": "capacitor", "label": "", "old_part": None, "last": None, "voided": [],
    } | more  # fmt: skip


def visit(**more: Any) -> Any:
    points = [
        point("herm", "run capacitor", "HERM"),
        point("fan", "run capacitor", "FAN"),
        point("coil", "contactor coil", ""),
    ]
    return {
        "topic": "visit", "site": PLACE.name, "unit": PLACE.unit, "plan": "split", "opened": "", "points": points,
        "focus": "herm", "last_accepted": None, "next_point": None, "advice": "Go on.", "caution": CAUTION,
    } | more  # fmt: skip


ACCEPTED: Any = {
    "id": 1, "uid": "r1", "revision": 1,
    "text": "3.1 µF", "number_text": "3.1", "unit_text": "µF", "status": "ok", "display_mode": "normal",
    "digits": "3.1", "verdict": "outside", "margin": "clear", "deviation_percent": "-38", "reason": "Too low.",
    "accuracy": "", "meter": "Alder", "at": "2026-07-14T15:04:05.000Z", "settled_in": 1.4,
}  # fmt: skip
ALARM: Any = {"topic": "notice", "level": "alarm", "text": "The disk is full: readings are not being kept."}
QUESTION: Any = {
    "question": "An overload: is the part disconnected?",
    "usual": "yes",
    "choices": [
        {"key": "yes", "label": "off", "words": "wires off"},
        {"key": "no", "label": "on", "words": "wires on"},
    ],
}  # fmt: skip


async def queried(pilot: Pilot[None]) -> None:
    """Let the queries end."""
    await pilot.pause()
    workers = pilot.app.workers
    while queries := [worker for worker in workers if worker.name != "keep-connected" and not worker.is_finished]:
        await workers.wait_for_complete(queries)


async def answered(pilot: Pilot[None]) -> None:
    """Let messages arrive and queries end, and draw them."""
    await catch_up(pilot)
    await queried(pilot)
    await pilot.pause()


async def press(pilot: Pilot[None], *keys: str) -> None:
    """Press the keys, each when the last one is answered."""
    for key in keys:
        await pilot.press(key)
        await queried(pilot)
    await pilot.pause()


async def test_one_key_opens_the_component_of_the_test_point_and_escape_returns(database: Path) -> None:
    async with running_dashboard(visit(), database=database) as (app, _, pilot):
        await press(pilot, "h")
        assert isinstance(app.screen, HistorySheet)
        assert app.screen.query_one(Input).value == '"Corner bakery" "condenser, north roof" "run capacitor" "HERM" '
        text = screen_text(app)
        assert "2026-07-14 15:00 42.9 µF ≈ within, close call" in text
        assert "run capacitor HERM · condenser, north roof, Corner bakery" in text
        assert "FAN" not in text
        assert "coil" not in text
        await press(pilot, "escape")
        assert len(app.screen_stack) == 1


async def test_typing_narrows_and_the_line_can_be_cleared(database: Path) -> None:
    async with running_dashboard(visit(), database=database) as (app, _, pilot):
        await press(pilot, "h", "ctrl+u")
        assert "contactor coil" in screen_text(app)
        await press(pilot, *"out", "space", *"fan")
        lines = [line for line in screen_lines(app) if "µF" in line]
        assert len(lines) == 2  # one of them is voided
        assert "4.66 µF  ≈ outside, close call" in lines[0]
        assert "43.0 µF  VOIDED ✗ outside" in lines[1]
        await press(pilot, "ctrl+u", *"2025-1")
        assert [line[:11] for line in screen_lines(app) if "2025-" in line][1:] == [" 2025-10-06"] * 3
        await press(pilot, "ctrl+u", *"zzz")
        assert "No accepted reading matches. Ctrl+U clears the line." in screen_text(app)


async def test_the_newest_line_wins(database: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """While a query runs the lines typed in the meantime wait; only the last of them is asked."""
    asked: list[str] = []
    below = Record.accepted_below
    asked_first, go_on = threading.Event(), threading.Event()

    def slow(record: Record, line: str, anchor: int | None, limit: int) -> Any:
        asked.append(line)
        asked_first.set()
        go_on.wait(OUTER_TIMEOUT)  # in a thread: the keys go on
        return below(record, line, anchor, limit)

    async with running_dashboard(visit(), database=database) as (app, _, pilot):
        await press(pilot, "h", "ctrl+u")
        monkeypatch.setattr(Record, "accepted_below", slow)
        await pilot.press("o")
        await asyncio.to_thread(asked_first.wait, OUTER_TIMEOUT)
        await pilot.press(*"utside")
        assert app.screen.query_one(Input).value == "outside"
        go_on.set()
        await answered(pilot)
        assert asked == ["o", "outside"]
        assert "✗ outside" in screen_text(app)
        assert "✓" not in "".join(screen_lines(app)[1:])


async def test_a_reading_has_its_trace_with_the_moment_it_was_accepted(database: Path) -> None:
    async with running_dashboard(visit(), database=database, size=(120, 40)) as (app, _, pilot):
        await press(pilot, "h", "enter")
        assert isinstance(app.screen, AcceptedSheet)
        text = screen_text(app)
        assert "42.9 µF ≈ WITHIN, CLOSE CALL 2026-07-14 15:00" in text
        assert "Settled in 6.4 s." in text
        assert "clamp meter" in text
        plot = [line for line in screen_lines(app) if "│" in line]
        accepted = next(line.index("≈") for line in plot if "≈" in line)
        assert sum(line[accepted] == "┃" for line in plot) == len(plot) - 1  # the moment runs from top to bottom
        probes_on = next(index for index, char in enumerate(plot[0]) if char in "╎▲" and index > accepted - 45)
        assert probes_on < accepted
        assert "▲" in plot[0]
        assert "▼" in plot[-1]
        assert "↓" in plot[-1]
        assert any(line.lstrip().startswith("low 42.3│┄") for line in plot)
        assert any("•" in line[accepted + 1 :] for line in plot)  # the two seconds after


async def test_earlier_verdicts_and_voids_are_reachable(database: Path) -> None:
    async with running_dashboard(visit(), database=database) as (app, _, pilot):
        await press(pilot, "h", "ctrl+u")
        assert "19.2 Ω ✓ within changed" in screen_text(app)
        await press(pilot, "enter")
        assert "Judged before: ✗ outside, 10 to 18 Ω, on 2026-07-14 15:0" in screen_text(app)
        await press(pilot, "escape", "down", "down", "enter")
        assert f"VOIDED: {VOID_REASON}" in screen_text(app)
        assert "43.0 µF VOIDED, was ✗ OUTSIDE" in screen_text(app)


async def test_a_voided_reading_is_struck_through(database: Path) -> None:
    async with running_dashboard(visit(), database=database) as (app, _, pilot):
        await press(pilot, "h", "ctrl+u", *"voided")
        (row,) = app.screen.query_one(PagedList)._rows
        struck = [span for span in accepted_lines(row, 80).spans if "strike" in str(span.style)]
        assert len(struck) == 2  # value and verdict


@pytest.mark.parametrize("size", SIZES, ids=lambda size: f"{size[0]}x{size[1]}")
async def test_a_reading_that_was_decoded_again_says_so_in_the_list(tmp_path: Path, size: tuple[int, int]) -> None:
    # A reading that differs from the one on the report of last week must not look as if it had always been so.
    kept = KeptPackets(tmp_path)
    kept.accept(HERM, packet_of(1, 453), "0a000000-good")
    kept.accept(VOLTS, packet_of(2, 2403), "0c000000-line")
    kept.correct_reading(HERM, packet_of(1, 453), "0a000000-good")
    kept.close()
    async with running_dashboard(visit(), database=tmp_path / "meterlink.db", size=size) as (app, _, pilot):
        await press(pilot, "h", "ctrl+u")
        words = "decoded again" if size[0] < 80 else "decoded again, accepted as 4.53 µF"
        (line,) = [line for line in screen_lines(app) if "decoded again" in line]
        assert "45.3 µF  ✓ within  " + words in line
        assert "…" not in line.partition(words)[0]  # value and verdict are whole
        assert screen_text(app).count("decoded again") == 1
        assert "changed" not in screen_text(app)


async def test_a_part_is_plotted_over_its_visits(database: Path) -> None:
    async with running_dashboard(visit(), database=database, size=(120, 40)) as (app, _, pilot):
        await press(pilot, "h", "f2")
        assert isinstance(app.screen, PartSheet)
        text = screen_text(app)
        assert "DRIFTING DOWN, 0.726 µF a year" in text
        assert "The rating changed from 40 µF ±6 % to 45 µF ±6 % on 2023-05-04" in text
        plot = [line for line in screen_lines(app) if "│" in line]
        assert ["".join(plot).count(mark) for mark in "✓≈✗"] == [6, 3, 0]
        at = plot[1].index("╎")
        assert "░" not in "".join(line[:at] for line in plot)
        assert any("░" in line for line in plot)
        # The old part's limits end at the break; its own low limit is below the new one's.
        assert sum("┄" in line[:at] for line in plot) == 2


async def test_few_visits_are_said_to_be_too_few(tmp_path: Path) -> None:
    store_visits(tmp_path / "meterlink.db", [RecordedVisit("2026-05-04", PLACE, [(capacitor(), "44.1 uF")])])
    async with running_dashboard(visit(), database=tmp_path / "meterlink.db") as (app, _, pilot):
        await press(pilot, "h", "f2")
        text = screen_text(app)
        assert "NOT ENOUGH VISITS (have 1, need 5)" in text
        assert "░" not in "".join(line for line in screen_lines(app) if "│" in line)
        await press(pilot, "escape", "enter")
        assert "No other raw readings of this meter around it." in screen_text(app)


async def test_raw_readings_page_by_key_and_jump_to_a_time(database: Path) -> None:
    async with running_dashboard(visit(), database=database) as (app, _, pilot):
        await press(pilot, "h", "f3")
        assert isinstance(app.screen, RawSheet)
        pages = app.screen.query_one(PagedList)
        assert pages.current.content.reading.text == "42.9 µF"  # at the reading of the list
        await press(pilot, "home")
        assert pages.current.content.id == 1
        await press(pilot, "pagedown", "pagedown", "pageup")
        assert pages.current.content.id == pages.page_rows
        await press(pilot, "end")
        newest = pages.current.id
        await press(pilot, "down")
        assert pages.current.id == newest
        await press(pilot, *"2026-07-14", "space", *"15:00:05", "enter")
        assert "15:00:05.000" in next(line for line in screen_lines(app) if "15:00:05" in line and "µF" in line)
        assert pages.current.content.reading.timestamp.utc_ns == LAST_VISIT + 5 * SECOND
        await press(pilot, "ctrl+u", *"noon", "enter")
        assert "'noon' is no time. Write it as 2026-11-03 14:05." in screen_text(app)


@pytest.mark.parametrize("size", SIZES, ids=lambda size: f"{size[0]}x{size[1]}")
async def test_each_gap_is_a_line_where_it_lies_in_time(broken: Path, size: tuple[int, int]) -> None:
    """A technician who looks for a missing value sees why it is missing, and for how long."""
    async with running_dashboard(visit(), database=broken, size=size) as (app, _, pilot):
        await press(pilot, "h", "f3", "end")
        lines = [" ".join(line.split()) for line in screen_lines(app)]
        listed = [line for line in lines if "──" in line or "µF" in line or "Ω" in line]
        newest = [
            ("15:00:20 ── meter silent, 57 s", "clamp"), ("15:01:18.000 43.0 µF", "clamp"),
            ("15:01:30 ── clock set back by 1 h", ""), ("15:01:38.000 4.66 µF", "clamp"),
            ("15:01:39 ── link lost, 38 s", "clamp"), ("15:02:18.000 19.2 Ω", "clamp"),
            ("15:02:19 ── not saved, no end known", "clamp"),
        ]  # fmt: skip
        for line, (text, meter) in zip(listed[-len(newest) :], newest, strict=True):
            assert text in line
            assert meter in line or size[0] == 40  # cut
        if size[0] >= 80:
            assert "1 reading lost" in listed[-1]
        pages = app.screen.query_one(PagedList)
        assert pages.current.content.cause is GapCause.NOT_SAVED
        await press(pilot, "up")
        assert pages.current.content.reading.text == "19.2 Ω"
        await press(pilot, *"2026-07-14", "space", *"15:00:13", "enter")
        listed = [" ".join(line.split()) for line in screen_lines(app)]
        (gap,) = [number for number, line in enumerate(listed) if "packets dropped, 0.5 s" in line]
        assert "15:00:12.400" in listed[gap - 1]
        assert "15:00:12.600" in listed[gap + 1]


async def test_the_list_pages_through_every_reading_and_back(database: Path) -> None:
    total = len(Record(database).accepted_below("", None, 1000))
    async with running_dashboard(visit(), database=database, size=(62, 20)) as (app, _, pilot):
        await press(pilot, "h", "ctrl+u")
        pages = app.screen.query_one(PagedList)
        seen = [pages.current.id]
        for _ in range(total):
            await pilot.press("down")
            seen.append(pages.current.id)
        assert seen[:total] == sorted(seen[:total], reverse=True)
        assert len(set(seen)) == total
        await press(pilot, "home")
        assert pages.current.id == total
        assert pages.is_at_start
        await press(pilot, "end")
        assert pages.current.id == 1
        await press(pilot, *["up"] * (total - 1))
        assert pages.current.id == total


# The working view is never hidden without a word.


@pytest.mark.parametrize("size", SIZES, ids=lambda size: f"{size[0]}x{size[1]}")
@pytest.mark.parametrize("keys", [(), ("enter",), ("f2",), ("f3",)], ids=["list", "reading", "part", "raw"])
async def test_every_screen_says_what_it_hides(database: Path, size: tuple[int, int], keys: tuple[str, ...]) -> None:
    async with running_dashboard(visit(), database=database, size=size) as (app, station, pilot):
        await press(pilot, "h", *keys)
        station.feed(
            visit(
                points=[point("herm", "run capacitor", "HERM", accepted=ACCEPTED | {"question": QUESTION})],
                last_accepted="herm",
            ),
            ALARM,
        )
        await answered(pilot)
        text = screen_text(app)
        assert "ALARM The disk is full: readings are not being kept." in text
        assert "ANSWER" in text
        assert "a question is open. Esc goes back to it." in text
        assert "LIVE 3.1 µF" in text
        assert "✗ OUTSIDE" in text
        assert text.index("ALARM") < text.index("ANSWER") < text.index("LIVE")
        station.drop()
        await answered(pilot)
        assert "STOPPED No readings are recorded." in screen_text(app)
        assert CAUTION in screen_text(app)


async def test_a_reading_accepted_meanwhile_is_listed(database: Path, tmp_path: Path) -> None:
    path = tmp_path / "meterlink.db"
    store_visits(path, [RecordedVisit("2026-05-04", PLACE, [(capacitor(), "44.1 uF")])])
    async with running_dashboard(visit(), database=path) as (app, station, pilot):
        await press(pilot, "h")
        assert "44.0 µF" not in screen_text(app)
        store_visits(path, [RecordedVisit("2026-05-05", PLACE, [(capacitor(), "44.0 uF")])])
        station.feed(visit(points=[point("herm", "run capacitor", "HERM", accepted=ACCEPTED)]))
        await answered(pilot)
        assert "44.0 µF" in screen_text(app)


async def test_a_dashboard_elsewhere_says_where_the_history_is() -> None:
    async with running_dashboard(visit()) as (app, _, pilot):
        await press(pilot, "h")
        assert len(app.screen_stack) == 1
        assert "The history is on the station's machine: run the dashboard there." in screen_text(app)


async def test_a_lost_database_is_an_error_on_the_screen(tmp_path: Path) -> None:
    path = tmp_path / "meterlink.db"
    keep_record(path)
    async with running_dashboard(visit(), database=path) as (app, _, pilot):
        await press(pilot, "h", "ctrl+u")
        path.rename(tmp_path / "moved.db")
        await press(pilot, "end")
        assert "✗ There is no database at" in screen_text(app)
        await press(pilot, "escape", "h")
        assert "✗ There is no database at" in screen_text(app)


async def test_help_lists_the_keys_of_the_screen(database: Path) -> None:
    async with running_dashboard(visit(), database=database, size=(80, 40)) as (app, _, pilot):
        await press(pilot, "h", "f1")
        assert isinstance(app.screen, HelpSheet)
        text = screen_text(app)
        for binding in HistorySheet.BINDINGS:
            assert binding.tooltip in text
        await press(pilot, "escape", "escape")
        assert len(app.screen_stack) == 1


HOSTILE = "\x1b[31m[bold]ÄÖ\u202e[/]\x07 \U0001f6d1漢字 " + "x" * 200


@pytest.mark.parametrize("size", SIZES, ids=lambda size: f"{size[0]}x{size[1]}")
async def test_hostile_names_reach_no_terminal(tmp_path: Path, size: tuple[int, int]) -> None:
    path = tmp_path / "meterlink.db"
    keep_record(path)
    with closing(sqlite3.connect(path)) as connection, connection:
        for table, column in (
            ("sites", "name"), ("units", "name"), ("circuits", "name"), ("components", "name"), ("meters", "name"),
            ("voids", "reason"), ("verdicts", "reason"), ("verdicts", "limits_basis"), ("verdicts", "rating"),
            ("test_points", "terminal_a"), ("test_points", "key"),
        ):  # fmt: skip
            connection.execute(f"UPDATE {table} SET {column} = ? || rowid", (HOSTILE,))  # noqa: S608  # constants
    async with running_dashboard(visit(site=HOSTILE, unit=HOSTILE), database=path, size=size) as (app, _, pilot):
        for keys in ((), ("enter",), ("f2",), ("f3",), ("down", "down", "enter")):
            await press(pilot, "h", "ctrl+u", *keys)
            text = "".join(screen_lines(app))
            assert len(screen_lines(app)) == size[1]
            assert not any(char in text for char in "\x1b\x07\u202e")
            assert "[bold]" not in text
            await press(pilot, *["escape"] * (len(app.screen_stack) - 1))
        assert not app._exit


# Pictures

PICTURES = [
    ("list", ("h",), (40, 24)), ("list", ("h",), (62, 20)), ("all", ("h", "ctrl+u", "down"), (80, 24)),
    ("all", ("h", "ctrl+u"), (200, 60)), ("reading", ("h", "enter"), (40, 24)), ("reading", ("h", "enter"), (80, 24)),
    ("part", ("h", "f2"), (80, 24)), ("part", ("h", "f2"), (120, 40)), ("raw", ("h", "f3"), (62, 20)),
    ("voided", ("h", "ctrl+u", "down", "down", "enter"), (80, 24)),
]  # fmt: skip
GAP_SIZES = [(40, 24), (80, 24), (120, 40)]


@pytest.mark.parametrize(
    ("keys", "size"), [picture[1:] for picture in PICTURES],
    ids=[f"{name}-{size[0]}x{size[1]}" for name, _, size in PICTURES],
)  # fmt: skip
def test_a_screen_of_the_record_looks_as_accepted(
    snap_compare: Any, database: Path, keys: tuple[str, ...], size: tuple[int, int]
) -> None:
    app, _ = dashboard(visit(), database=database)

    async def look(pilot: Pilot[None]) -> None:
        await answered(pilot)
        await press(pilot, *keys)

    assert snap_compare(app, terminal_size=size, run_before=look)


@pytest.mark.parametrize("size", GAP_SIZES, ids=lambda size: f"{size[0]}x{size[1]}")
def test_a_list_with_gaps_looks_as_accepted(snap_compare: Any, broken: Path, size: tuple[int, int]) -> None:
    app, _ = dashboard(visit(), database=broken)

    async def look(pilot: Pilot[None]) -> None:
        await answered(pilot)
        await press(pilot, "h", "f3", "end", "up")

    assert snap_compare(app, terminal_size=size, run_before=look)


async def test_thinned_raw_readings_are_said_to_be_thinned(tmp_path: Path) -> None:
    """A plot without a curve, and a list with a hole, would look as if the meter had sent nothing."""
    path = tmp_path / "meterlink.db"
    keep_closed_record(path)
    thin_record(path, LAST_VISIT + 3600 * SECOND)
    async with running_dashboard(visit(), database=path, size=(120, 40)) as (app, _, pilot):
        await press(pilot, "h", "enter")
        text = " ".join(screen_text(app).split())
        assert "Thinned on 2026-10-12 16:00: the raw readings around it were deleted." in text
        await press(pilot, "w")
        assert "From before 2026-07-14 16:00 the accepted ones: thinned." in " ".join(screen_text(app).split())
