"""An upgrade while the daemon of an older version runs: noticed by each command, and said with the remedy."""

import asyncio
from pathlib import Path

import pytest

from meterlink.core.version import VERSION
from meterlink.link.messages import Command, CommandResult
from meterlink.link.server import LinkServer
from support.commands import CommandResult as CommandOutput
from support.commands import run_command
from support.kept_records import keep_record

OLDER = "0.0.9"


def at_older_daemon(folder: Path, version: str, *args: str) -> CommandOutput:
    """Run a command beside a daemon of another version; return its status and its output."""

    async def obey(command: Command) -> CommandResult:
        if command["command"] == "note":
            return CommandResult()
        return CommandResult(f"There is no command {command['command']!r}.", exit_code=2)

    async def run() -> CommandOutput:
        async with LinkServer(folder, "van", version, obey):
            return await asyncio.to_thread(run_command, *args, "--data", str(folder))

    return asyncio.run(run())


def test_a_command_that_the_older_daemon_carries_out_says_so(tmp_path: Path) -> None:
    status, out, err = at_older_daemon(tmp_path, OLDER, "visit", "note", "fan replaced")
    assert status == 0
    assert err.startswith(f"The daemon is version {OLDER}, this program {VERSION}. This command is the daemon's work")
    assert "systemctl restart meterlink, or end `meterlink run` and run it again." in err
    assert OLDER not in out


def test_a_command_that_it_does_not_know_is_refused_after_the_reason(tmp_path: Path) -> None:
    status, _, err = at_older_daemon(tmp_path, OLDER, "site", "rename", "A", "B")
    assert status == 2
    assert err.index("The daemon is version") < err.index("There is no command 'rename_site'")


def test_the_same_version_says_nothing(tmp_path: Path) -> None:
    assert at_older_daemon(tmp_path, VERSION, "visit", "note", "fan replaced").err == ""


@pytest.mark.parametrize("protocol", [0, 99])
def test_a_daemon_of_another_protocol_is_named_with_what_still_works(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, protocol: int
) -> None:
    monkeypatch.setattr("meterlink.link.server.PROTOCOL_VERSION", protocol)
    keep_record(tmp_path / "meterlink.db")
    status, _, err = at_older_daemon(tmp_path, OLDER, "visit", "note", "fan replaced")
    assert status == 1
    assert f"(version {OLDER}, process " in err
    assert "as history, report and backup, work meanwhile" in err
    status, out, err = at_older_daemon(tmp_path, OLDER, "history")
    assert (status, err) == (0, "")
    assert out


def test_the_version_of_a_daemon_controls_no_terminal(tmp_path: Path) -> None:
    err = at_older_daemon(tmp_path, "9\x1b[2J", "visit", "note", "fan replaced").err
    assert "\x1b" not in err
