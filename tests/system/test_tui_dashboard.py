"""The dashboard against a fake station: every key, every state at three sizes, floods and loss."""

import asyncio
import os
import subprocess
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any

import pytest
from click.testing import CliRunner
from textual.binding import Binding
from textual.geometry import Size
from textual.pilot import Pilot
from textual.widgets import Input, OptionList, Static

from meterlink.core.clock import format_rfc3339
from meterlink.core.errors import LinkError
from meterlink.link.messages import Message
from meterlink_simulators.virtual_time import VirtualClock, run_in_virtual_time
from meterlink_tui.app import DRAW_INTERVAL, Dashboard, run_dashboard
from meterlink_tui.command import command
from meterlink_tui.picture import take_picture
from meterlink_tui.scene import GENERAL_CAUTION, STALE_AFTER
from meterlink_tui.sheets.diagnosis import DERIVED_HEADING, NO_DIAGNOSIS, DiagnosisSheet
from meterlink_tui.sheets.help import HelpSheet
from meterlink_tui.sheets.manual_entry import ManualEntrySheet
from meterlink_tui.sheets.question import QuestionSheet
from meterlink_tui.sheets.rating import RatingSheet
from meterlink_tui.sheets.sheet import Sheet
from meterlink_tui.sheets.test_points import PointPicker
from meterlink_tui.terminal import NoTerminalError
from meterlink_tui.themes import DARK, LIGHT
from support.dashboard_views import (
    ADVICE,
    ASKED,
    CLOSE_REASON,
    DERIVED,
    ENERGIZED,
    ISOLATED,
    NOTICE,
    STATES,
    accepted,
    derived,
    live,
    meter,
    meters,
    point,
    visit,
)
from support.dashboards import (
    START,
    FedStation,
    SetClock,
    catch_up,
    dashboard,
    running_dashboard,
    screen_lines,
    screen_text,
)

SIZES = [(80, 24), (120, 40), (40, 24)]

# Pictures


@pytest.mark.parametrize("size", SIZES, ids=lambda size: f"{size[0]}x{size[1]}")
@pytest.mark.parametrize(
    "state", ["settling", "within", "close", "open", "asked", "asked-ohms", "no-visit", "no-points"]
)
def test_a_state_looks_as_accepted(snap_compare: Any, state: str, size: tuple[int, int]) -> None:
    app, _ = dashboard(*STATES[state])
    assert snap_compare(app, terminal_size=size, run_before=catch_up)


@pytest.mark.parametrize("size", SIZES, ids=lambda size: f"{size[0]}x{size[1]}")
def test_a_daemon_gone_looks_as_accepted(snap_compare: Any, size: tuple[int, int]) -> None:
    app, station = dashboard(*STATES["settling"])

    async def lose(pilot: Pilot[None]) -> None:
        await catch_up(pilot)
        station.drop()
        await catch_up(pilot)

    assert snap_compare(app, terminal_size=size, run_before=lose)


@pytest.mark.parametrize("size", SIZES, ids=lambda size: f"{size[0]}x{size[1]}")
def test_the_question_sheet_looks_as_accepted(snap_compare: Any, size: tuple[int, int]) -> None:
    app, _ = dashboard(*STATES["asked-ohms"])

    async def press(pilot: Pilot[None]) -> None:
        await catch_up(pilot)
        await pilot.press("o")

    assert snap_compare(app, terminal_size=size, run_before=press)


@pytest.mark.parametrize("key", ["question_mark", "l", "t", "d"], ids=["help", "pick", "rating", "light"])
def test_a_sheet_looks_as_accepted(snap_compare: Any, key: str) -> None:
    app, _ = dashboard(*STATES["settling"])

    async def press(pilot: Pilot[None]) -> None:
        await catch_up(pilot)
        await pilot.press(key)

    assert snap_compare(app, run_before=press)


# Sentences that are always readable


@pytest.mark.parametrize("size", [*SIZES, (60, 24), (110, 24), (200, 60)], ids=lambda size: f"{size[0]}x{size[1]}")
@pytest.mark.parametrize("state", STATES)
async def test_caution_and_advice_are_whole_at_every_size(state: str, size: tuple[int, int]) -> None:
    async with running_dashboard(*STATES[state], size=size) as (app, _, pilot):
        sentences = [ISOLATED, ADVICE] if state not in {"no-visit", "no-points"} else [GENERAL_CAUTION]
        assert all(sentence in screen_text(app) for sentence in sentences), screen_lines(app)
        await pilot.press("pagedown", "pagedown")
        await pilot.pause()
        assert all(sentence in screen_text(app) for sentence in sentences), "scrolled away"


@pytest.mark.parametrize("key", ["question_mark", "l", "t"])
@pytest.mark.parametrize("size", SIZES, ids=lambda size: f"{size[0]}x{size[1]}")
async def test_a_sheet_leaves_the_caution_readable(key: str, size: tuple[int, int]) -> None:
    async with running_dashboard(*STATES["settling"], size=size) as (app, station, pilot):
        await pilot.press(key)
        await pilot.pause()
        assert ISOLATED in screen_text(app)
        station.feed(visit(focus="supply", caution=ENERGIZED), live(point="supply"))
        await catch_up(pilot)
        assert ENERGIZED in screen_text(app), "the caution of another point's sheet stayed"


async def test_both_cautions_are_displayed_while_the_probes_are_on_the_last_point() -> None:
    after = visit(accepted(), focus="supply", last_accepted="herm", caution=ENERGIZED)
    for size in SIZES:
        async with running_dashboard(after, live(phase="accepted"), size=size) as (app, _, _pilot):
            assert ENERGIZED in screen_text(app)
            assert ISOLATED in screen_text(app)


@pytest.mark.parametrize("size", SIZES, ids=lambda size: f"{size[0]}x{size[1]}")
async def test_a_settling_verdict_is_provisional_and_an_accepted_one_final(size: tuple[int, int]) -> None:
    async with running_dashboard(*STATES["settling"], size=size) as (app, station, pilot):
        assert "… WITHIN, so far" in screen_text(app)
        assert "SETTLING 62%" in screen_text(app)
        assert "✓ WITHIN" not in screen_text(app)
        station.feed(*STATES["within"])
        await catch_up(pilot)
        assert "✓ WITHIN -3.76 % from nominal" in screen_text(app)
        assert "so far" not in screen_text(app)


async def test_a_close_call_is_displayed_beside_the_verdict() -> None:
    async with running_dashboard(*STATES["close"]) as (app, _, _pilot):
        assert "≈ CLOSE CALL, outside -6.44 % from nominal" in screen_text(app)
        assert CLOSE_REASON in screen_text(app)


async def test_points_show_their_accepted_reading_and_the_number_of_repeats() -> None:
    async with running_dashboard(*STATES["settling"]) as (app, _, _pilot):
        text = screen_text(app)
        assert "► 1 run capacitor HERM · not measured" in text
        assert "2 run capacitor FAN 3.91 µF ≈ CLOSE CALL +2" in text


async def test_meters_show_state_signal_battery_and_reason() -> None:
    async with running_dashboard(*STATES["settling"], size=(120, 40)) as (app, _, _pilot):
        text = screen_text(app)
        assert "✗ Cedar LOST" in text
        assert "Birch LOW BATTERY 12 %" in text
        assert "▂▄▁▁ fair" in text
        assert "▂▄▆█ strong battery 83 %" in text


async def test_notices_and_radio_faults_are_on_top_until_they_end() -> None:
    async with running_dashboard(*STATES["alarm"]) as (app, station, pilot):
        assert "ALARM The disk is full" in screen_text(app)
        assert "BLUETOOTH Bluetooth is switched off." in screen_text(app)
        station.feed(NOTICE | {"text": ""}, meters())
        await catch_up(pilot)
        assert "ALARM" not in screen_text(app)
        assert "BLUETOOTH" not in screen_text(app)


async def test_a_reading_of_the_wrong_function_is_not_judged() -> None:
    async with running_dashboard(*STATES["wrong-function"]) as (app, _, _pilot):
        assert "NOT JUDGED" in screen_text(app)
        assert "The meter measures voltage; this test point needs capacitance." in screen_text(app)


async def test_the_screen_follows_a_change_of_size() -> None:
    async with running_dashboard(*STATES["settling"]) as (app, _, pilot):
        for size in [(40, 24), (120, 40), (80, 24), (20, 10)]:
            await pilot.resize_terminal(*size)
            await catch_up(pilot)
            assert len(screen_lines(app)) == size[1]
            assert app.scene is not None


# Keys


@pytest.mark.parametrize(
    ("key", "sent"),
    [
        ("n", ("next", {})),
        ("right", ("next", {})),
        ("p", ("previous", {})),
        ("left", ("previous", {})),
        ("r", ("repeat", {})),
        ("a", ("accept", {})),
    ],
)
async def test_a_key_sends_its_command(key: str, sent: tuple[str, dict[str, str]]) -> None:
    async with running_dashboard(*STATES["settling"]) as (_, station, pilot):
        await pilot.press(key)
        await pilot.pause()
        assert station.sent == [sent]


async def test_the_error_of_a_command_is_displayed_until_the_next_command() -> None:
    async with running_dashboard(*STATES["settling"]) as (app, station, pilot):
        station.error = "Every test point is accepted already."
        await pilot.press("n")
        await catch_up(pilot)
        assert "NOT DONE Every test point is accepted already." in screen_text(app)
        station.error = ""
        await pilot.press("n")
        await catch_up(pilot)
        assert "NOT DONE" not in screen_text(app)


async def test_a_point_is_picked_from_the_list() -> None:
    async with running_dashboard(*STATES["settling"]) as (app, station, pilot):
        await pilot.press("l")
        assert isinstance(app.screen, PointPicker)
        assert app.screen.query_one(OptionList).highlighted == 0
        await pilot.press("down", "down", "enter")
        await pilot.pause()
        assert station.sent == [("activate", {"point": "coil"})]
        assert not isinstance(app.screen, PointPicker)


async def test_leaving_the_list_changes_nothing() -> None:
    async with running_dashboard(*STATES["settling"]) as (app, station, pilot):
        await pilot.press("l", "down", "escape")
        await pilot.pause()
        assert station.sent == []
        assert not isinstance(app.screen, PointPicker)


async def test_a_reading_is_typed_and_an_error_keeps_the_field_open() -> None:
    async with running_dashboard(*STATES["settling"]) as (app, station, pilot):
        await pilot.press("e", "enter")
        assert isinstance(app.screen, ManualEntrySheet)
        assert "Nothing was typed." in screen_text(app)
        assert "run capacitor HERM" in screen_text(app)
        assert "Isolate the unit" in screen_text(app)  # the caution stays in sight
        station.error = "'43.7' has no unit. Use µF."
        await pilot.press(*"43.7", "enter")
        await pilot.pause()
        assert isinstance(app.screen, ManualEntrySheet)
        assert "✗ '43.7' has no unit. Use µF." in screen_text(app)
        station.error = ""
        await pilot.press(*" uF", "enter")
        await pilot.pause()
        assert station.sent[-1] == ("enter", {"point": "herm", "text": "43.7 uF"})
        assert not isinstance(app.screen, ManualEntrySheet)


async def test_without_a_test_point_no_reading_can_be_typed() -> None:
    async with running_dashboard() as (app, station, pilot):
        await pilot.press("e")
        await pilot.pause()
        assert not isinstance(app.screen, ManualEntrySheet)
        assert station.sent == []


async def test_a_rating_is_typed_and_an_error_keeps_the_field_open() -> None:
    async with running_dashboard(*STATES["settling"]) as (app, station, pilot):
        await pilot.press("t")
        assert app.screen.query_one(Input).value == "45+5 µF 440 V"  # the present label; the first key replaces it
        await pilot.press("delete", "enter")
        assert isinstance(app.screen, RatingSheet)
        assert "Nothing was typed." in screen_text(app)
        station.error = "'45 q' is not a rating. Use µF."
        await pilot.press(*"45 q", "enter")
        async with asyncio.timeout(100):
            while "✗ '45 q'" not in screen_text(app):
                await catch_up(pilot)
        assert isinstance(app.screen, RatingSheet)
        assert "✗ '45 q' is not a rating. Use µF." in screen_text(app)
        assert app.screen.query_one(Input).value == "45 q"
        station.error = ""
        await pilot.press("backspace", *"uF", "enter")
        async with asyncio.timeout(100):
            while isinstance(app.screen, RatingSheet):
                await catch_up(pilot)
        assert station.sent[-1] == ("set_rating", {"point": "herm", "text": "45 uF"})
        assert not isinstance(app.screen, RatingSheet)


# Questions


@pytest.mark.parametrize("size", SIZES, ids=lambda size: f"{size[0]}x{size[1]}")
async def test_an_open_question_is_displayed_and_answered_by_a_digit(size: tuple[int, int]) -> None:
    async with running_dashboard(*STATES["asked"], size=size) as (app, station, pilot):
        text = screen_text(app)
        assert "ANSWER run capacitor HERM 5 µF: Did the display show 5, 5.0 or 5.00 µF?" in text
        assert "1 5 2 5.0 3 5.00 o in words" in text
        await pilot.press("4")
        await catch_up(pilot)
        assert "There is no choice 4 to answer with." in screen_text(app)
        assert station.sent == []
        await pilot.press("3")
        await pilot.pause()
        assert station.sent == [("answer", {"reading": 3, "answer": "5.00"})]
        station.feed(visit(accepted("5 µF", "5.00", answer="5.00", question=None), last_accepted="herm"))
        await catch_up(pilot)
        assert "ANSWER" not in screen_text(app)


@pytest.mark.parametrize("size", SIZES, ids=lambda size: f"{size[0]}x{size[1]}")
async def test_the_question_stays_while_the_next_point_is_measured(size: tuple[int, int]) -> None:
    state = visit(ASKED, focus="fan", last_accepted="herm"), live("3.90 µF", "3.90", point="fan")
    async with running_dashboard(*state, size=size) as (app, station, pilot):
        assert "ANSWER run capacitor HERM 5 µF: Did" in screen_text(app)
        await pilot.press("1")
        await pilot.pause()
        assert station.sent == [("answer", {"reading": 3, "answer": "5"})]


@pytest.mark.parametrize("size", SIZES, ids=lambda size: f"{size[0]}x{size[1]}")
@pytest.mark.parametrize(
    ("keys", "sent"), [(["2"], "steady"), (["enter"], "almost zero"), (["down", "enter"], "steady")]
)
async def test_the_question_sheet_has_the_choices_in_words(size: tuple[int, int], keys: list[str], sent: str) -> None:
    async with running_dashboard(*STATES["asked-ohms"], size=size) as (app, station, pilot):
        await pilot.press("o")
        assert isinstance(app.screen, QuestionSheet)
        text = screen_text(app)
        assert "1 almost zero: below 10 Ω and steady, as with the probes touching: SHORTED (usual)" in text
        assert "3 overload: they rise above 1 MΩ or to overload: OVER RANGE" in text
        assert ISOLATED in text  # the caution stays where the hand goes to the terminals
        await pilot.press("9", *keys)
        await pilot.pause()
        assert station.sent == [("answer", {"reading": 4, "answer": sent})]
        assert not isinstance(app.screen, QuestionSheet)


FAN_MOTOR: Any = {
    "key": "fan-motor",
    "question": {
        "question": "What kind of motor has the condenser fan?",
        "choices": [
            {"key": "capacitor", "words": "a motor with a run capacitor"},
            {"key": "commutated", "words": "an electronically commutated motor, without a capacitor"},
        ],
        "usual": "capacitor",
    },
}


@pytest.mark.parametrize("size", SIZES, ids=lambda size: f"{size[0]}x{size[1]}")
async def test_a_question_about_the_machine_is_displayed_and_answered_like_any(size: tuple[int, int]) -> None:
    state = visit(questions=[FAN_MOTOR]), meters(), live()
    async with running_dashboard(*state, size=size) as (app, station, pilot):
        assert "ANSWER This machine: What kind of motor has the condenser fan?" in screen_text(app)
        assert "1 capacitor 2 commutated o in words" in screen_text(app)
        assert ISOLATED in screen_text(app)
        await pilot.press("2")
        await pilot.press("o", "1")
        await pilot.pause()
        assert station.sent == [
            ("answer", {"question": "fan-motor", "answer": "commutated"}),
            ("answer", {"question": "fan-motor", "answer": "capacitor"}),
        ]
        station.feed(visit(ASKED, questions=[FAN_MOTOR], last_accepted="herm"))
        await catch_up(pilot)
        assert "ANSWER run capacitor HERM 5 µF" in screen_text(app)  # the displayed reading comes first


async def test_leaving_the_question_sheet_answers_nothing() -> None:
    async with running_dashboard(*STATES["asked-ohms"]) as (app, station, pilot):
        await pilot.press("o", "escape")
        await pilot.pause()
        assert station.sent == []
        assert "ANSWER" in screen_text(app)


async def test_without_a_question_its_keys_are_an_error() -> None:
    async with running_dashboard(*STATES["settling"]) as (app, station, pilot):
        for key, error in (("o", "No question is open."), ("1", "There is no choice 1 to answer with.")):
            await pilot.press(key)
            await catch_up(pilot)
            assert error in screen_text(app)
        assert station.sent == []


LABEL: Any = {
    "question": "'40-50 MFD 370V': a range, as on start capacitors, with the voltage of a run capacitor: start or run?",
    "choices": [
        {"key": "40 to 50 µF 370 V start", "words": "start capacitor, marked 40 to 50 µF, up to 370 V"},
        {"key": "40 to 50 µF 370 V run", "words": "run capacitor, marked 40 to 50 µF, up to 370 V"},
    ],
    "usual": None,
}


@pytest.mark.parametrize("size", SIZES, ids=lambda size: f"{size[0]}x{size[1]}")
@pytest.mark.parametrize("keys", [["2"], ["down", "enter"]], ids=["digit", "arrow"])
async def test_a_rating_with_several_meanings_is_chosen_in_the_sheet(size: tuple[int, int], keys: list[str]) -> None:
    async with running_dashboard(*STATES["settling"], size=size) as (app, station, pilot):
        station.question, station.error = LABEL, "Start or run?"
        await pilot.press("t", *"40-50", "enter")
        await pilot.pause()
        text = screen_text(app)
        assert "? '40-50 MFD 370V': a range" in text
        assert "2 40 to 50 µF 370 V run: run capacitor, marked 40 to 50 µF, up to 370 V" in text
        assert ISOLATED in text
        station.error = ""
        await pilot.press(*keys)
        await pilot.pause()
        assert station.sent[-1] == ("set_rating", {"point": "herm", "text": "40 to 50 µF 370 V run"})
        assert not isinstance(app.screen, RatingSheet)


async def test_a_rating_is_typed_again_in_place_of_a_choice() -> None:
    async with running_dashboard(*STATES["settling"]) as (app, station, pilot):
        station.question, station.error = LABEL, "Start or run?"
        await pilot.press("t", *"40-50", "enter")
        await pilot.pause()
        await pilot.press("shift+tab", "end", *" uF")
        station.error = "This is no rating."
        await pilot.press("enter")
        await pilot.pause()
        assert station.sent[-1] == ("set_rating", {"point": "herm", "text": "40-50 uF"})
        assert "✗ This is no rating." in screen_text(app)
        assert "start capacitor, marked" not in screen_text(app)


async def test_keys_that_need_a_test_point_display_an_error_without_points() -> None:
    async with running_dashboard(*STATES["no-visit"]) as (app, station, pilot):
        for key, error in (
            ("l", "There are no test points to pick from."),
            ("t", "There is no active test point for a rating."),
        ):
            await pilot.press(key)
            await catch_up(pilot)
            assert error in screen_text(app)
        assert station.sent == []


async def test_the_help_sheet_has_every_binding_and_every_binding_an_id() -> None:
    bindings = [binding for binding in Dashboard.BINDINGS if isinstance(binding, Binding)]
    assert len(bindings) == len(Dashboard.BINDINGS)
    assert all(binding.id and binding.tooltip and binding.description for binding in bindings)
    keys = [key for binding in bindings for key in binding.key.split(",")]
    assert len(set(keys)) == len(keys), "two bindings have the same key"
    async with running_dashboard(*STATES["settling"], size=(40, 24)) as (app, _, pilot):
        await pilot.press("question_mark")
        assert isinstance(app.screen, HelpSheet)
        texts = [str(static.render()) for static in app.screen.query(Static)]
        assert all(any(binding.tooltip in line for line in texts) for binding in bindings)
        top = app.screen.query_one("#sheet-body").scroll_y
        await pilot.press("pagedown")
        await pilot.pause()
        assert app.screen.query_one("#sheet-body").scroll_y > top
        await pilot.press("pageup")
        await pilot.pause()
        assert app.screen.query_one("#sheet-body").scroll_y == top
        await pilot.press("question_mark")
        await pilot.pause()
        assert not isinstance(app.screen, HelpSheet)


def all_sheets(base: type[Sheet[Any]] = Sheet) -> list[type[Sheet[Any]]]:
    return [sheet for below in base.__subclasses__() for sheet in (below, *all_sheets(below))]


@pytest.mark.parametrize("sheet", all_sheets(), ids=lambda sheet: sheet.__name__)
def test_every_sheet_names_its_keys(sheet: type[Sheet[Any]]) -> None:
    declared = [
        entry
        for base in sheet.__mro__
        if base.__module__.startswith("meterlink_tui")
        for entry in vars(base).get("BINDINGS", ())
    ]
    assert all(isinstance(entry, Binding) and entry.id and entry.tooltip for entry in declared)
    assert sheet.own_bindings() == declared
    assert {"close", "sheet-help"} <= {binding.id for binding in sheet.own_bindings()}


@pytest.mark.parametrize("key", ["v", "t", "e", "l", "c"])
async def test_f1_shows_the_keys_of_the_sheet_that_is_open(key: str) -> None:
    async with running_dashboard(*STATES["settling"], size=(40, 24)) as (app, _, pilot):
        await pilot.press(key)
        await pilot.pause()
        sheet = app.screen
        assert isinstance(sheet, Sheet)
        await pilot.press("f1")
        await pilot.pause()
        assert isinstance(app.screen, HelpSheet)
        texts = [str(static.render()) for static in app.screen.query(Static)]
        assert all(any(binding.tooltip in line for line in texts) for binding in sheet.own_bindings())
        await pilot.press("f1")
        await pilot.pause()
        assert app.screen is sheet, "the same key closes it"


CAUSE = {
    "title": "The leads were across HERM–FAN rather than C–HERM",
    "confidence": "very likely",
    "evidence_for": ["4.50 µF is what the two sections give in series. [@click=app.quit]"],
    "evidence_against": ["Nothing was read at C–FAN."],
    "next_measurement": "Move a lead to C and read C–HERM again.",
    "caution": ISOLATED,
}


async def test_causes_have_their_evidence_for_and_against() -> None:
    state = visit(causes=[CAUSE], summary="The best explanation: crossed leads."), live()
    async with running_dashboard(*state, size=(40, 24)) as (app, _, pilot):
        await pilot.press("c")
        assert isinstance(app.screen, DiagnosisSheet)
        sheet_text = " ".join(str(static.render()) for static in app.screen.query(Static))
        assert "The best explanation: crossed leads." in sheet_text
        assert "across HERM–FAN" in sheet_text
        assert "VERY LIKELY" in sheet_text
        assert "+ 4.50 µF is what" in sheet_text
        assert "- Nothing was read" in sheet_text
        assert "[@click" not in sheet_text
        assert "Move a lead to C" in sheet_text
        assert ISOLATED in screen_text(app)
        await pilot.press("pagedown", "pageup", "c")
        await pilot.pause()
        assert not isinstance(app.screen, DiagnosisSheet)


async def test_derived_points_are_a_part_of_the_causes_sheet() -> None:
    async with running_dashboard(*STATES["derived"], size=(40, 24)) as (app, _, pilot):
        await pilot.press("c")
        sheet_text = " ".join(str(static.render()) for static in app.screen.query(Static))
        for sentence in (
            f"{NO_DIAGNOSIS}  {DERIVED_HEADING}",
            "supply voltage unbalance, loaded  ? NOT JUDGED    Needs L2–L3.    at most 2 %",
            "supply voltage unbalance, as found  2.61 %  ✗ OUTSIDE, CLOSE CALL    2.61 % is above",
            "compressor motor windings  OPEN TO S  ✗ OPEN    C–R reads",
            "compressor motor current unbalance  1.2 %  ✓ WITHIN",
        ):
            assert sentence in sheet_text
        assert "[@click" not in sheet_text
        assert ISOLATED in screen_text(app)


@pytest.mark.parametrize("size", SIZES, ids=lambda size: f"{size[0]}x{size[1]}")
async def test_one_line_names_the_first_derived_point_that_failed(size: tuple[int, int]) -> None:
    async with running_dashboard(*STATES["derived"], size=size) as (app, station, pilot):
        (line,) = (line for line in screen_lines(app) if "✗  OUTSIDE:" in line)
        assert "supply voltage unbal" in line
        assert "OPEN TO S" not in screen_text(app)
        if size[0] >= 80:
            assert "supply voltage unbalance, as found 2.61 %, 1 more (c shows why)" in line
        station.feed(visit(derived=[DERIVED[0], DERIVED[3]]))
        await catch_up(pilot)
        assert "✗  OUTSIDE:" not in screen_text(app)


@pytest.mark.parametrize("text", ["[bold red]x", "\x1b[31mred\x07", "漢字" * 30, "x" * 5000, ""], ids=ascii)
async def test_text_of_derived_points_is_only_ever_text(text: str) -> None:
    hostile = derived(text, text, text, value=text, text=text, basis=text, margin=text, kind=text, missing=[text])
    outside = hostile | {"verdict": "outside"}
    async with running_dashboard(visit(derived=[hostile, outside]), live(), size=(40, 24)) as (app, _, pilot):
        assert ISOLATED in screen_text(app)
        await pilot.press("c")
        assert isinstance(app.screen, DiagnosisSheet)
        assert not any(char in "".join(screen_lines(app)) for char in "\x1b\x07")
        assert ISOLATED in screen_text(app)


async def test_the_causes_sheet_without_causes_has_a_sentence() -> None:
    async with running_dashboard(*STATES["settling"]) as (app, _, pilot):
        await pilot.press("c")
        assert NO_DIAGNOSIS in " ".join(str(static.render()) for static in app.screen.query(Static))
        await pilot.press("escape")
        await pilot.pause()
        assert not isinstance(app.screen, DiagnosisSheet)


async def test_the_body_scrolls_by_key_on_a_small_screen() -> None:
    async with running_dashboard(*STATES["settling"], size=(40, 24)) as (app, _, pilot):
        assert "► 1" not in screen_text(app)
        for _ in range(3):
            await pilot.press("pagedown")
        await pilot.pause()
        assert "≈ CLOSE CALL" in screen_text(app)
        assert "Cedar LOST" in screen_text(app)
        await pilot.press("pageup", "pageup", "up", "up")
        await pilot.pause()
        assert "SETTLING" in screen_text(app)


async def test_the_theme_changes_and_changes_back() -> None:
    async with running_dashboard(*STATES["settling"]) as (app, _, pilot):
        await pilot.press("d")
        assert app.theme == LIGHT.name
        await pilot.press("d")
        assert app.theme == DARK.name


@pytest.mark.parametrize("keys", [["q"], ["ctrl+c"], ["t", "ctrl+c"], ["question_mark", "ctrl+c"], ["l", "ctrl+c"]])
async def test_quitting_works_on_every_sheet_and_closes_the_connection(keys: list[str]) -> None:
    async with running_dashboard(*STATES["settling"]) as (app, station, pilot):
        await pilot.press(*keys)
        await pilot.pause()
        assert not app.is_running or app._exit
    assert station.closed


async def test_it_works_without_colour(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NO_COLOR", "1")
    async with running_dashboard(*STATES["close"]) as (app, _, _pilot):
        assert app.no_color
        assert "≈ CLOSE CALL, outside" in screen_text(app)
        colours = {
            segment.style.color.triplet
            for strip in app.screen._compositor.render_strips(Size(*app.size))
            for segment in strip.apply_filter(app._filters[-1], app.screen.background_colors[1])
            if segment.style and segment.style.color and segment.style.color.triplet
        }
        assert all(len({*triplet}) == 1 for triplet in colours), "a colour that is not a grey"


# Age, loss and floods


async def test_an_old_reading_shows_its_age() -> None:
    clock = SetClock()
    async with running_dashboard(*STATES["settling"], clock=clock) as (app, station, pilot):
        clock.seconds = 2.0
        await catch_up(pilot)
        assert "SETTLING" in screen_text(app)
        clock.seconds = 12.5
        await catch_up(pilot)
        assert "NOT LIVE · last reading 12 s ago" in screen_text(app)
        assert "SETTLING" not in screen_text(app)
        assert "so far" not in screen_text(app)
        assert app.scene is not None
        assert app.scene.value.dim
        station.feed(live(at=format_rfc3339(START + 12_500_000_000)))
        await catch_up(pilot)
        assert "SETTLING" in screen_text(app)
        assert not app.scene.value.dim


async def test_a_reading_that_arrives_old_is_not_live() -> None:
    async with running_dashboard(visit(), live(at=format_rfc3339(START - 60_000_000_000))) as (app, _, _pilot):
        assert "NOT LIVE · last reading 1 min ago" in screen_text(app)


async def test_a_stopped_daemon_is_an_alert_until_it_runs_again() -> None:
    first, second = FedStation(*STATES["within"]), FedStation(*STATES["settling"])
    outcomes: list[FedStation | LinkError] = [first, LinkError("No daemon runs here.", "Start it."), second]
    opened = asyncio.Event()

    async def connect() -> FedStation:
        await opened.wait()
        opened.clear()
        outcome = outcomes.pop(0)
        if isinstance(outcome, LinkError):
            raise outcome
        return outcome

    opened.set()
    app = Dashboard(connect, clock=SetClock(), reconnect_delay=0)
    async with app.run_test() as pilot:
        await catch_up(pilot)
        assert "✓ WITHIN" in screen_text(app)
        first.drop()
        await catch_up(pilot)
        assert "STOPPED No readings are recorded" in screen_text(app)
        assert "NOT CONNECTED" in screen_text(app)
        assert first.closed
        await pilot.press("n")
        await catch_up(pilot)
        assert "Not connected to the station: nothing was changed." in screen_text(app)
        opened.set()
        await catch_up(pilot)
        assert "No daemon runs here. Start it." in screen_text(app)
        opened.set()
        await catch_up(pilot)
        assert "STOPPED" not in screen_text(app)
        assert "SETTLING" in screen_text(app)
        assert "43.31 µF" not in screen_text(app), "the dead daemon's visit stayed"
    assert second.closed


async def test_a_command_to_a_stopped_daemon_displays_the_error() -> None:
    async with running_dashboard(*STATES["settling"]) as (app, station, pilot):

        async def fail(command: str, **_fields: str | int) -> str:
            raise LinkError("The station's daemon has stopped.", "Start it with: meterlink run")

        station.send = fail  # type: ignore[method-assign]
        await pilot.press("r")
        await catch_up(pilot)
        assert "NOT DONE The station's daemon has stopped." in screen_text(app)


async def flood_dashboard() -> None:
    async with running_dashboard(*STATES["settling"]) as (app, station, _pilot):
        await asyncio.sleep(1)
        before = app.redraws
        # 5,000 messages within half a second: the first is drawn at once, the rest in frames of `DRAW_INTERVAL`.
        for first in range(0, 5000, 100):
            station.feed(*(live(f"{40 + i / 1000:.3f} µF", f"{40 + i / 1000:.3f}") for i in range(first, first + 100)))
            await asyncio.sleep(0.01)
        await asyncio.sleep(DRAW_INTERVAL)
        assert app.redraws - before == round(0.5 / DRAW_INTERVAL) + 1
        assert app.scene is not None
        assert app.scene.value.digits == "44.999"


async def test_no_digits_of_one_visit_stand_under_another() -> None:
    async with running_dashboard(visit(opened="2026-07-14T08:00:00.000Z"), live()) as (app, station, pilot):
        assert app.scene is not None
        assert app.scene.value.digits == "43.05"
        station.feed(visit(opened="2026-07-14T10:00:00.000Z"))
        await catch_up(pilot)
        assert app.scene.value.digits == "---"


@pytest.mark.fault("message-flood")
def test_a_flood_is_drawn_once_a_frame() -> None:
    run_in_virtual_time(flood_dashboard())


def test_an_idle_dashboard_draws_only_when_the_displayed_age_changes() -> None:
    async def body() -> None:
        clock = VirtualClock()
        station = FedStation(visit(), meters(), live(at=format_rfc3339(clock.now().utc_ns)))

        async def connect() -> FedStation:
            return station

        app = Dashboard(connect, clock=clock)
        async with app.run_test():
            await asyncio.sleep(1)
            assert app.scene is not None
            assert app.scene.phase.word.startswith("SETTLING")
            counted = app.draws
            await asyncio.sleep(STALE_AFTER)  # then the reading is no longer live, at an age of 2 s
            assert (app.draws, app.scene.phase.word) == (counted + 1, "NOT LIVE · last reading 2 s ago")
            await asyncio.sleep(10)
            assert (app.draws, app.scene.phase.word) == (counted + 11, "NOT LIVE · last reading 12 s ago")
            await asyncio.sleep(50)
            counted = app.draws
            await asyncio.sleep(600)
            assert (app.draws, app.scene.phase.word) == (counted + 10, "NOT LIVE · last reading 11 min ago")
            counted = app.draws
            await asyncio.sleep(36_000)
            assert app.draws - counted <= 49 + 10
            assert app.scene.phase.word == "NOT LIVE · last reading 10 h ago"

    run_in_virtual_time(body())


def test_an_idle_dashboard_without_a_reading_draws_nothing() -> None:
    async def body() -> None:
        app, _ = dashboard(visit(), meters())
        async with app.run_test():
            await asyncio.sleep(1)
            counted = app.draws
            await asyncio.sleep(3000)
            assert app.draws == counted

    run_in_virtual_time(body())


async def test_a_station_that_never_pauses_does_not_lock_the_keys() -> None:
    class EndlessStation(FedStation):
        async def __aiter__(self) -> AsyncIterator[Message]:
            yield visit()
            while not self.sent:
                yield live()

    station = EndlessStation()

    async def connect() -> FedStation:
        return station

    async with Dashboard(connect, clock=SetClock(), reconnect_delay=3600).run_test() as pilot:
        await pilot.press("n")
        await pilot.pause()
        assert station.sent == [("next", {})]


async def test_a_frame_after_the_screen_is_removed_is_skipped() -> None:
    class OneViewStation(FedStation):
        async def __aiter__(self) -> AsyncIterator[Message]:
            yield visit()

    async def connect() -> FedStation:
        return OneViewStation()

    app = Dashboard(connect, clock=SetClock(), reconnect_delay=3600)
    async with app.run_test() as pilot:
        await pilot.pause()
        await app.screen.remove_children()
        app.receive_message(live())
        app.draw()


# Hostile text

HOSTILE = [
    "[/",
    "[@click=app.quit]quit[/]",
    "[bold red]x",
    "\x1b[31mred\x1b]0;title\x07",
    "\u202eesrever\u202c",
    "漢字" * 30,
    "e\u0301\u0301\u0301" * 20,
    "👩‍👩‍👧‍👦🏳️‍🌈" * 8,
    "a\nb\r\tc\x00\x9b31m",
    "$bad $error {0} %s",
    "x" * 5000,
    "",
]


@pytest.mark.parametrize("text", HOSTILE, ids=ascii)
@pytest.mark.parametrize("size", SIZES, ids=lambda size: f"{size[0]}x{size[1]}")
async def test_text_from_the_link_is_only_ever_text(text: str, size: tuple[int, int]) -> None:
    question = {"question": text, "choices": [{"key": text, "words": text}] * 12, "usual": text}
    hostile = accepted(text, text, text, margin=text, deviation_percent=text, reason=text, question=question)
    limits = {"low": text, "high": text, "unit": text, "basis": text}
    points = [
        point(text, text, circuit=text, terminals=[text, text], rating=text, why=text, caution=text, accepted=hostile),
        point("b", text, limits=limits, rating=text, quantity=text),
    ]
    messages = [
        visit(points=points, site=text, unit=text, focus="b", last_accepted=text, advice=text, caution=text),
        meters(meter(text, state=text, detail=text), meter(text, state="lost", detail=text), radio_error=text),
        {"topic": "notice", "level": text, "text": text},
        live(text, text, meter=text, unit=text, quantity=text, verdict=text, point="b", at=text),
    ]
    async with running_dashboard(*messages, size=size) as (app, station, pilot):
        for key in ("l", "t", "o", "question_mark"):
            await pilot.press(key, "escape")
        station.error = text
        await pilot.press("n")
        station.feed(live(text, text, phase="accepted", point=text, function_matches=False))
        await catch_up(pilot)
        assert not app._exit
        assert len(screen_lines(app)) == size[1]
        text_on_screen = "".join(screen_lines(app))
        assert not any(char in text_on_screen for char in "\x1b\x9b\x07\x00\u202e\u202c")
        assert all(strip.cell_length == size[0] for strip in app.screen._compositor.render_strips(Size(*size)))


# Command line


def test_help_and_command_import_do_not_load_the_screen_library() -> None:
    probe = (
        "import sys, meterlink_tui.command; sys.exit(any(m.split('.')[0] in ('textual', 'rich') for m in sys.modules))"
    )
    assert subprocess.run([sys.executable, "-c", probe], check=False, timeout=60).returncode == 0
    result = CliRunner().invoke(command, ["--help"])
    assert result.exit_code == 0
    assert "--data" in result.output


def test_without_a_terminal_it_raises_an_error_and_writes_no_escape_code() -> None:
    result = CliRunner().invoke(command, [])
    assert isinstance(result.exception, NoTerminalError)
    assert "meterlink history" in result.exception.remedy
    assert "\x1b" not in result.output


async def test_run_dashboard_needs_a_terminal_before_it_connects(capsys: pytest.CaptureFixture[str]) -> None:
    async def connect() -> FedStation:
        pytest.fail("connected without a terminal")

    with pytest.raises(NoTerminalError):
        await run_dashboard(connect)
    assert capsys.readouterr().out == ""


async def test_a_picture_is_taken_without_a_terminal() -> None:
    async def connect() -> FedStation:
        return FedStation(*STATES["close"])

    svg = await take_picture(connect, 80, 24)
    assert svg.startswith("<svg")
    assert "CLOSE" in svg
    assert "Corner" in svg


def test_watch_writes_a_picture_of_a_running_station(monkeypatch: pytest.MonkeyPatch, tmp_path: Any) -> None:
    ensured: list[object] = []

    class Daemon:
        async def connect(self) -> FedStation:
            assert ensured == [tmp_path]
            return FedStation(*STATES["settling"])

    async def ensure_daemon(folder: object) -> AsyncIterator[Daemon]:
        ensured.append(folder)
        yield Daemon()

    monkeypatch.setattr("meterlink.link.daemon.ensure_daemon", asynccontextmanager(ensure_daemon))
    picture = tmp_path / "screen.svg"
    arguments = ["--data", str(tmp_path), "--picture", str(picture), "--size", "40x24", "--light"]
    result = CliRunner().invoke(command, arguments, catch_exceptions=False)
    assert result.exit_code == 0, result.output
    assert picture.read_text(encoding="utf-8").startswith("<svg")


@pytest.mark.parametrize("size", ["80", "0x0", "x24", "80x-1", "9999x24", "²0x24"])
def test_a_wrong_size_is_an_error(size: str) -> None:
    result = CliRunner().invoke(command, ["--picture", "x.svg", "--size", size])
    assert result.exit_code == 2
    assert "columns x rows" in result.output


@pytest.mark.skipif(os.name != "posix", reason="pseudo-terminals are POSIX")
def test_it_runs_in_a_terminal_and_leaves_it_clean() -> None:
    import pty  # noqa: PLC0415  # POSIX only

    program = (
        "import asyncio\n"
        "from meterlink_tui.app import run_dashboard\n"
        "from meterlink.core.errors import LinkError\n"
        "async def connect(): raise LinkError('No daemon runs.', 'Start it.')\n"
        "asyncio.run(run_dashboard(connect))\n"
    )
    controller, terminal = pty.openpty()
    process = subprocess.Popen(
        [sys.executable, "-c", program],
        stdin=terminal,
        stdout=terminal,
        stderr=terminal,
        env=os.environ | {"TERM": "xterm"},
    )
    os.close(terminal)
    output = b""
    try:
        while b"STOPPED" not in output:
            output += os.read(controller, 65536)
        os.write(controller, b"q")
        while chunk := _read(controller):
            output += chunk
        assert process.wait(30) == 0
    finally:
        process.kill()
        process.wait()
        os.close(controller)
    assert b"\x1b[?1049h" in output
    assert output.rindex(b"\x1b[?1049l") > output.rindex(b"\x1b[?1049h"), "the terminal's own screen was not restored"


def _read(descriptor: int) -> bytes:
    try:
        return os.read(descriptor, 65536)
    except OSError:  # Linux reports the end of a pseudo-terminal as EIO
        return b""
