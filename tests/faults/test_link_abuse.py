"""Watchers that misuse the daemon's socket: floods, noise, silence, crowds, other accounts."""

import asyncio
import contextlib
import json
import logging
import os
import socket
import subprocess
import sys
from collections.abc import AsyncIterator, Iterator
from pathlib import Path

import pytest

from meterlink.core.errors import LinkError
from meterlink.link import client as clients
from meterlink.link import peer
from meterlink.link import server as servers
from meterlink.link.client import connect
from meterlink.link.daemon import ensure_daemon
from meterlink.link.endpoint import LONGEST_LINE, MOST_WATCHERS, parse_json_object, socket_path
from meterlink.link.fault_log import PERIOD, Fault, FaultLog
from meterlink.link.messages import Command, CommandName, CommandResult, Greeting, Topic
from meterlink.link.server import LinkServer
from support.hostile_lines import hostile_lines

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="Unix sockets")

# A server whose replies are as long as its commands, in a process of its own, which ends with its standard input.
ECHO_SERVER = """
import asyncio, sys
from pathlib import Path
from meterlink.link.messages import CommandResult
from meterlink.link.server import LinkServer

async def echo(command):
    return CommandResult(command["text"])

async def main():
    async with LinkServer(Path(sys.argv[1]), "van", "1", echo):
        print("serving", flush=True)
        await asyncio.to_thread(sys.stdin.read)

asyncio.run(main())
"""


@contextlib.contextmanager
def echo_server(folder: Path) -> Iterator[int]:
    """Run the server; yield its process."""
    with subprocess.Popen(
        [sys.executable, "-c", ECHO_SERVER, str(folder)], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == b"serving\n"
        try:
            yield process.pid
        finally:
            process.kill()


def peak_memory(process: int) -> int:
    """Return the peak of the resident memory of a process, in MB."""
    lines = Path(f"/proc/{process}/status").read_text().splitlines()
    return int(next(line.split()[1] for line in lines if line.startswith("VmHWM:"))) // 1024


@contextlib.asynccontextmanager
async def raw_connection(folder: Path) -> AsyncIterator[tuple[asyncio.StreamReader, asyncio.StreamWriter]]:
    reader, writer = await asyncio.open_unix_connection(str(socket_path(folder)), limit=LONGEST_LINE)
    try:
        await reader.readline()
        yield reader, writer
    finally:
        writer.transport.abort()
        with contextlib.suppress(ConnectionError):
            await writer.wait_closed()


@pytest.mark.fault("client-never-reads")
@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="/proc")
async def test_a_watcher_that_sends_long_commands_and_never_reads_costs_no_memory(tmp_path: Path) -> None:
    line = json.dumps({"id": 1, "command": "note", "text": "x" * 900_000}).encode() + b"\n"
    with echo_server(tmp_path) as process, socket.socket(socket.AF_UNIX) as flooder:
        other = await connect(tmp_path)
        before = peak_memory(process)
        flooder.connect(str(socket_path(tmp_path)))
        flooder.setblocking(False)
        unsent, stuck = line * 400, 0
        # Each answer to the other watcher is a round of the server: it had its time to take more.
        while unsent and stuck < 50:
            with contextlib.suppress(BlockingIOError):
                unsent = unsent[flooder.send(unsent) :]
                stuck = 0
            stuck += 1
            assert await other.send(CommandName.NOTE, text="still here") == "still here"
        grown = peak_memory(process) - before
        await other.close()
    # It holds a line that is read, one that waits behind it, a reply, and copies of them while they are parsed.
    assert grown < 20


@pytest.mark.fault("client-never-reads")
async def test_a_watcher_that_does_not_read_is_disconnected_and_named_in_the_log(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(servers, "PEER_TIMEOUT", 0.01)

    async def echo(command: Command) -> CommandResult:
        return CommandResult(command["text"])

    async with LinkServer(tmp_path, "van", "1", echo), raw_connection(tmp_path) as (_, writer):
        writer.transport.pause_reading()  # type: ignore[attr-defined]  # of a socket
        with contextlib.suppress(ConnectionError):
            while True:
                writer.write(json.dumps({"id": 1, "command": "note", "text": "x" * 500_000}).encode() + b"\n")
                await writer.drain()
    assert "Disconnected a watcher that did not read" in caplog.text


@pytest.mark.fault("random-lines")
@pytest.mark.study(everyday=2_000, sample=10_000, full=100_000)
def test_random_lines_leave_no_traceback_and_the_daemon_goes_on(tmp_path: Path, study_size: int) -> None:
    log = tmp_path / "log"
    with log.open("wb") as stderr:
        daemon = subprocess.Popen(
            [sys.executable, "-m", "meterlink", "run", "--data", str(tmp_path / "data")], stderr=stderr
        )
        try:
            asyncio.run(_send_hostile_lines(tmp_path / "data", study_size))
        finally:
            daemon.terminate()
            daemon.wait()
    text = log.read_text(encoding="utf-8", errors="replace")
    assert daemon.returncode == 0
    assert "Traceback" not in text
    assert "fault in Meterlink" not in text
    # A line at the start for each of the faults, and at most one a minute after it.
    assert text.count("no command") + text.count("failed") < 20


async def _send_hostile_lines(folder: Path, number: int) -> None:
    async with asyncio.timeout(60):
        while not socket_path(folder).exists():  # noqa: ASYNC110  # another process has no event
            await asyncio.sleep(0.05)
    client = await connect(folder)
    begin = {"site": "Mill Lane bakery", "unit": "Condenser 1", "plan": "split-condenser"}
    assert await client.send(CommandName.BEGIN_VISIT, **begin) == ""
    async with raw_connection(folder) as (reader, writer):
        for line in hostile_lines(number, seed=1):
            if line.isspace():
                continue
            writer.write(line)
            while (message := parse_json_object(await reader.readline())).get("topic") != Topic.REPLY:
                assert message, f"disconnected after {line[:200]!r}"
            assert "This is a fault in Meterlink" not in message["error"], f"{line[:200]!r}: {message['error']}"
    assert await client.send(CommandName.BEGIN_VISIT, **begin | {"unit": "Condenser 2"}) == ""
    await client.close()


async def test_a_command_that_fails_inside_is_answered_and_logged_in_one_line(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    async def fail(_command: Command) -> CommandResult:
        raise OverflowError("of a private text")

    caplog.set_level(logging.INFO)
    async with LinkServer(tmp_path, "van", "1", fail):
        client = await connect(tmp_path)
        for _ in range(100):
            error = await client.send(CommandName.NEXT)
            assert error.startswith("The command failed: OverflowError in test_link_abuse.py, line ")
        await client.close()
    first, last = caplog.messages
    assert first.startswith("A command failed: OverflowError in test_link_abuse.py")
    assert last == "Left out: 99 more watchers' faults of the kind 'command failed'."
    assert "private" not in caplog.text


@pytest.mark.fault("random-lines")
def test_the_log_has_one_line_a_minute_with_the_number_of_those_left_out(caplog: pytest.LogCaptureFixture) -> None:
    now = 0.0
    faults = FaultLog(lambda: now)
    for _ in range(500):
        faults.add(Fault.NO_COMMAND, "Noise")
    now = PERIOD
    faults.add(Fault.NO_COMMAND, "Noise")
    faults.add(Fault.SILENT, "Silence")
    faults.close()
    assert caplog.messages == ["Noise.", "Noise; 499 more like it came before.", "Silence."]


@pytest.mark.parametrize(
    "line",
    [
        b"[" * 100_000, b'{"a":' * 100_000, b'{"id":1,"text":"\\ud800"}', b'{"id":1,"text":"\xed\xa0\x80"}',
        b'{"id":9223372036854775808}', b'{"id":NaN}', b'{"id":1e999}', b'{"id":-Infinity}',
        '{"id":1}'.encode("utf-16"), b"", b"7",
        b'{"id":' + b"9" * 5_000 + b"}", b'{"id":1,"text":' + b"[" * 400 + b"]" * 400 + b"}",
    ],
    ids=lambda line: line[:20].decode("ascii", "replace"),
)  # fmt: skip
def test_what_is_no_command_is_an_empty_object(line: bytes) -> None:
    assert parse_json_object(line) == {}


def test_a_pair_of_surrogates_is_a_character() -> None:
    assert parse_json_object(b'{"text":"\\ud83d\\ude00"}') == {"text": "\N{GRINNING FACE}"}


@pytest.mark.fault("client-never-reads")
async def test_a_long_reply_is_replaced_by_an_error(tmp_path: Path) -> None:
    async def long_reply(_command: Command) -> CommandResult:
        return CommandResult(data={"rows": "x" * LONGEST_LINE})

    async with LinkServer(tmp_path, "van", "1", long_reply):
        client = await connect(tmp_path)
        assert await client.send(CommandName.NEXT) == "The reply is too long to be sent."
        await client.close()


@pytest.mark.fault("random-lines")
async def test_a_flood_of_lines_does_not_keep_others_waiting(tmp_path: Path) -> None:
    carried_out = 0

    async def count(command: Command) -> CommandResult:
        nonlocal carried_out
        carried_out += command["command"] == "repeat"
        return CommandResult()

    async with LinkServer(tmp_path, "van", "1", count), raw_connection(tmp_path) as (_, writer):
        client = await connect(tmp_path)
        writer.write(b"\n" * 100_000 + b'{"id":1,"command":"repeat"}\n' * 20_000)
        for _ in range(20):
            assert await client.send(CommandName.NEXT) == ""
        # One line of each watcher is read in a turn of the loop; a roundtrip of the other takes a few turns.
        assert carried_out < 2_000
        await client.close()


@pytest.mark.fault("silent-client")
async def test_a_silent_watcher_is_disconnected(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(servers, "IDLE_TIMEOUT", 0.01)
    async with LinkServer(tmp_path, "van", "1", _nothing), raw_connection(tmp_path) as (reader, _):
        assert await reader.read() == b""
    assert "Disconnected a watcher that was silent" in caplog.text


async def test_a_command_that_takes_long_is_not_silence(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(servers, "IDLE_TIMEOUT", 0.01)

    async def slow(_command: Command) -> CommandResult:
        await asyncio.sleep(0.05)  # any time above the limit
        return CommandResult("done")

    async with LinkServer(tmp_path, "van", "1", slow):
        reader, writer = await asyncio.open_unix_connection(str(socket_path(tmp_path)))
        writer.write(b'{"id":1,"command":"next"}\n')
        await reader.readline()
        assert json.loads(await reader.readline())["error"] == "done"
        writer.close()
        await writer.wait_closed()


async def test_a_client_says_that_it_is_alive(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(clients, "HEARTBEAT", 0.0)
    lines: asyncio.Queue[bytes] = asyncio.Queue()

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.write(json.dumps(Greeting(topic=Topic.GREETING, protocol=1, version="1", process=1, station="van",
                                         data=str(tmp_path))).encode() + b"\n")  # fmt: skip
        for _ in range(3):
            lines.put_nowait(await reader.readline())
        writer.close()

    async with await asyncio.start_unix_server(serve, str(socket_path(tmp_path))):
        client = await connect(tmp_path)
        assert [await lines.get() for _ in range(3)] == [b"\n"] * 3
        await client.close()


@pytest.mark.fault("silent-client")
async def test_a_crowd_is_refused_with_a_sentence_and_a_place_becomes_free(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    async with LinkServer(tmp_path, "van", "1", _nothing), contextlib.AsyncExitStack() as crowd:
        for _ in range(MOST_WATCHERS - 1):
            await crowd.enter_async_context(raw_connection(tmp_path))
        last = await connect(tmp_path)
        with pytest.raises(LinkError, match=f"{MOST_WATCHERS} dashboards and commands are connected"):
            await connect(tmp_path)
        await last.close()
        async with asyncio.timeout(30):
            while True:
                with contextlib.suppress(LinkError):
                    await (await connect(tmp_path)).close()
                    break
    assert "Refused a watcher: 32 dashboards" in caplog.text


@pytest.mark.fault("another-account")
async def test_a_connection_of_another_account_gets_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(servers, "peer_account", lambda _connection: os.getuid() + 1)
    async with LinkServer(tmp_path, "van", "1", _nothing):
        reader, writer = await asyncio.open_unix_connection(str(socket_path(tmp_path)))
        assert await reader.read() == b""
        writer.close()
        await writer.wait_closed()
    assert f"Refused a connection from the account with number {os.getuid() + 1}" in caplog.text


@pytest.mark.fault("another-account")
async def test_a_socket_on_which_another_account_listens_is_not_used(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async with LinkServer(tmp_path, "van", "1", _nothing):
        monkeypatch.setattr(clients, "peer_account", lambda _connection: os.getuid() + 1)
        with pytest.raises(LinkError, match="is not its owner's"):
            await connect(tmp_path)


def test_the_account_of_a_peer_is_told_on_linux_and_macos() -> None:
    class Socket:
        def __init__(self, contents: bytes) -> None:
            self.contents = contents

        def getsockopt(self, level: int, option: int, length: int) -> bytes:
            assert len(self.contents) == length, (level, option)
            return self.contents

    # Process 4711, account 1000, group 100.
    linux = (4711).to_bytes(4, sys.byteorder) + (1000).to_bytes(4, sys.byteorder) + (100).to_bytes(4, sys.byteorder)
    # Version 0, account 501, two groups of sixteen.
    macos = bytes(4) + (501).to_bytes(4, sys.byteorder) + (2).to_bytes(2, sys.byteorder) + bytes(2 + 64)
    assert peer.peer_account(Socket(linux), "linux") == 1000
    assert peer.peer_account(Socket(macos), "darwin") == 501
    assert peer.peer_account(Socket(b""), "win32") is None


@pytest.mark.skipif(sys.platform != "linux", reason="SO_PEERCRED")
def test_both_ends_of_a_real_socket_are_this_accounts() -> None:
    for end in socket.socketpair(socket.AF_UNIX):
        assert peer.peer_account(end) == os.getuid()
        end.close()


def test_the_administrator_and_the_account_itself_are_trusted() -> None:
    other = os.getuid() + 1
    assert peer.is_trusted(os.getuid())
    assert peer.is_trusted(0)
    assert peer.is_trusted(other, other)
    assert not peer.is_trusted(other)


async def test_the_daemon_survives_a_dashboard_that_is_killed_in_the_middle_of_a_line(tmp_path: Path) -> None:
    async with ensure_daemon(tmp_path) as daemon:
        async with raw_connection(tmp_path) as (_, writer):
            writer.write(b'{"id":1,"comm')
        client = await daemon.connect()
        assert await client.send(CommandName.NEXT) == ""
        await client.close()


async def _nothing(_command: Command) -> CommandResult:
    return CommandResult()
