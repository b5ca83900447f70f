"""The rendered screen in every state at every size, in both views; the flash and the sounds of the dashboard."""

import asyncio
import os
import subprocess
import sys
from typing import Any

import pytest
from textual.pilot import Pilot

from meterlink.core.clock import format_rfc3339
from meterlink_simulators.virtual_time import VirtualClock, run_in_virtual_time
from meterlink_tui.app import Dashboard
from meterlink_tui.sheets.cautions import CautionSheet
from meterlink_tui.sound.announcer import SoundMode
from meterlink_tui.widgets.live import FLASH_TIME, BigNumber, VerdictWord
from meterlink_tui.widgets.test_points import PointList
from support.dashboard_views import (
    ADVICE,
    GHOST,
    ISOLATED,
    MORE_STATES,
    NO_METER,
    STATES,
    STOP,
    STOP_TEXT,
    accepted,
    live,
    meter,
    meters,
    point,
    visit,
)
from support.dashboards import FedStation, catch_up, dashboard, running_dashboard, screen_lines, screen_text

SIZES = [(40, 24), (62, 20), (80, 24), (120, 40), (200, 60)]
ALL_STATES = STATES | MORE_STATES
SIZE_IDS = [f"{width}x{height}" for width, height in SIZES]


async def feed(app: Dashboard, pilot: Pilot[None], messages: list[Any]) -> None:
    """Show only ``messages``: as of a visit of their own."""
    app._latest_messages.__init__()  # type: ignore[misc]
    for message in messages:
        app.receive_message(message)
    app.draw()
    await pilot.pause()


def lettering_rows(app: Dashboard, kind: type[BigNumber | VerdictWord]) -> int:
    """Return the number of rows of lettering of a widget that are on the screen."""
    region = app.screen_stack[0].query_one(kind).region
    lines = screen_lines(app)[region.y : region.bottom]
    return sum(any(char in "█▀▄" for char in line[region.x : region.right]) for line in lines)


# Pictures: the working view has its own in test_tui_dashboard.py


@pytest.mark.parametrize(
    ("state", "size"),
    [
        ("within", (80, 24)), ("close", (80, 24)), ("outside", (200, 60)), ("settling", (62, 20)), ("open", (40, 24)),
        ("asked", (40, 24)), ("stop", (80, 24)), ("shorted", (120, 40)),
    ],
    ids=lambda value: value if isinstance(value, str) else f"{value[0]}x{value[1]}",
)  # fmt: skip
def test_the_large_view_looks_as_accepted(snap_compare: Any, state: str, size: tuple[int, int]) -> None:
    app, _ = dashboard(*ALL_STATES[state])

    async def enlarge(pilot: Pilot[None]) -> None:
        await catch_up(pilot)
        await pilot.press("f")
        await catch_up(pilot)

    assert snap_compare(app, terminal_size=size, run_before=enlarge)


@pytest.mark.parametrize("size", [(40, 24), (80, 24)], ids=["40x24", "80x24"])
def test_a_stop_in_the_working_view_looks_as_accepted(snap_compare: Any, size: tuple[int, int]) -> None:
    app, _ = dashboard(*ALL_STATES["stop"])
    assert snap_compare(app, terminal_size=size, run_before=catch_up)


# The whole matrix, in text


@pytest.mark.parametrize("large", [False, True], ids=["working", "large"])
@pytest.mark.parametrize("size", SIZES, ids=SIZE_IDS)
async def test_stop_caution_and_step_are_readable_in_every_state(size: tuple[int, int], large: bool) -> None:
    async with running_dashboard(size=size) as (app, _, pilot):
        app.is_large = large
        for state, messages in ALL_STATES.items():
            await feed(app, pilot, messages)
            text = screen_text(app)
            if state not in {"no-visit", "no-points"}:
                assert ISOLATED in text, state
                assert ADVICE in text, state
            assert (STOP_TEXT in text) is (state == "stop"), state
            lines = screen_lines(app)
            assert len(lines) == size[1]
            if state == "stop":
                assert "■ STOP ■" in lines[0], "it is on top"
            if state == "close":
                assert "✗" not in " ".join(line[: size[0] // 2] for line in lines[:8])
                if size != (62, 20) or not large:
                    assert "≈ CLOSE CALL, outside" in text


@pytest.mark.parametrize(
    ("size", "digits", "verdict"),
    [((40, 24), 3, 3), ((62, 20), 5, 3), ((80, 24), 9, 5), ((120, 40), 15, 5), ((200, 60), 21, 8)],
    ids=SIZE_IDS,
)
async def test_the_large_view_has_large_digits_and_a_large_verdict(
    size: tuple[int, int], digits: int, verdict: int
) -> None:
    async with running_dashboard(size=size) as (app, _, pilot):
        app.is_large = True
        for state in ("within", "close", "outside", "open", "shorted", "asked", "settling"):
            await feed(app, pilot, ALL_STATES[state])
            assert lettering_rows(app, BigNumber) >= digits, state
            assert lettering_rows(app, VerdictWord) >= verdict, state
            assert app.scene is not None
            assert app.scene.title in screen_text(app)


async def test_one_key_fills_the_screen_and_goes_back() -> None:
    async with running_dashboard(*STATES["within"]) as (app, _, pilot):
        working = screen_lines(app)
        await pilot.press("f")
        await catch_up(pilot)
        large = screen_lines(app)
        assert large != working
        assert "✓ WITHIN -3.76 % from nominal" in screen_text(app)
        await pilot.press("f")
        await catch_up(pilot)
        assert screen_lines(app) == working


async def test_the_scale_is_in_the_large_view_where_it_fits() -> None:
    short = visit(accepted(), focus="herm")
    for row in short["points"]:
        row["caution"] = "Isolate it."
    async with running_dashboard(short, meters(), live("43.31 µF", "43.31", phase="accepted")) as (app, _, pilot):
        await pilot.press("f")
        await catch_up(pilot)
        for text in ("low 42.3", "high 47.7 µF", "✓ WITHIN -3.76 % from nominal", ADVICE):
            assert text in screen_text(app)
        assert lettering_rows(app, BigNumber) >= 9
        assert lettering_rows(app, VerdictWord) >= 5


@pytest.mark.parametrize("state", ["waiting", "settling", "within", "close", "outside", "open", "stop", "no-meter"])
async def test_the_list_has_six_rows_at_80_by_24(state: str) -> None:
    view = [dict(message) for message in ALL_STATES[state]]
    view[0]["points"] = [*view[0]["points"], *(point(str(number), f"part {number}") for number in range(9))]
    async with running_dashboard(*view) as (app, _, _pilot):  # type: ignore[arg-type]
        region = app.query_one(PointList).region
        rows = [line[region.x : region.right] for line in screen_lines(app)[region.y : region.bottom]]
        assert sum(row.strip(" ►")[:1].isdigit() for row in rows) >= (5 if state == "stop" else 6)


# Hostile names at every size, in both views

HOSTILE = [
    "[/", "[@click=app.quit]quit[/]", "\x1b[31mred\x1b]0;title\x07", "\u202eesrever\u202c", "漢字" * 30,
    "e\u0301\u0301\u0301" * 20, "👩‍👩‍👧‍👦🏳️‍🌈" * 8, "a\nb\r\tc\x00\x9b31m", "x" * 5000, "word " * 900, "",
]  # fmt: skip


@pytest.mark.parametrize("size", SIZES, ids=SIZE_IDS)
async def test_no_name_pushes_a_stop_or_a_caution_off_the_screen(size: tuple[int, int]) -> None:
    async with running_dashboard(size=size) as (app, _, pilot):
        for text in HOSTILE:
            question = {"question": text, "choices": [{"key": text, "words": text}] * 9, "usual": text}
            reading = accepted(text, text, text, margin=text, reason=text, question=question)
            points = [
                point(str(number), text, circuit=text, terminals=[text] * 2, rating=text, accepted=reading)
                for number in range(12)
            ]
            messages = [
                visit(points=points, site=text, unit=text, focus="3", advice=text),
                meters(meter(text, state=text, detail=text), radio_error=text),
                {"topic": "notice", "level": text, "text": text},
                live(text, text, meter=text, unit=text, point="3", stop=STOP),
            ]
            for app.is_large in (False, True):
                await feed(app, pilot, messages)
                screen = screen_text(app)
                assert ISOLATED in screen, ascii(text[:20])
                assert STOP_TEXT in screen, ascii(text[:20])
                assert not any(char in screen for char in "\x1b\x9b\x07\x00\u202e\u202c")
                assert len(screen_lines(app)) == size[1]


# Cautions


async def test_a_key_shows_a_short_caution_whole() -> None:
    first = visit(accepted=None)
    for row in first["points"]:
        row["brief_caution"] = "Verify first."
    worked = visit(accepted(), focus="fan")
    for row in worked["points"]:
        row["brief_caution"] = "Verify first."
    async with running_dashboard(first) as (app, station, pilot):
        assert ISOLATED in screen_text(app)
        station.feed(worked)
        await catch_up(pilot)
        assert "CAUTION Verify first. i more" in screen_text(app)
        assert ISOLATED not in screen_text(app)
        await pilot.press("i")
        await pilot.pause()
        assert isinstance(app.screen, CautionSheet)
        assert "! Discharge the capacitor through a resistor before touching" in screen_text(app)
        await pilot.press("i")
        await pilot.pause()
        assert not isinstance(app.screen, CautionSheet)


@pytest.mark.parametrize("size", [(40, 24), (80, 24)], ids=["40x24", "80x24"])
@pytest.mark.parametrize("key", ["l", "t", "question_mark", "i", "e"])
async def test_a_stop_stands_over_every_sheet(key: str, size: tuple[int, int]) -> None:
    async with running_dashboard(*STATES["settling"], size=size) as (app, station, pilot):
        await pilot.press(key)
        await pilot.pause()
        station.feed(*MORE_STATES["stop"])
        await catch_up(pilot)
        assert STOP_TEXT in screen_text(app)
        await pilot.resize_terminal(size[0] + 5, size[1])
        await catch_up(pilot)
        assert STOP_TEXT in screen_text(app)
        await pilot.press("escape", key)
        await pilot.pause()
        assert STOP_TEXT in screen_text(app), "a sheet that is opened under a stop"


# The flash


def test_an_accepted_reading_flashes_once_and_draws_nothing_else_again() -> None:
    async def body() -> None:
        clock = VirtualClock()
        station = FedStation(visit(), NO_METER)

        async def connect() -> FedStation:
            return station

        app = Dashboard(connect, clock=clock)
        async with app.run_test() as pilot:
            await catch_up(pilot)
            word = app.query_one(VerdictWord)
            assert not word.has_class("-flash")
            station.feed(visit(accepted()), live(phase="accepted", at=format_rfc3339(clock.now().utc_ns)))
            await catch_up(pilot)
            assert word.has_class("-flash")
            station.feed(visit(accepted(id=7)))  # another one at once: no second flash
            await catch_up(pilot)
            counted = app.redraws
            await asyncio.sleep(FLASH_TIME)
            assert not word.has_class("-flash")
            assert app.redraws == counted
            await asyncio.sleep(1)
            assert not word.has_class("-flash")

    run_in_virtual_time(body())


async def test_readings_that_were_there_before_do_not_flash() -> None:
    async with running_dashboard(*STATES["within"]) as (app, _, _pilot):
        assert not app.query_one(VerdictWord).has_class("-flash")


# Sounds


class RecordedVoice:
    """A voice that keeps its words."""

    def __init__(self) -> None:
        self.said: list[str] = []
        self.closed = False

    def say(self, words: str) -> bool:
        self.said.append(words)
        return True

    def silence(self) -> None:
        pass

    def close(self) -> None:
        self.closed = True


def sounding(mode: SoundMode, voice: RecordedVoice | None = None) -> tuple[Dashboard, FedStation, list[str]]:
    station, written = FedStation(visit()), list[str]()

    async def connect() -> FedStation:
        return station

    return Dashboard(connect, sound=mode, voice=voice, write=written.append), station, written


REPLACE = "The run capacitor HERM is weak (very likely). Replace the part: two readings agree."


@pytest.mark.parametrize(
    ("verdict", "margin", "bells", "words"),
    [
        ("within", "clear", 1, "five point one microfarad, within"),
        ("outside", "clear", 2, "five point one microfarad, outside, replace"),
        ("open", None, 2, "five point one microfarad, open, replace"),
        ("shorted", None, 2, "five point one microfarad, shorted, replace"),
        ("within", "close call", 3, "five point one microfarad, close call, just within, replace"),
        ("outside", "close call", 3, "five point one microfarad, close call, just outside, replace"),
        ("no contact", None, 2, "five point one microfarad, no contact, replace"),
        ("no limits", None, 2, "five point one microfarad, no limits, replace"),
        ("nothing flows", None, 2, "five point one microfarad, nothing flows, replace"),
        ("over range", None, 2, "five point one microfarad, over range, replace"),
        ("cannot tell", None, 2, "five point one microfarad, cannot tell, replace"),
    ],
)
def test_each_verdict_sends_its_bells_to_the_terminal_and_its_words_to_the_voice(
    verdict: str, margin: str | None, bells: int, words: str
) -> None:
    view = visit(accepted("5.1 µF", "5.1", verdict, margin=margin), advice=REPLACE)

    async def heard(mode: SoundMode, voice: RecordedVoice | None) -> list[str]:
        app, station, written = sounding(mode, voice)
        async with app.run_test() as pilot:
            await catch_up(pilot)
            assert written == []
            station.feed(view)
            await catch_up(pilot)
            await asyncio.sleep(5)
        return written

    assert run_in_virtual_time(heard(SoundMode.BELL, None)) == ["\a"] * bells
    voice = RecordedVoice()
    assert run_in_virtual_time(heard(SoundMode.SPEECH, voice)) == []
    assert voice.said == [words]
    assert voice.closed


async def test_one_key_turns_the_sound_off_and_it_stays_off() -> None:
    app, station, written = sounding(SoundMode.BELL)
    async with app.run_test() as pilot:
        await catch_up(pilot)
        await pilot.press("s")
        await catch_up(pilot)
        assert "sound off" in screen_lines(app)[0]
        station.feed(visit(accepted()))
        await catch_up(pilot)
        station.feed(live(stop=STOP))
        await catch_up(pilot)
        assert written == []
        await pilot.press("s")
        await catch_up(pilot)
        assert "sound off" not in screen_lines(app)[0]
        station.feed(visit(accepted(id=9)))
        station.feed(live(stop=GHOST))
        await catch_up(pilot)
        assert written[0] == "\a"


async def test_speech_without_its_program_is_bells_and_says_so() -> None:
    app, station, written = sounding(SoundMode.SPEECH)
    async with app.run_test() as pilot:
        await catch_up(pilot)
        assert "SOUND espeak-ng is not installed: bells in place of speech." in screen_text(app)
        station.feed(visit(accepted()))
        await catch_up(pilot)
        assert written == ["\a"]


@pytest.mark.skipif(os.name != "posix", reason="pseudo-terminals are POSIX")
def test_the_bell_of_an_accepted_reading_arrives_at_the_terminal() -> None:
    import pty  # noqa: PLC0415  # POSIX only

    program = (
        "import asyncio\n"
        "from meterlink_tui.app import run_dashboard\n"
        "from support.dashboard_views import accepted, visit\n"
        "from support.dashboards import FedStation\n"
        "async def connect(): return FedStation(visit(), visit(accepted()))\n"
        "asyncio.run(run_dashboard(connect))\n"
    )
    controller, terminal = pty.openpty()
    process = subprocess.Popen(
        [sys.executable, "-c", program],
        stdin=terminal,
        stdout=terminal,
        stderr=terminal,
        env=os.environ | {"TERM": "xterm", "PYTHONPATH": os.pathsep.join(sys.path)},
    )
    os.close(terminal)
    output = b""
    try:
        while b"\a" not in output:
            output += os.read(controller, 65536)
    finally:
        process.kill()
        process.wait()
        os.close(controller)
    assert b"\a" in output  # their number is asserted where they are written: a terminal's queries may end with one
