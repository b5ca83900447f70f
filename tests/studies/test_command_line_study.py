"""Command lines with mistakes: no traceback, a status that is documented, an error that names its object, no damage."""

import json
import logging
import re
import sqlite3
import unicodedata
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager, closing, suppress
from hashlib import sha256
from itertools import pairwise
from pathlib import Path
from random import Random
from typing import Any

import pytest

from meterlink.ble.discovery import Discovery
from meterlink.core.errors import InputError
from meterlink.core.text import clean_text
from meterlink.core.units import parse_amount
from meterlink.link.client import NoDaemonError
from meterlink.link.daemon import AttachedDaemon
from meterlink.station.recording import CaptureCounts, CaptureRecorder
from support.command_lines import LineWriter, command_of, commands, prepare, valid_lines
from support.commands import CommandResult, run_command

STATUSES = {0, 1, 2, 3}  # done; a foreseen failure outside the input; the input cannot be used; a question
_PROBLEM = re.compile(r".+:\d+:\d+: .+|and \d+ more\.")
_UNSAFE = re.compile("[\x00-\x08\x0b-\x1f\x7f\u202a-\u202e\u2066-\u2069]")
_WORD = re.compile(r"[A-Za-z0-9µΩ]{2,}|[0-9]")


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The folder of the commands, their data folder, too; radio, daemon, screen and demo are stubbed at their edge."""
    inside = tmp_path / "inside"
    inside.mkdir()
    prepare(inside)
    monkeypatch.chdir(inside)
    monkeypatch.setenv("METERLINK_DATA", str(inside))

    async def do_nothing(*_args: object, **_options: object) -> None:
        pass

    async def record_nothing(*_args: object, **_options: object) -> CaptureCounts:
        return CaptureCounts()

    @asynccontextmanager
    async def no_daemon(folder: Path) -> AsyncIterator[AttachedDaemon]:
        yield AttachedDaemon(folder)

    async def draw_nothing(*_args: object, **_options: object) -> str:
        return "<svg></svg>"

    def play_nothing(*_args: object, **_options: object) -> None:
        pass

    @asynccontextmanager
    async def no_station(folder: Path, _boot_id: str) -> AsyncIterator[None]:
        raise NoDaemonError(f"No daemon runs on {folder}.", "This study starts none.")
        yield

    monkeypatch.setattr("meterlink.station.offline.station_without_radio", no_station)
    monkeypatch.setattr(Discovery, "scan", do_nothing)
    monkeypatch.setattr(Discovery, "__aenter__", _return)
    monkeypatch.setattr(Discovery, "__aexit__", do_nothing)
    monkeypatch.setattr(CaptureRecorder, "run", record_nothing)
    monkeypatch.setattr("meterlink.cli.run.run_until_signalled", do_nothing)
    monkeypatch.setattr("meterlink.link.daemon.ensure_daemon", no_daemon)
    monkeypatch.setattr("meterlink_tui.app.run_dashboard", do_nothing)
    monkeypatch.setattr("meterlink_tui.picture.take_picture", draw_nothing)
    for play in ("_play_headless", "_play_served", "_play_on_screen"):
        monkeypatch.setattr(f"meterlink_simulators.command.{play}", play_nothing)
    monkeypatch.setattr(logging, "basicConfig", play_nothing)
    return inside


async def _return(value: Any) -> Any:
    return value


STUBBED = {
    "enter",
    "answer",
    "visit",
    "unit",
    "site",
    "stock",
    "meter",
    "find",
    "capture",
    "seal",
    "status",
    "check",
    "service",
    "outbox",
}


def test_every_command_has_a_valid_line(folder: Path) -> None:
    assert {command_of(line).names for line in valid_lines()} == {command.names for command in commands()}
    for line in valid_lines():
        status, _, err = run_command(*line)
        # The edge is stubbed: no station hears a command, no meter is in range of `find`, `capture`.
        is_stubbed = line[0] in STUBBED
        has_answer = line[0] in {"judge", "verify"}  # a question, or a seal of another key
        has_share = line[0] == "decode"  # of the packets that the profile reads
        expected = {0, 1, 2} if is_stubbed else {0, 3} if has_answer else {0, 1} if has_share else {0}
        assert status in expected, (line, err)


@pytest.mark.study(everyday=100, sample=500, full=10_000)
def test_no_mistake_makes_a_traceback_or_damage(folder: Path, study_size: int) -> None:
    before = _digests(folder)
    for number in range(study_size):
        args = LineWriter(Random(number)).draw()
        try:
            check_result(args, run_command(*args))
        except BaseException as error:
            raise AssertionError(f"line {number}: meterlink {list(args)}: {error!r}") from error
        if number % 50 == 0 or number == study_size - 1:
            after = _digests(folder)
            damaged = [name for name, digest in before.items() if after.get(name) != digest]
            assert not damaged, (number, args)
            with closing(sqlite3.connect(folder / "meterlink.db")) as database:
                assert database.execute("PRAGMA integrity_check").fetchall() == [("ok",)], (number, args)


def check_result(args: Sequence[str], result: CommandResult) -> None:
    """Assert what holds for every command line, whatever is typed."""
    status, out, err = result
    assert status in STATUSES, result
    assert "Traceback" not in out + err
    assert not _UNSAFE.search(err), "it prints control characters"
    asks_for_help = out.startswith("Usage: ")
    valued = command_of(args).valued
    is_flag = any(arg == "--json" and before not in valued for before, arg in pairwise(args))
    if is_flag and status in {0, 3} and not asks_for_help:
        for text in (out,) if out.startswith(("{\n", "[\n", "[]")) else out.splitlines():
            json.loads(text, parse_constant=lambda name: pytest.fail(f"{name} is not JSON"))
    if status != 2:
        return
    assert out == "", "an error has no output"
    # Problems of a file, an error, or both: a plan with warnings only can be used, an answer to it may yet be wrong.
    errors = [line for line in err.splitlines() if not _PROBLEM.fullmatch(line)]
    assert err, "it says nothing"
    assert len(errors) <= 1, err
    assert all(line.startswith("meterlink: ") for line in errors), err
    printed = unicodedata.normalize("NFC", err).replace("–", "-")
    assert any(
        clue in text for clue in clues(args) for text in (printed, printed.replace(" ", "").replace("µ", "u"))
    ), err


def clues(args: Sequence[str]) -> set[str]:
    """Return the texts of which an error must have one: words of the line, and names of the command's parameters.

    An amount counts in the spelling that every error has: ``5UF`` is 5 µF, ``00uF`` is 0 µF, ``-300C`` is -300 °C.
    """
    command = command_of(args)
    words = set()
    for arg in args:
        # A text of signs only is quoted whole.
        option, equals, value = arg.partition("=")
        words |= {word[:8] for word in _WORD.findall(clean_text(arg, 4000))} or {arg}
        words |= {repr(arg), repr(value), option if equals else arg, value or arg}
        with suppress(InputError):
            words.add(str(parse_amount(value or arg)))
    if command.names[0] in {"watch", "demo"}:
        words.add("needs a terminal")
    return words | set(command.valued) | set(command.bare) | {name.strip("[].") for name in command.metavars}


def _digests(folder: Path) -> dict[str, str]:
    """Return the digests of the files that no command of the study may change; the database is checked by itself."""
    files = [
        path for path in folder.rglob("*") if path.is_file() and not path.name.startswith(("meterlink.db", "new."))
    ]
    return {str(path.relative_to(folder)): sha256(path.read_bytes()).hexdigest() for path in files}
