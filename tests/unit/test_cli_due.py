"""``meterlink due`` over recorded visits, as a shell sees it."""

import re
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from meterlink.core.clock import SystemClock
from meterlink.core.equipment import Plan, Site
from meterlink.core.nameplate import UnitFact
from meterlink.settings import DATABASE_FILE
from support.commands import run_command, run_for_json, run_on_terminal
from support.recorded_parts import COIL, capacitor
from support.recorded_visits import RecordedVisit, store_visits
from support.writers import OUTER, running_writer

SITE = Site("Mill Lane bakery", "Condenser 1")
OTHER = Site("Harbour cold store", "Walk-in 1")
ESCAPES = re.compile(r"\x1b\[[0-9;]*m")


def day(months_ago: float) -> str:
    return str((datetime.now(UTC) - timedelta(days=30.4375 * months_ago)).date())


def falling(site: Site = SITE, section: str = "HERM", months_ago: float = 1) -> list[RecordedVisit]:
    """Five half-yearly visits to a part of 45 µF that falls 1 µF a year: 42.3 µF is 0.7 years after the last."""
    values = ["45.0 uF", "44.5 uF", "44.0 uF", "43.5 uF", "43.0 uF"]
    return [
        RecordedVisit(day(months_ago + 6 * (4 - number)), site, [(capacitor(section=section), value)])
        for number, value in enumerate(values)
    ]


@pytest.fixture
def data(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("METERLINK_DATA", str(tmp_path))
    return tmp_path


def store(data: Path, *visits: RecordedVisit) -> None:
    store_visits(data / DATABASE_FILE, sorted(visits, key=lambda visit: visit.day))


def states(*options: str) -> list[tuple[str, str | None, str, str]]:
    listed: list[dict[str, Any]] = run_for_json("due", *options)
    return [(entry["state"], entry["sureness"], entry["unit"], entry["component"]) for entry in listed]


def test_the_worst_stand_first(data: Path) -> None:
    store(
        data,
        *falling(),
        RecordedVisit(day(2), OTHER, [(COIL, "3.2 ohm")]),  # 10 to 18 Ω: shorted turns
        RecordedVisit(day(2), Site("Pond school", "Roof 3"), [(COIL, "14.2 ohm")]),
        RecordedVisit(day(40), Site("Pond school", "Roof 4"), [(COIL, "14.2 ohm"), (capacitor(), "45.0 uF")]),
    )
    assert states() == [
        ("outside", None, "Walk-in 1", "contactor coil"),
        ("due", "sure", "Condenser 1", "run capacitor"),
        ("not measured", None, "Roof 4", ""),  # the whole unit, once
    ]
    assert states("--every-part")[3:] == [("cannot tell", None, "Roof 3", "contactor coil")]
    assert states("--months", "3")[1:] == [("not measured", None, "Roof 4", "")]
    assert states("--site", "POND SCHOOL") == [("not measured", None, "Roof 4", "")]
    assert states("--unit", "condenser 1") == [("due", "sure", "Condenser 1", "run capacitor")]
    assert states("--limit", "1", "--skip", "1") == [("due", "sure", "Condenser 1", "run capacitor")]
    text = " ".join(run_command("due").out.split())
    assert "1 outside; 1 due within 12 months (1 sure); 1 not measured for 24 months, or not yet." in text
    assert "Of 1 part nothing can be told yet; 0 would reach no limit" in text


def test_a_part_of_a_visited_unit_that_was_not_measured_for_long(data: Path) -> None:
    store(
        data,
        RecordedVisit(day(40), SITE, [(capacitor(), "45.0 uF"), (COIL, "14.2 ohm")]),
        RecordedVisit(day(1), SITE, [(COIL, "14.2 ohm")]),
    )
    assert states() == [("not measured", None, "Condenser 1", "run capacitor")]


def test_the_dates_and_the_reason_of_a_part_that_is_due(data: Path) -> None:
    store(data, *falling())
    (entry,) = run_for_json("due")
    expected = datetime.fromisoformat(entry["expected"]).replace(tzinfo=UTC)
    assert abs(expected - datetime.now(UTC) - timedelta(days=0.7 * 365.25 - 30)) < timedelta(days=5)
    assert entry["earliest"] <= entry["expected"] <= entry["latest"]
    assert (entry["limit"], entry["limits_unit"], entry["visits"]) == (42.3, "µF", 5)
    assert entry["slope_per_year"] == pytest.approx(-1, abs=0.02)
    assert entry["reason"].startswith("Falls 1 µF a year: below 42.3 µF about ")
    words = run_command("due", "--help").out
    assert [key for key in entry if not re.search(rf"\b{key}\b", words)] == []


def test_no_parts_are_not_said_to_be_untold(data: Path) -> None:
    store(data, RecordedVisit(day(2), OTHER, [(COIL, "3.2 ohm")]))
    *_, last = run_command("due").out.splitlines()
    assert last == "1 outside; 0 due within 12 months; 0 not measured for 24 months, or not yet."


def test_a_visit_dated_in_the_future_hides_no_part_that_is_due(data: Path) -> None:
    """The clock of the station ran ahead once, and nothing could tell it so."""
    store(data, *falling(), RecordedVisit("2199-01-01", SITE, [(capacitor(), "42.9 uF")], clock_set=None))
    (entry,) = run_for_json("due")
    assert (entry["state"], entry["sureness"], entry["visits"]) == ("due", "sure", 5)


def test_an_archived_unit_is_left_out(data: Path) -> None:
    store(data, *falling())
    assert run_command("unit", "archive", "--site", SITE.name, SITE.unit).status == 0
    assert states("--every-part") == []


def test_a_unit_without_any_reading_is_not_passed_over(data: Path) -> None:
    store(data, *falling())
    assert (
        run_command("visit", "begin", "--site", "Pond school", "--unit", "Roof 3", "--plan", "walk-in-cooler").status
        == 0
    )
    (entry,) = (entry for entry in run_for_json("due") if entry["unit"] == "Roof 3")
    assert (entry["state"], entry["reason"], entry["at"]) == ("not measured", "Nothing is measured there yet.", None)


def test_a_unit_that_was_only_noted_is_not_passed_over(data: Path) -> None:
    """A visit was begun there by mistake and moved; the unit stays, for its model was written down."""
    store(data, *falling())
    noted = Site("Pond school", "Roof 4")
    with running_writer(data / DATABASE_FILE) as writer:
        ids = writer.open_visit(noted, Plan("walk", ()), SystemClock().now()).result(OUTER)
        writer.add_fact(noted, UnitFact.MODEL, "CU-36")
        writer.close_visit(ids.visit_id, SystemClock().now())
        writer.move_visit(ids.visit_id, SITE, None).result(OUTER)
    (entry,) = (entry for entry in run_for_json("due") if entry["unit"] == noted.unit)
    assert entry["state"] == "not measured"


def test_a_replaced_part_is_not_due_by_the_old_ones_readings(data: Path) -> None:
    # The new part is known by its rating; it has one visit.
    store(data, *falling(), RecordedVisit(day(0.5), SITE, [(capacitor("50 uF"), "50.1 uF")]))
    assert states("--every-part") == [("cannot tell", None, "Condenser 1", "run capacitor")]


@pytest.mark.parametrize("columns", [12, 40, 80, 120, 200])
def test_it_follows_the_terminal_and_cuts_no_date(data: Path, columns: int) -> None:
    store(data, *falling(), *falling(OTHER, "FAN", 3))
    out = ESCAPES.sub("", run_on_terminal(columns, "due"))
    assert max(map(len, out.splitlines())) <= columns
    shown = " ".join(out.split())
    for entry in run_for_json("due"):
        if columns >= 40:
            assert entry["expected"] in shown
            assert "DUE, SURE" in shown.upper()


def test_pages_say_how_they_go_on(data: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("meterlink.cli.due._ON_A_PAGE", 1)
    store(data, *falling(), *falling(OTHER, "FAN", 3))
    first = run_command("due").out
    assert "1 more: --skip 1 goes on." in first
    assert "more:" not in run_command("due", "--skip", "1").out
    assert len(run_for_json("due")) == 2  # JSON and lines are not cut


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (("--site", "Mill Lane bakry"), "Did you mean Mill Lane bakery?"),
        (("--unit", "Condensor 1"), "Did you mean Condenser 1?"),
        (("--unit", "\u202e"), "No unit matches"),
    ],
)
def test_a_name_that_nothing_has(data: Path, options: tuple[str, ...], message: str) -> None:
    store(data, *falling())
    status, out, err = run_command("due", *options)
    assert (message in out and status == 0) or (status == 2 and "empty" in err)


def test_nothing_yet(data: Path) -> None:
    store(data)
    assert run_command("due").out == "No accepted readings yet.\n"
    assert run_for_json("due") == []


@pytest.mark.parametrize("options", [("--months", "-1"), ("--months", "400"), ("--unseen", "0"), ("--months", "soon")])
def test_nonsense_is_one_line_and_status_2(data: Path, options: tuple[str, ...]) -> None:
    store(data)
    status, out, err = run_command("due", *options)
    assert (status, out, err.count("\n")) == (2, "", 1)
