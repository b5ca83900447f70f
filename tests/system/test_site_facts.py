"""The facts about a site: customer, address and time zone, each optional, through the station; renamed and merged."""

from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from meterlink.core.site_facts import SiteFact
from meterlink.settings import DATABASE_FILE
from meterlink.station.station import Station
from meterlink.store.reader import Reader
from support.commands import run_command, run_for_json
from support.doc_examples import SEASONS
from support.recorded_visits import store_visits
from support.virtual_stations import run_at_station

SITE = "Mill Lane bakery"


@pytest.fixture
def data(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("METERLINK_DATA", str(tmp_path))
    store_visits(tmp_path / DATABASE_FILE, SEASONS)
    return tmp_path


def facts(data: Path, site: str = SITE) -> dict[SiteFact, str]:
    return dict(Reader(data / DATABASE_FILE).site_facts(site))


def test_facts_are_kept_replaced_removed_and_shown(data: Path) -> None:
    typed = ("--customer", "Harbour Foods", "--address", "2 Mill Lane", "--time-zone", "europe/oslo")
    assert run_command("site", "set", SITE.upper(), *typed).out == "Kept.\n"  # there is no other site of that name
    assert run_command("site", "set", SITE, "--address", "2a Mill Lane").status == 0
    assert facts(data) == {
        SiteFact.CUSTOMER: "Harbour Foods", SiteFact.ADDRESS: "2a Mill Lane", SiteFact.TIME_ZONE: "Europe/Oslo",
    }  # fmt: skip
    shown = run_for_json("site", "show", SITE)
    assert (shown["customer"], shown["address"], shown["time_zone"]) == ("Harbour Foods", "2a Mill Lane", "Europe/Oslo")
    assert [unit["unit"] for unit in shown["units"]] == ["Condenser 1"]
    out = run_command("site", "show", SITE).out
    assert out.splitlines()[:4] == [
        SITE, "  customer: Harbour Foods", "  address: 2a Mill Lane", "  time zone: Europe/Oslo",
    ]  # fmt: skip
    assert run_command("site", "unset", SITE, "time-zone").out == "Removed.\n"
    assert facts(data).keys() == {SiteFact.CUSTOMER, SiteFact.ADDRESS}
    listed = run_for_json("site", "list")
    assert [(site["site"], site["customer"], site["time_zone"]) for site in listed] == [(SITE, "Harbour Foods", None)]


@pytest.mark.parametrize(
    ("typed", "message"),
    [
        (("set", SITE, "--time-zone", "Europe/Olso", "--customer", "x"), "Did you mean Europe/Oslo"),
        (("set", SITE, "--time-zone", "oslo"), "Did you mean Europe/Oslo?"),
        (("set", SITE, "--time-zone", "New York"), "Did you mean America/New_York?"),
        (("set", SITE, "--time-zone", "../../etc/passwd"), "There is no time zone"),
        (("set", SITE, "--time-zone", "Europe"), "There is no time zone"),
        (("set", SITE, "--time-zone", "utc+2"), "Write a place of the IANA list, Europe/Oslo."),  # not Etc/GMT+2
        (("set", SITE, "--time-zone", "\x1b[2J"), "There is no time zone"),
        (("set", SITE), "Nothing to keep"),
        (("set", "Mill Lane bakry", "--customer", "x"), "Did you mean Mill Lane bakery?"),
        (("show", "nowhere at all"), "There is no site"),
        (("unset", SITE, "timezone"), "Did you mean time-zone?"),
    ],
)
def test_nonsense_is_one_line_and_changes_nothing(data: Path, typed: tuple[str, ...], message: str) -> None:
    status, out, err = run_command("site", *typed)
    assert (status, out, err.count("\n")) == (2, "", 1)
    assert message in err
    assert err.removesuffix("\n").isprintable()
    assert facts(data) == {}


def test_a_station_refuses_a_wrong_fact_a_wrong_zone_and_an_unknown_site(tmp_path: Path) -> None:
    async def body(station: Station, views: dict[str, Any]) -> None:
        del views

        async def error(**fields: str) -> str:
            result = await station.result_of({"id": 1, "command": "set_site_fact", **fields})  # type: ignore[typeddict-item]
            return result.error

        await station.result_of({"id": 1, "command": "begin_visit", "site": "K-104", "unit": "Condenser 1"})  # type: ignore[typeddict-item]
        assert "is no fact about a site. Write one of: customer" in await error(site="K-104", fact="colour", text="x")
        assert "There is no time zone 'Mars'" in await error(site="K-104", fact="time zone", text="Mars")
        assert "There is no site 'Nowhere'" in await error(site="Nowhere", fact="customer", text="x")
        assert not await error(site="K-104", fact="time zone", text="Asia/Kolkata")

    run_at_station(tmp_path, body)
    assert facts(tmp_path, "K-104") == {SiteFact.TIME_ZONE: "Asia/Kolkata"}  # begun without a person's name


def test_a_renamed_site_keeps_its_facts_and_a_merged_one_takes_the_newer(tmp_path: Path) -> None:
    async def begin(station: Station, views: dict[str, Any]) -> None:
        del views
        for site in ("Bakery", "bakery"):
            command = {"id": 1, "command": "begin_visit", "site": site, "unit": "Condenser 1"}
            await station.result_of(command)  # type: ignore[arg-type]
            await station.result_of({"id": 2, "command": "close_visit", "outcome": "repaired"})  # type: ignore[typeddict-item]

    def later(days: int, site: str, fact: str, text: str) -> None:
        async def body(station: Station, views: dict[str, Any]) -> None:
            del views
            command = {"id": 1, "command": "set_site_fact", "site": site, "fact": fact, "text": text}
            assert not (await station.result_of(command)).error  # type: ignore[arg-type]

        run_at_station(tmp_path, body, later=timedelta(days=days))

    run_at_station(tmp_path, begin)
    later(1, "Bakery", "customer", "earlier")
    later(2, "bakery", "customer", "newer")
    later(3, "Bakery", "address", "2 Mill Lane")
    data = ("--data", str(tmp_path))
    assert run_command("site", "rename", "Bakery", "Mill Lane bakery", *data).status == 0
    assert facts(tmp_path) == {SiteFact.CUSTOMER: "earlier", SiteFact.ADDRESS: "2 Mill Lane"}
    assert run_command("site", "merge", "bakery", SITE, *data).status == 0
    assert facts(tmp_path) == {SiteFact.CUSTOMER: "newer", SiteFact.ADDRESS: "2 Mill Lane"}
    assert [site["site"] for site in run_for_json("site", "list", *data)] == [SITE]


def test_the_last_unit_moved_away_leaves_a_site_with_facts(tmp_path: Path) -> None:
    async def body(station: Station, views: dict[str, Any]) -> None:
        del views
        for number, command in enumerate(
            (
                {"command": "begin_visit", "site": "Bakery", "unit": "Condenser 1"},
                {"command": "set_site_fact", "site": "Bakery", "fact": "address", "text": "2 Mill Lane"},
                {"command": "move_visit", "site": "Pond school", "unit": "Roof 3"},
            )
        ):
            assert not (await station.result_of({"id": number, **command})).error  # type: ignore[typeddict-item]

    run_at_station(tmp_path, body)
    listed = run_for_json("site", "list", "--data", str(tmp_path))
    assert [(site["site"], site["units"]) for site in listed] == [("Bakery", 0), ("Pond school", 1)]


def test_the_report_has_the_times_of_the_sites_clock(data: Path) -> None:
    # India is 5 h 30 min ahead of UTC all year (IANA time zone database).
    assert run_command("site", "set", SITE, "--time-zone", "Asia/Kolkata").status == 0
    assert "UTC+05:30" in run_command("report", "--last", "--format", "md", "--voice", "technical").out
