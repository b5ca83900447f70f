"""Arriving and leaving on the dashboard: the keys, the list that shrinks to what is typed, the commands sent."""

from pathlib import Path
from typing import Any

import pytest

from meterlink.link.messages import PlanNameView, Topic, UnitView, VisitsView
from meterlink.record.entries import site_day
from meterlink.settings import DATABASE_FILE
from meterlink.store.reader import Reader
from meterlink_tui.sheets.visits import VisitPicker, left_text
from support.dashboards import catch_up, running_dashboard, screen_text
from support.kept_records import keep_record
from support.recorded_visits import store_visits

PLANS = [PlanNameView(key="split-condenser", title="single-phase split condenser")]


def unit(site: str, name: str, **more: Any) -> UnitView:
    view = UnitView(
        site=site, unit=name, visit=f"uid of {name}", plan="single-phase split condenser",
        opened="2026-05-04T09:00:00.000Z", is_open=False, is_active=False,
    )  # fmt: skip
    return view | more  # type: ignore[return-value]


def visits(*units: UnitView) -> VisitsView:
    return VisitsView(topic=Topic.VISITS, units=list(units), plans=PLANS)


KNOWN = visits(
    unit("Mill Lane bakery", "Condenser 1", is_open=True),
    unit("Mill Lane bakery", "Walk-in 2"),
    unit("Pond school", "RTU 2"),
)


@pytest.mark.parametrize(
    ("keys", "sent"),
    [
        (["enter"], ("switch_visit", {"visit": "uid of Condenser 1"})),  # two keys for the visit that waits
        (["p", "o", "n", "enter"], ("begin_visit", {"site": "Pond school", "unit": "RTU 2"})),
        (["down", "enter"], ("begin_visit", {"site": "Mill Lane bakery", "unit": "Walk-in 2"})),
        (["down", "down", "up", "enter"], ("begin_visit", {"site": "Mill Lane bakery", "unit": "Walk-in 2"})),
        (["R", "T", "U", "space", "p", "o", "enter"], ("begin_visit", {"site": "Pond school", "unit": "RTU 2"})),
    ],
)
async def test_a_known_unit_is_chosen(keys: list[str], sent: tuple[str, dict[str, str]]) -> None:
    async with running_dashboard(KNOWN) as (_, station, pilot):
        await pilot.press("v", *keys)
        await catch_up(pilot)
        assert station.sent == [("list_visits", {}), sent]


async def test_a_new_unit_gets_its_plan() -> None:
    async with running_dashboard(KNOWN) as (app, station, pilot):
        await pilot.press("v", *"Mill Lane bakery/Condenser 9".replace(" ", "_"))
        assert "No such unit yet" not in screen_text(app)
        await pilot.press("enter")
        await catch_up(pilot)
        assert "What kind of unit is Condenser_9?" in screen_text(app)
        await pilot.press("enter")
        await catch_up(pilot)
        place = {"site": "Mill_Lane_bakery", "unit": "Condenser_9", "plan": "split-condenser"}
        assert station.sent[-1] == ("begin_visit", place)


def test_the_points_that_are_left_are_named() -> None:
    def point(title: str, verdict: str | None) -> Any:
        return {"title": title, "accepted": verdict and {"verdict": verdict}}

    def left(*points: Any) -> str:
        view: Any = {"points": list(points)}
        return left_text(view)

    assert left(point("coil", "within")) == "Every test point has a sound reading."
    assert left(point("coil", "outside"), point("line", None)) == (
        "Not sound and not replaced: coil. Without a reading: line."
    )
    many = [point(f"p{number}", None) for number in range(6)]
    assert left(*many) == "Without a reading: p0, p1, p2, p3 and 2 more."


async def test_the_active_visit_is_paused() -> None:
    active = visits(unit("Mill Lane bakery", "Condenser 1", is_open=True, is_active=True))
    async with running_dashboard(active) as (_, station, pilot):
        await pilot.press("v", "down", "enter")
        await catch_up(pilot)
        assert station.sent[-1] == ("pause_visit", {})


async def test_a_new_unit_is_typed_before_the_station_has_answered() -> None:
    async with running_dashboard() as (app, station, pilot):
        await pilot.press("v", *"Pond school/RTU 9", "enter")
        await catch_up(pilot)
        assert "What kind of unit is RTU 9?" in screen_text(app)
        roof = PlanNameView(key="rooftop-three-phase", title="three-phase rooftop unit")
        station.feed(VisitsView(topic=Topic.VISITS, units=[], plans=[*PLANS, roof]))
        await catch_up(pilot)
        await pilot.press("enter")  # the plan that the name proposes stands first
        await catch_up(pilot)
        assert station.sent[-1][1]["plan"] == "rooftop-three-phase"


async def test_the_active_visit_is_closed_with_an_outcome() -> None:
    active = visits(unit("Mill Lane bakery", "Condenser 1", is_open=True, is_active=True))
    async with running_dashboard(active) as (app, station, pilot):
        await pilot.press("v", "enter")
        await catch_up(pilot)
        assert "The outcome" in screen_text(app)
        await pilot.press("down", "enter")
        await catch_up(pilot)
        assert "How is the unit left" in screen_text(app)
        await pilot.press("enter")
        await catch_up(pilot)
        left = {"outcome": "temporary repair", "power": "on", "covers": "on"}
        assert station.sent[-1] == ("close_visit", left)
        assert "CLOSED g writes the report on the visit." in screen_text(app)


async def write_report(database: Path | None, size: tuple[int, int] = (160, 40)) -> str:
    """Press the key of the report; return the screen after it."""
    async with running_dashboard(database=database, size=size) as (app, station, pilot):
        await pilot.press("g")
        for worker in [worker for worker in app.workers if worker.name == "report"]:
            await worker.wait()
        await catch_up(pilot)
        assert station.sent == []  # it needs no daemon
        return screen_text(app)


async def test_a_key_writes_the_report_and_says_where(tmp_path: Path) -> None:
    keep_record(tmp_path / DATABASE_FILE)
    text = await write_report(tmp_path / DATABASE_FILE)
    (page, pdf) = sorted((tmp_path / "reports").iterdir())
    assert "REPORT" in text
    assert f"{page.name} and {pdf.name}" in text
    assert page.read_text(encoding="utf-8").startswith("<!DOCTYPE html>")
    assert pdf.read_bytes().startswith(b"%PDF-")


async def test_after_a_close_the_report_is_on_that_visit_also_where_another_has_a_later_time(tmp_path: Path) -> None:
    # On a roof without a network the clock may be late; a visit of another station then has the later time.
    keep_record(tmp_path / DATABASE_FILE)
    first, *_ = Reader(tmp_path / DATABASE_FILE).visits()
    active = visits(unit("Mill Lane bakery", "Condenser 1", is_open=True, is_active=True))
    async with running_dashboard(active, database=tmp_path / DATABASE_FILE) as (app, station, pilot):
        station.data = {"visit": first.uid}
        await pilot.press("v", "enter")
        await catch_up(pilot)
        await pilot.press("enter")
        await catch_up(pilot)
        await pilot.press("enter")
        await catch_up(pilot)
        await pilot.press("g")
        for worker in [worker for worker in app.workers if worker.name == "report"]:
            await worker.wait()
    (page,) = (tmp_path / "reports").glob("*.html")
    assert first.closed_utc_ns is not None
    assert page.name.startswith(site_day(first.closed_utc_ns, None))


async def test_without_a_closed_visit_or_away_from_its_machine_no_report_is_written(tmp_path: Path) -> None:
    assert "run the dashboard there" in await write_report(None)
    store_visits(tmp_path / DATABASE_FILE, [])
    assert "No visit is closed yet. Close the visit first" in await write_report(tmp_path / DATABASE_FILE)
    assert not (tmp_path / "reports").exists()


async def test_the_list_grows_when_the_station_answers_and_escape_leaves_everything_as_it_is() -> None:
    async with running_dashboard() as (app, station, pilot):
        await pilot.press("v", "enter")  # nothing to choose yet
        await catch_up(pilot)
        assert "Type its site, a slash and its name" in screen_text(app)
        station.feed(KNOWN)
        await catch_up(pilot)
        assert "Pond school / RTU 2" in screen_text(app)
        await pilot.press("escape")
        assert station.sent == [("list_visits", {})]
        assert not isinstance(app.screen, VisitPicker)


@pytest.mark.parametrize("size", [(40, 24), (80, 24), (120, 40)])
async def test_hostile_names_are_shown_as_text_and_cut(size: tuple[int, int]) -> None:
    hostile = visits(unit("\x1b[31m[bold]red[/bold]" + "x" * 10_000, "\u202eunit[/]"))
    async with running_dashboard(hostile, size=size) as (app, _, pilot):
        await pilot.press("v")
        await catch_up(pilot)
        text = screen_text(app)
        assert "(bold)red" in text
        assert "\x1b" not in text
        assert "\u202e" not in text


@pytest.mark.parametrize("size", [(40, 24), (80, 24)])
async def test_the_sheet_says_what_to_type(size: tuple[int, int]) -> None:
    async with running_dashboard(size=size) as (app, _, pilot):
        await pilot.press("v")
        await catch_up(pilot)
        assert "New: site / unit" in screen_text(app)
