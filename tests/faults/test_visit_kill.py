"""kill -9 of the daemon or the dashboard at random moments of a visit: nothing accepted is lost, and the visit goes on.

A person's keys go to a dashboard in a pseudo-terminal. A second watcher keeps everything that a screen has shown.
"""

import asyncio
import contextlib
import fcntl
import os
import pty
import signal
import struct
import subprocess
import sys
import termios
import threading
import time
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from typing import Any

import pytest

from meterlink.core.errors import LinkError
from meterlink.link.client import connect
from meterlink.link.daemon import MOST_RESTARTS, RESTART_PERIOD
from meterlink.link.messages import Topic
from support.commands import run_command, run_for_json

PLAN = """\
name = "two capacitors"

[[point]]
key = "herm"
circuit = "compressor"
component = "run capacitor"
section = "HERM"
terminals = ["C", "HERM"]
quantity = "capacitance"
state = "isolated and discharged"
kind = "capacitor"

[[point]]
key = "fan"
circuit = "fan"
component = "run capacitor"
section = "FAN"
terminals = ["C", "FAN"]
quantity = "capacitance"
state = "isolated and discharged"
kind = "capacitor"

[[point]]
key = "blower"
circuit = "blower"
component = "blower capacitor"
terminals = ["1", "2"]
quantity = "capacitance"
state = "isolated and discharged"
kind = "capacitor"
"""
LABEL = "45+5 MFD 440V"
LOADED = 90
LIMIT = 60.0  # s; a limit, not a wait


class TerminalDashboard:
    """``meterlink watch`` in a pseudo-terminal of 100x40, whose output is read and dropped."""

    def __init__(self, folder: Path) -> None:
        self._controller, terminal = pty.openpty()
        fcntl.ioctl(terminal, termios.TIOCSWINSZ, struct.pack("HHHH", 40, 100, 0, 0))
        self._process = subprocess.Popen(
            [sys.executable, "-m", "meterlink", "watch", "--data", str(folder)],
            stdin=terminal, stdout=terminal, stderr=terminal, env=os.environ | {"TERM": "xterm-256color"},
            start_new_session=True,
        )  # fmt: skip
        os.close(terminal)
        self._draining = threading.Thread(target=self._drain, name="terminal")
        self._draining.start()
        self.daemon_deaths: list[float] = []
        self.owns_daemon = False

    def press(self, keys: str) -> None:
        with contextlib.suppress(OSError):  # it was killed
            os.write(self._controller, keys.encode())

    @property
    def is_running(self) -> bool:
        return self._process.poll() is None

    def kill(self) -> None:
        self._process.kill()
        self._process.wait()
        self._draining.join()
        os.close(self._controller)

    def _drain(self) -> None:
        with contextlib.suppress(OSError):  # the end of its terminal
            while os.read(self._controller, 1 << 16):
                pass


@dataclass(slots=True)
class Seen:
    """Everything that a screen has shown of the visit."""

    readings: dict[str, tuple[str, str]] = field(default_factory=dict)  # {uid: (test point, text)}
    old: set[str] = field(default_factory=set)  # uids of readings of a part that was replaced
    voided: set[str] = field(default_factory=set)
    view: dict[str, Any] = field(default_factory=dict)
    process: int = 0  # the daemon

    def add(self, view: Any) -> None:
        self.view = view
        for point in view["points"]:
            for reading in (point["accepted"], point["old_part"], *point["voided"]):
                if reading is not None:
                    self.readings[reading["uid"]] = point["key"], reading["text"]
            self.old |= {point["old_part"]["uid"]} if point["old_part"] else set()
            self.voided |= {voided["uid"] for voided in point["voided"]}


async def keep_watching(folder: Path, seen: Seen) -> None:
    """Watch the daemon of ``folder``, whichever it is."""
    while True:
        with contextlib.suppress(LinkError):
            client = await connect(folder)
            seen.process = client.greeting["process"]
            try:
                async for message in client:
                    if message["topic"] == Topic.VISIT:
                        seen.add(message)
            finally:
                await client.close()
        seen.process = 0
        await asyncio.sleep(0.05)


async def until(condition: Callable[[], bool], act: Callable[[], None] = lambda: None) -> None:
    """Return when ``condition`` holds; ``act`` every two seconds until then."""
    async with asyncio.timeout(LIMIT):
        while not condition():
            act()
            for _ in range(100):
                if condition():
                    break
                await asyncio.sleep(0.02)


async def go_on(dashboard: TerminalDashboard, seen: Seen) -> None:
    """Return when keys of the dashboard reach the daemon: the test point changes."""
    await until(lambda: bool(seen.process and seen.view))
    focus = seen.view["focus"]
    dashboard.press("\x1b")  # a sheet may be open
    await asyncio.sleep(0.3)  # of Escape and a key soon after it a terminal makes another key
    await until(lambda: seen.view["focus"] != focus, lambda: dashboard.press("n"))


def keys_of_a_person(rng: Random, number: int) -> str:
    """Return the keys of one action: mostly a reading, with a value of its own."""
    reading = f"\r{40 + number / 100:.2f} uF\r"
    return rng.choice([reading, reading, reading + "n", reading + "x\r", reading + "z1", f"wnote {number}\r"])


def fitted_capacitors(visit: Any) -> int:
    return sum("run capacitor" in fitted["part"] for fitted in visit["replacements"])


def check_kept(folder: Path, visit: str, seen: Seen) -> None:
    """Compare the database with everything that was shown."""
    shown = run_for_json("visit", "show", visit, "--data", str(folder))
    kept = {row["id"]: (point["key"], row) for point in shown["points"] for row in point["readings"]}
    for uid, (key, text) in seen.readings.items():
        assert uid in kept, f"{text} at {key} is lost"
        assert (kept[uid][0], kept[uid][1]["text"]) == (key, text)
    assert all(kept[uid][1]["of_old_part"] for uid in seen.old)
    assert all(kept[uid][1]["voided"] for uid in seen.voided)
    ratings = {point["key"]: point["rating"] for point in shown["points"]}
    assert (ratings["herm"], ratings["fan"]) == ("45 µF ±6 %", "5 µF ±6 %")
    # The part and the stock are in one transaction. A daemon that goes on may fit a part between the two readings of
    # them, so the visit is read on both sides of the stock.
    (count,) = run_for_json("stock", "list", "--data", str(folder))
    later = run_for_json("visit", "show", visit, "--data", str(folder))
    assert LOADED - fitted_capacitors(later) <= count["count"] <= LOADED - fitted_capacitors(shown)
    states = {row["visit"]: row["state"] for row in run_for_json("visit", "list", "--data", str(folder))}
    assert states == {visit: "active"}
    assert {reading["text"] for _, reading in kept.values()} <= {f"{40 + n / 100:.2f} µF" for n in range(10_000)}


def begin(folder: Path) -> str:
    """Begin the visit and load the truck; return the visit's uid."""
    plan = folder / "plan.toml"
    plan.write_text(PLAN)
    data = ("--data", str(folder))
    place = ("--site", "Mill Lane bakery", "--unit", "Condenser 1")
    visit: str = run_for_json("visit", "begin", *place, "--plan", str(plan), *data)["visit"]
    assert run_command("visit", "rating", "herm", LABEL, *data).status == 0
    assert run_command("visit", "rating", "blower", "10 MFD 370V", *data).status == 0
    assert run_command("stock", "add", LABEL, "--count", str(LOADED), *data).status == 0
    return visit


@dataclass(slots=True)
class Kills:
    """The kills so far, by the process killed."""

    daemon: int = 0
    dashboard: int = 0


class Visit:
    """A visit whose daemon and dashboard are killed now and then."""

    def __init__(self, folder: Path, seed: int) -> None:
        self._folder = folder
        self._rng = Random(seed)
        self._number = 0
        self.seen = Seen()
        self.kills = Kills()
        self.dashboard = TerminalDashboard(folder)
        self.dashboard.owns_daemon = True

    async def work(self) -> None:
        """Press the keys of some actions; the last ones are still on their way at the end."""
        await go_on(self.dashboard, self.seen)
        for _ in range(self._rng.randint(2, 8)):
            self._number += 1
            self.dashboard.press(keys_of_a_person(self._rng, self._number))
            await asyncio.sleep(self._rng.uniform(0, 0.3))

    async def kill_one(self) -> None:
        """Kill the daemon or the dashboard; start again the one that a person starts."""
        dashboard, process, now = self.dashboard, self.seen.process, time.monotonic()
        recent = [death for death in dashboard.daemon_deaths if now - death < RESTART_PERIOD + 10]
        if process and len(recent) < MOST_RESTARTS and self._rng.random() < 0.6:
            os.kill(process, signal.SIGKILL)
            self.kills.daemon += 1
            dashboard.daemon_deaths.append(now)
            await until(lambda: self.seen.process != process)
            if dashboard.owns_daemon:
                await until(lambda: bool(self.seen.process))
                assert dashboard.is_running
                return
            assert not self.seen.process  # a dashboard that attached only has started none
        else:
            self.kills.dashboard += 1
        dashboard.kill()
        self.dashboard = TerminalDashboard(self._folder)
        self.dashboard.owns_daemon = not self.seen.process

    async def end(self) -> None:
        self.dashboard.kill()
        if self.seen.process:
            os.kill(self.seen.process, signal.SIGKILL)


async def watched(folder: Path, visit: Visit, body: Callable[[], Awaitable[None]]) -> None:
    watching = asyncio.create_task(keep_watching(folder, visit.seen))
    try:
        await body()
    finally:
        await visit.end()
        watching.cancel()
        await asyncio.gather(watching, return_exceptions=True)


@pytest.mark.fault("killed-daemon")
@pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are POSIX")
@pytest.mark.study(everyday=3, sample=5, full=50)  # kills
async def test_a_visit_survives_kill_minus_9_of_daemon_and_dashboard(
    tmp_path: Path, study_size: int, capsys: pytest.CaptureFixture[str]
) -> None:
    uid = await asyncio.to_thread(begin, tmp_path)
    visit = Visit(tmp_path, 20261127)

    async def body() -> None:
        for _ in range(study_size):
            await visit.work()
            await visit.kill_one()
            await asyncio.to_thread(check_kept, tmp_path, uid, visit.seen)
        await visit.work()

    await watched(tmp_path, visit, body)
    check_kept(tmp_path, uid, visit.seen)
    assert len(visit.seen.readings) >= study_size // 2
    with capsys.disabled():
        print(  # noqa: T201  # the figure is a result of this test
            f"\n{visit.kills.daemon} kills of the daemon and {visit.kills.dashboard} of the dashboard: all of"
            f" {len(visit.seen.readings)} readings, {len(visit.seen.old)} of old parts, {len(visit.seen.voided)} voided"
        )
