"""A whole visit in a real terminal: the dashboard in tmux, a real daemon, the keys counted.

Typed, the dashboard starts the daemon itself. With a meter, the daemon is that of the simulated bench, in real time.
"""

import asyncio
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from support import visit_bench
from support.commands import run_command, run_for_json
from support.terminals import LIMIT, TMUX, Terminal
from support.tools import skip_without_tool
from support.whole_visits import (
    AFTER_REPAIR,
    FOUND,
    LABEL,
    CountedHands,
    Measure,
    Measurement,
    arrive_at_known_unit,
    type_reading,
    work,
)

MOST_KEYS = 12
QUESTIONS = {"service": "240", "compressor-drive": "capacitor", "fan-motor": "capacitor", "contactor-poles": "2"}
_KEYS = {"enter": "Enter", "space": "Space"}


class TerminalHands:
    """The keys of tmux."""

    def __init__(self, terminal: Terminal) -> None:
        self._terminal = terminal

    async def press(self, *keys: str) -> None:
        self._terminal.press(*(_KEYS.get(key, key) for key in keys))

    async def write(self, text: str) -> None:
        self._terminal.press("-l", text)

    def screen(self) -> str:
        return " ".join(self._terminal.screen().split())

    async def until(self, text: str) -> None:
        async with asyncio.timeout(LIMIT):
            while text not in self.screen():  # noqa: ASYNC110  # a screen has no event
                await asyncio.sleep(0.05)


@pytest.fixture
def terminal(tmp_path: Path) -> Iterator[Terminal]:
    if TMUX is None:
        skip_without_tool("tmux")
    folder = tmp_path / "tmux"
    folder.mkdir()
    opened = Terminal(folder, 100, 40)
    yield opened
    opened.close()


def keep_history(folder: Path) -> None:
    """Make an earlier visit to the unit, and load two capacitors."""
    data = ("--data", str(folder))
    place = ("--site", "Mill Lane bakery", "--unit", "Condenser 1", "--plan", "split-condenser")
    run_for_json("visit", "begin", *place, *data)
    for question, answer in QUESTIONS.items():
        assert run_command("answer", question, "--answer", answer, *data).status in {0, 3}  # 3: others are open
    assert run_command("visit", "rating", "run-capacitor-herm", LABEL, *data).status == 0
    assert run_command("visit", "close", "--outcome", "no fault found", *data).status == 0
    assert run_command("stock", "add", LABEL, "--count", "2", *data).status == 0


async def play(terminal: Terminal, folder: Path, measure: Measure) -> CountedHands:
    terminal.run("watch", "--data", str(folder))
    hands = CountedHands(TerminalHands(terminal))
    await hands.until("No visit is open")
    await arrive_at_known_unit(hands)
    await work(hands, measure)
    await hands.hands.press("q")
    assert terminal.status() == "0"
    return hands


def check_report(folder: Path) -> None:
    visit = run_for_json("visit", "list", "--data", str(folder))[-1]["visit"]
    shown = run_for_json("visit", "show", visit, "--data", str(folder))
    assert (shown["outcome"], len(shown["replacements"])) == ("repaired", 1)
    assert {point["key"] for point in shown["points"] if point["readings"]} == {row.key for row in AFTER_REPAIR} | {
        row.key for row in FOUND
    }


async def test_typed(terminal: Terminal, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = tmp_path / "data"
    await asyncio.to_thread(keep_history, folder)
    hands = await play(terminal, folder, type_reading)
    with capsys.disabled():
        print(f"\ntyped, in a terminal: {hands}")  # noqa: T201  # the figure is a result of this test
    assert len(hands.keys) <= MOST_KEYS + 2 * len([*FOUND, *AFTER_REPAIR])
    check_report(folder)


@pytest.mark.study(everyday=0, sample=0, full=1)  # visits, of more than a minute each
async def test_with_a_meter(
    terminal: Terminal, tmp_path: Path, study_size: int, capsys: pytest.CaptureFixture[str]
) -> None:
    assert study_size == 1
    folder = tmp_path / "data"
    await asyncio.to_thread(keep_history, folder)
    bench = await asyncio.create_subprocess_exec(
        sys.executable,
        "-m",
        visit_bench.__name__,
        str(folder),
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        env=os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)},
    )
    assert bench.stdin is not None
    assert bench.stdout is not None

    async def ask(line: str) -> None:
        assert bench.stdin is not None
        assert bench.stdout is not None
        bench.stdin.write(f"{line}\n".encode())
        async with asyncio.timeout(LIMIT):
            assert await bench.stdout.readline() == b"done\n"

    async def measure(_: CountedHands, measurement: Measurement) -> None:
        await ask(f"{measurement.key} {measurement.text}")
        await ask("lift")

    try:
        async with asyncio.timeout(LIMIT):
            assert await bench.stdout.readline() == b"ready\n"
        hands = await play(terminal, folder, measure)
    finally:
        bench.stdin.close()
        await bench.wait()
    with capsys.disabled():
        print(f"\nwith a meter, in a terminal: {hands}")  # noqa: T201  # as above
    assert len(hands.keys) <= MOST_KEYS
    check_report(folder)
