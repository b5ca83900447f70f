"""The dashboard's sheets of the meters, against a fake station."""

from typing import Any

import pytest
from textual.pilot import Pilot
from textual.widgets import Input, OptionList

from meterlink.link.messages import (
    ChoiceView,
    DeviceView,
    DiscoveryView,
    KnownMetersView,
    KnownMeterView,
    MetersView,
    MeterView,
    Topic,
)
from meterlink_tui.meter_entries import MeterAction, compose_meter_entries, meter_actions
from meterlink_tui.sheets.meters import MetersSheet
from meterlink_tui.sheets.teach import TeachSheet
from support.dashboards import START, catch_up, dashboard, running_dashboard, screen_lines, screen_text

A, B, C, D = (f"C0:00:5E:00:53:0{number}" for number in range(1, 5))
SIZES = [(40, 24), (62, 20), (80, 24), (120, 40)]
NOT_HEARD = "Not heard. Wake it, switch its Bluetooth on, move closer. Is it connected to another device?"
LIST = [("list_meters", {}), ("find", {"text": "meters"})]


def known(name: str, address: str, **more: Any) -> KnownMeterView:
    view: Any = {
        "name": name, "address": address, "first_address": address, "bound": True, "serial": "B-2207",
        "has_radio": True, "test_point": "", "driver": "", "accuracy": "", "calibration": "",
        "calibration_state": "", "overdue": False, "remarks": [],
    }  # fmt: skip
    return view | more  # type: ignore[no-any-return]


def state(name: str, address: str, **more: Any) -> MeterView:
    view: Any = {
        "name": name, "address": address, "state": "connected", "detail": "", "driver": "presented", "rssi": -58,
        "battery": 80, "low_battery": False, "readings": 120, "dropped_packets": 0,
        "at": "2026-07-14T15:04:04.000Z",
    }  # fmt: skip
    return view | more  # type: ignore[no-any-return]


def device(name: str, address: str, **more: Any) -> DeviceView:
    view: Any = {
        "name": name, "address": address, "rssi": -71, "advertised_services": [], "discovered_services": None,
        "driver": "presented", "score": 0.5, "fit": "possible", "driver_configured": False, "driver_scores": [],
        "bound": False, "meter_name": "", "first_address": "", "serial": "", "state": "", "unusable_reason": "",
    }  # fmt: skip
    return view | more  # type: ignore[no-any-return]


def known_meters(*meters: KnownMeterView) -> KnownMetersView:
    classes = [
        ChoiceView(key="basic", words="basic: capacitance 3 % + 5 digits (common practice, no source)"),
        ChoiceView(key="good", words="good: capacitance 2 % + 4 digits (common practice, no source)"),
    ]
    return KnownMetersView(
        topic=Topic.KNOWN_METERS, meters=list(meters), classes=classes, drivers=["presented", "yard-meter"]
    )


def meters(*views: MeterView, radio_error: str = "") -> MetersView:
    return MetersView(topic=Topic.METERS, meters=list(views), radio_error=radio_error)


def discovery(*devices: DeviceView) -> DiscoveryView:
    return DiscoveryView(
        topic=Topic.DISCOVERY, request_text="meters", devices=list(devices), broken_drivers=[], radio_error=""
    )


KNOWN = known_meters(
    known(
        "clamp meter", A, accuracy="good; capacitance: 0.9 % + 2 digits", calibration="2024-03-01, due 2025-03-01",
        calibration_state="calibration overdue since 2025-03-01", overdue=True,
        remarks=["settings.toml of 2026-11-20 is older: it is not used for the name."],
    ),
    known("bench meter", B),
    known("typed in", "manual_entry", bound=False, has_radio=False),
)  # fmt: skip
STATES = meters(
    state("clamp meter", A),
    state("bench meter", B, state="lost", detail=NOT_HEARD, rssi=None, battery=None, at="2026-07-14T14:50:00.000Z"),
)
ON_AIR = discovery(
    device("clamp meter", A, bound=True), device("Alder 7", C), device("headset", D, fit="no", driver="")
)
ALL: tuple[Any, ...] = (KNOWN, STATES, ON_AIR)


def entries(*views: Any) -> Any:
    found = {view["topic"]: view for view in views}
    return compose_meter_entries(
        found.get("known_meters"), found.get("meters"), found.get("discovery"), {"line": "supply: line"}, START
    )


def test_bound_meters_are_first_and_typed_readings_last() -> None:
    listed = entries(*ALL)
    assert [(entry.title, entry.line.state, entry.age) for entry in listed] == [
        ("clamp meter", "connected", "1 s"), ("bench meter", "lost", "14 min"), ("Alder 7", "on the air", ""),
        ("headset", "no driver fits", ""), ("typed in", "by hand", ""),
    ]  # fmt: skip
    # An address in another case is the same meter.
    assert [entry.title for entry in entries(known_meters(known("clamp", A.lower())), STATES)] == [
        "clamp meter", "bench meter",
    ]  # fmt: skip


def test_a_bound_meter_that_says_nothing_is_named_with_what_to_do() -> None:
    lost = entries(*ALL)[1]
    assert lost.details[0] == ("warn", f"Says nothing: {NOT_HEARD}")


def test_the_actions_show_the_present_facts_and_unbind_is_not_the_first() -> None:
    clamp = entries(known_meters(known("clamp", A, test_point="line", driver="yard-meter")))[0]
    assert [(choice.key, choice.words) for choice in meter_actions(clamp, {"line": "supply: line"})] == [
        ("name", "clamp"), ("accuracy", "assumed"), ("calibration", "unknown"), ("test point", "supply: line"),
        ("driver", "yard-meter"), ("teach", "if no driver fits it"), ("unbind", "the station connects it no more"),
    ]  # fmt: skip
    assert meter_actions(entries(ON_AIR)[1], {})[-1].key == MeterAction.BIND  # at the same digit
    typed = next(entry for entry in entries(KNOWN) if not entry.has_radio)
    assert [choice.key for choice in meter_actions(typed, {})] == ["name", "accuracy", "calibration"]


@pytest.mark.parametrize(
    ("keys", "sent"),
    [
        (["enter", "7"], ("unbind", {"meter": A})),
        (["down", "down", "enter", "enter"], ("bind", {"meter": C})),
        (["enter", "5", "1"], ("set_driver", {"meter": A, "text": ""})),
        (["enter", "5", "3"], ("set_driver", {"meter": A, "text": "yard-meter"})),
        (["enter", "2", "3"], ("set_accuracy", {"meter": A, "text": "good"})),
        (["enter", "4", "1"], ("pin", {"meter": A})),
        # The present name stands in the field, and the typed text takes its place.
        (["enter", "1", "j", "a", "w", "enter"], ("name_meter", {"meter": A, "text": "jaw"})),
        (["enter", "1", "end", "2", "enter"], ("name_meter", {"meter": A, "text": "clamp meter2"})),
        (
            ["end", "enter", "2", "1", *"ohm", "space", *"1%", "enter"],
            ("set_accuracy", {"meter": "manual_entry", "text": "ohm 1%"}),
        ),
        (
            ["down", "enter", "3", *"2026-03-01", "enter"],
            ("set_calibration", {"meter": B, "text": "2026-03-01"}),
        ),
    ],
)
async def test_keys_set_a_fact(keys: list[str], sent: tuple[str, dict[str, str]]) -> None:
    async with running_dashboard(*ALL) as (_, station, pilot):
        await pilot.press("b")
        await catch_up(pilot)
        for key in keys:
            await pilot.press(key)
            await catch_up(pilot)
        assert station.sent[:3] == [*LIST, sent]
        # The list of a bound meter and of those on the air follows.
        assert station.sent[3:] == (LIST if sent[0] in {"bind", "unbind"} else [])


async def test_a_refusal_stays_in_sight_and_the_typed_text_too() -> None:
    async with running_dashboard(*ALL) as (app, station, pilot):
        await pilot.press("b")
        await catch_up(pilot)
        station.error, station.refused = "'fine' is neither a class nor an accuracy line.", "set_"
        await pilot.press("enter", "2", "1", *"fine", "enter")
        await catch_up(pilot)
        assert "✗ 'fine' is neither a class nor an accuracy line." in screen_text(app)
        assert app.screen.query_one(Input).value == "fine"
        await pilot.press("escape", "enter", "5", "3")
        await catch_up(pilot)
        assert isinstance(app.screen, MetersSheet)
        assert "✗ 'fine' is neither" in screen_text(app)  # on the list, where the key was pressed


async def test_the_sheet_follows_the_station() -> None:
    async with running_dashboard() as (app, station, pilot):
        await pilot.press("b")
        await catch_up(pilot)
        assert "No meter yet. Switch the meter and its Bluetooth on." in screen_text(app)
        await pilot.press("enter")  # nothing to act on
        station.feed(*ALL)
        await catch_up(pilot)
        assert "Accuracy: good; capacitance: 0.9 % + 2 digits" in screen_text(app)
        await pilot.press("down")
        await catch_up(pilot)
        assert NOT_HEARD in screen_text(app)
        station.feed(meters(state("clamp meter", A), state("bench meter", B, battery=9)))
        await catch_up(pilot)
        assert app.screen.query_one(OptionList).highlighted == 1
        assert "bench meter LOW BATTERY 9 %" in screen_text(app)
        await pilot.press("escape")
        assert not isinstance(app.screen, MetersSheet)


async def test_teaching_begins_from_the_list() -> None:
    async with running_dashboard(*ALL) as (app, _, pilot):
        await pilot.press("b")
        await catch_up(pilot)
        await pilot.press("down", "down", "down", "enter", "6")
        await catch_up(pilot)
        assert isinstance(app.screen, TeachSheet)


@pytest.mark.parametrize("size", SIZES)
async def test_hostile_names_are_text_at_every_size(size: tuple[int, int]) -> None:
    hostile = "\x1b[31m[bold]red[/bold]" + "x" * 5000
    views = (
        known_meters(known(hostile, A, test_point=hostile, accuracy=hostile, driver=hostile, remarks=[hostile])),
        meters(state(hostile, A, state=hostile, detail=hostile), radio_error=hostile),
        discovery(device(hostile, hostile, unusable_reason=hostile)),
    )
    async with running_dashboard(*views, size=size) as (app, _, pilot):
        await pilot.press("b")
        await catch_up(pilot)
        text = screen_text(app)
        assert "(31m(bold)red" in text
        assert "\x1b" not in text
        await pilot.press("enter")
        await catch_up(pilot)
        assert "1 name" in screen_text(app)
        assert all(len(line) <= size[0] for line in screen_lines(app))


@pytest.mark.parametrize("size", SIZES, ids=lambda size: f"{size[0]}x{size[1]}")
@pytest.mark.parametrize(
    "keys", [["b"], ["b", "down"], ["b", "enter"], ["b", "enter", "2"]], ids=["list", "lost", "actions", "accuracy"]
)
def test_the_sheets_look_as_accepted(snap_compare: Any, size: tuple[int, int], keys: list[str]) -> None:
    app, _ = dashboard(*ALL)

    async def press(pilot: Pilot[None]) -> None:
        await catch_up(pilot)
        for key in keys:
            await pilot.press(key)
            await catch_up(pilot)

    assert snap_compare(app, terminal_size=size, run_before=press)


# Without a radio

NO_ADAPTER = "There is no Bluetooth adapter. Plug one in."


@pytest.mark.parametrize("size", [(40, 24), (80, 24), (120, 40)])
async def test_without_a_radio_and_a_bound_meter_one_quiet_line_says_so(size: tuple[int, int]) -> None:
    async with running_dashboard(meters(radio_error=NO_ADAPTER), size=size) as (app, _, pilot):
        assert app.scene is not None
        assert app.scene.alerts == ()
        text = screen_text(app)
        assert "BLUETOOTH" not in text
        assert "No Bluetooth: Enter types a reading." in text
        await pilot.press("b")
        await catch_up(pilot)
        assert NO_ADAPTER in screen_text(app)


async def test_a_bound_meter_makes_it_an_alert() -> None:
    lost = state("clamp meter", A, state="searching", detail=NOT_HEARD)
    async with running_dashboard(meters(lost, radio_error=NO_ADAPTER)) as (app, _, _pilot):
        assert app.scene is not None
        assert [(alert.word, alert.text) for alert in app.scene.alerts] == [("BLUETOOTH", NO_ADAPTER)]
