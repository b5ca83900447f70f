"""The history over many accepted readings, and pages of many raw readings.

Run with ``--benchmark-enable -s`` for 200,000 accepted and 10,000,000 raw readings (some minutes); without it the same
code runs on small databases, as a test.
"""

import asyncio
import random
import time
import tracemalloc
from collections.abc import Callable
from pathlib import Path
from statistics import median, quantiles
from typing import Any

import pytest
from textual.content import Content

from meterlink.store.accepted_filter import parse_filter
from meterlink.store.reader import Reader
from meterlink.store.rows import RawLine
from meterlink_tui.widgets.pages import PagedList
from support.dashboards import running_dashboard
from support.large_records import FIRST_DAY, write_accepted, write_raw
from support.raw_pages import raw_page

ACCEPTED, FEW_ACCEPTED = 200_000, 2_000
RAW, FEW_RAW = 10_000_000, 40_000
STEP = 10**9 // 80  # ns between two raw readings of `write_raw`
ROWS = 60
LINES = (
    "", "c", "bakery", "outside", "run herm outside", "outside close 2024", "winding herm", "alder within 2025-11",
    "2023-0", "zzz", '"Mill Lane bakery" "Condenser 1" "run capacitor" "HERM"', "outside voltage 2023 dairy",
)  # fmt: skip
# Limits of the longest, in s, on a machine with two cores.
FILTER_LIMIT = 0.150
KEY_LIMIT = 0.050
# A page of the large database takes as long as one of the small; twice as long is the noise of a busy machine.
MOST_RATIO = 2.0


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("record")


@pytest.fixture(scope="module")
def full(request) -> bool:
    return bool(request.config.getoption("benchmark_enable", default=False))


@pytest.fixture(scope="module")
def accepted(folder: Path, full: bool) -> Path:
    path = folder / "accepted.db"
    write_accepted(path, ACCEPTED if full else FEW_ACCEPTED)
    return path


@pytest.fixture(scope="module")
def raw(folder: Path, full: bool) -> Path:
    path = folder / "raw.db"
    write_raw(path, RAW if full else FEW_RAW)
    return path


def seconds(call: Callable[[], object], rounds: int = 5) -> float:
    taken = []
    for _ in range(rounds):
        started = time.perf_counter()
        call()
        taken.append(time.perf_counter() - started)
    return median(taken)


def test_a_filter_line_is_answered(benchmark, accepted: Path, full: bool) -> None:
    reader = Reader(accepted)

    def answer() -> dict[str, float]:
        return {line: seconds(lambda: reader.filtered_history(parse_filter(line), ROWS)) for line in LINES}  # noqa: B023

    taken = benchmark.pedantic(answer, rounds=1)
    benchmark.extra_info.update({f"ms of {line!r}": round(value * 1000, 1) for line, value in taken.items()})
    assert not full or max(taken.values()) < FILTER_LIMIT, taken
    ids = [row.id for row in reader.filtered_history(parse_filter("outside run"), ROWS)]
    assert len(ids) == ROWS
    assert ids == sorted(ids, reverse=True)


def test_a_page_of_raw_readings_takes_the_same_time(benchmark, raw: Path, folder: Path, full: bool) -> None:
    """The ratio of both in one run depends on neither disk nor machine."""
    small = folder / "small.db"
    write_raw(small, FEW_RAW)
    rng = random.Random(7)

    def page(path: Path, count: int) -> None:
        reader = Reader(path)
        raw_page(reader, ROWS, before_id=rng.randrange(ROWS, count))
        raw_page(reader, ROWS)
        raw_page(reader, ROWS, after_id=0)
        reader.first_reading_since(FIRST_DAY + rng.randrange(count) * STEP)

    few = seconds(lambda: page(small, FEW_RAW), 30)
    many = benchmark.pedantic(lambda: seconds(lambda: page(raw, RAW if full else FEW_RAW), 30), rounds=1)
    benchmark.extra_info.update({"ms of three pages and a jump": round(many * 1000, 2), "ratio": round(many / few, 2)})
    assert not full or many / few < MOST_RATIO


def test_paging_needs_constant_memory(raw: Path) -> None:
    """A window of some screens is kept: the memory after 300 pages is that after 30."""
    reader = Reader(raw)

    async def page_on() -> tuple[int, int, int]:
        pages: PagedList[RawLine] = PagedList(lambda _row, _width: Content(), lambda _width: 1)
        pages.show(
            lambda anchor, count: reader.raw_lines(count, after=anchor or 0),
            lambda anchor, count: reader.raw_lines(count, before=anchor), (), "",
        )  # fmt: skip
        await pages.go_to_start()
        sizes: list[int] = []
        tracemalloc.start()
        for _ in range(2):
            for _ in range(30 if not sizes else 270):
                await pages.move(50)
            sizes.append(tracemalloc.get_traced_memory()[0])
        tracemalloc.stop()
        return sizes[0], sizes[1], pages.rows_in_memory

    first, second, rows = asyncio.run(page_on())
    assert rows <= 200
    assert second < first * 1.5 + 200_000


def test_a_key_is_repainted(benchmark, accepted: Path, full: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    """From the key to the drawn answer: typed words, pages, both ends."""
    taken = benchmark.pedantic(lambda: asyncio.run(repaints(accepted, monkeypatch)), rounds=1)
    p95 = quantiles(taken, n=20)[-1]
    benchmark.extra_info.update({"median ms": round(median(taken) * 1000, 1), "p95 ms": round(p95 * 1000, 1)})
    assert not full or p95 < KEY_LIMIT


async def repaints(database: Path, monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """Return the seconds from each key to the drawing that answers it."""
    keys = [*"outside", "ctrl+u", *"run", "pagedown", "pagedown", "down", "up", "end", "pageup", "home", "ctrl+u"]
    drawn: list[float] = []
    render = PagedList.render

    def noted(pages: PagedList[Any]) -> Content:
        content = render(pages)
        drawn.append(time.perf_counter())
        return content

    monkeypatch.setattr(PagedList, "render", noted)
    taken = []
    async with running_dashboard(size=(80, 24), database=database) as (app, _, pilot):
        await pilot.press("h")
        await until(lambda: app.screen.query_one(PagedList).current is not None)
        await pilot.pause(0.1)
        for key in keys:
            before, started = len(drawn), time.perf_counter()
            app.simulate_key(key)
            await until(lambda: len(drawn) > before, key)  # noqa: B023
            taken.append(drawn[-1] - started)
    return taken


async def until(condition: Callable[[], bool], name: str = "") -> None:
    for _ in range(20_000):
        if condition():
            return
        await asyncio.sleep(0.0005)
    raise AssertionError(name)
