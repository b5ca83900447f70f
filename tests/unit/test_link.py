"""The local socket: real sockets in a temporary folder, both transports."""

import asyncio
import contextlib
import gc
import json
import stat
import sys
from pathlib import Path
from typing import Any, cast

import pytest

from meterlink.core.errors import LinkError
from meterlink.core.notices import NoticeLevel
from meterlink.link.client import NoDaemonError, connect
from meterlink.link.daemon import ensure_daemon
from meterlink.link.endpoint import socket_path
from meterlink.link.messages import Command, CommandName, CommandResult, Message, NoticeView, Topic
from meterlink.link.server import LinkServer


def notice(text: str) -> Message:
    return NoticeView(topic=Topic.NOTICE, level=NoticeLevel.INFO, text=text)


class Station:
    def __init__(self) -> None:
        self.commands: list[Command] = []

    async def carry_out(self, command: Command) -> CommandResult:
        self.commands.append(command)
        if command["command"] == "enter":
            return CommandResult(accepted=7)
        return CommandResult("no such point" if command.get("point") == "nowhere" else "")


def serve(folder: Path, station: Station | None = None, *, tcp: bool = False) -> LinkServer:
    return LinkServer(folder, "van", "1.2.3", (station or Station()).carry_out, tcp=tcp)


def remove_files(folder: Path) -> int:
    """Remove the files of a folder; return their number."""
    files = list(folder.iterdir())
    for file in files:
        file.unlink()
    return len(files)


both = pytest.mark.parametrize("tcp", [False, True], ids=["unix", "tcp"])


@both
async def test_a_watcher_gets_the_greeting_the_newest_message_and_later_ones(tmp_path: Path, tcp: bool) -> None:
    async with serve(tmp_path, tcp=tcp) as server:
        server.publish(notice("before"))
        client = await connect(tmp_path)
        assert client.greeting["station"] == "van"
        assert client.greeting["data"] == str(tmp_path)
        messages = aiter(client)
        assert await anext(messages) == notice("before")
        server.publish(notice("after"))
        assert await anext(messages) == notice("after")
        await client.close()


@both
async def test_commands_are_answered(tmp_path: Path, tcp: bool) -> None:
    station = Station()
    async with serve(tmp_path, station, tcp=tcp):
        client = await connect(tmp_path)
        assert await client.send(CommandName.ACTIVATE, point="herm") == ""
        assert await client.send(CommandName.ACTIVATE, point="nowhere") == "no such point"
        assert await asyncio.gather(*(client.send(CommandName.NEXT) for _ in range(20))) == [""] * 20
        assert station.commands[0]["command"] == "activate"
        await client.close()


@pytest.mark.fault("database-removed")
@both
async def test_a_socket_that_was_removed_is_opened_again_and_its_watchers_stay(tmp_path: Path, tcp: bool) -> None:
    """Somebody removed the data folder under a daemon, and the record has been written again."""
    async with serve(tmp_path, tcp=tcp) as server:
        await server.open_again()  # nothing to do
        before = await connect(tmp_path)
        remove_files(tmp_path)
        with pytest.raises(NoDaemonError):
            await connect(tmp_path)
        await server.open_again()
        after = await connect(tmp_path)
        server.publish(notice("to both"))
        for client in (before, after):
            assert await anext(aiter(client)) == notice("to both")
            assert await client.send(CommandName.NEXT) == ""
            await client.close()
    assert remove_files(tmp_path) == 0


@pytest.mark.fault("database-removed")
@both
@pytest.mark.parametrize("is_cancelled", [False, True])
async def test_a_station_that_ends_while_its_socket_is_opened_again_leaves_none(
    tmp_path: Path, tcp: bool, is_cancelled: bool
) -> None:
    async with serve(tmp_path, tcp=tcp) as server:
        remove_files(tmp_path)
        opening = asyncio.create_task(server.open_again())
        await asyncio.sleep(0)  # it has begun
        assert not opening.done()
        if is_cancelled:
            opening.cancel()
    await asyncio.wait({opening})
    assert opening.cancelled() == is_cancelled
    assert remove_files(tmp_path) == 0
    assert len(asyncio.all_tasks()) == 1
    gc.collect()  # an open socket would be a warning


@both
async def test_a_folder_that_cannot_be_written_to_is_named(tmp_path: Path, tcp: bool) -> None:
    with pytest.raises(LinkError, match="cannot be opened: No such file or directory"):
        async with serve(tmp_path / "missing", tcp=tcp):
            pass
    gc.collect()


@pytest.mark.fault("another-account")
async def test_the_socket_is_the_owners_alone(tmp_path: Path) -> None:
    async with serve(tmp_path):
        assert stat.S_IMODE(socket_path(tmp_path).stat().st_mode) == 0o600
    assert not socket_path(tmp_path).exists()


@pytest.mark.fault("another-account")
async def test_the_token_file_is_the_owners_alone_and_a_wrong_token_gets_nothing(tmp_path: Path) -> None:
    async with serve(tmp_path, tcp=True):
        token_file = tmp_path / "station.link"
        assert stat.S_IMODE(token_file.stat().st_mode) == 0o600
        port = json.loads(token_file.read_text())["port"]
        for attempt in (b'{"token":"wrong"}\n', b'{"token":7}\n', b"[]\n", b"\n", b"\xff\n"):
            reader, writer = await asyncio.open_connection("127.0.0.1", port)
            writer.write(attempt)
            assert await reader.read() == b""
            writer.close()
            await writer.wait_closed()
    assert not token_file.exists()


async def test_a_folder_with_a_very_long_name_has_its_socket_elsewhere(tmp_path: Path) -> None:
    folder = tmp_path / ("long" * 30)
    folder.mkdir()
    async with serve(folder):
        assert socket_path(folder).parent != folder
        assert stat.S_IMODE(socket_path(folder).parent.stat().st_mode) == 0o700
        client = await connect(folder)
        await client.close()


async def test_a_dead_daemons_socket_is_replaced(tmp_path: Path) -> None:
    first = serve(tmp_path)
    await first.__aenter__()
    socket_path(tmp_path).rename(tmp_path / "kept")
    await first.__aexit__(None, None, None)
    (tmp_path / "kept").rename(socket_path(tmp_path))
    async with serve(tmp_path):
        await (await connect(tmp_path)).close()


async def test_no_daemon_has_a_plain_error(tmp_path: Path) -> None:
    with pytest.raises(LinkError, match="No daemon runs"):
        await connect(tmp_path)


@pytest.mark.fault("other-version")
async def test_another_version_is_refused_with_its_version(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    async with serve(tmp_path):
        monkeypatch.setattr("meterlink.link.client.PROTOCOL_VERSION", 99)
        with pytest.raises(LinkError, match=r"1\.2\.3"):
            await connect(tmp_path)


async def test_a_stopped_daemon_ends_the_messages_and_refuses_commands(tmp_path: Path) -> None:
    async with serve(tmp_path) as server:
        client = await connect(tmp_path)
        messages = aiter(client)
        server.publish(notice("last"))
        assert await anext(messages) == notice("last")
    with pytest.raises(StopAsyncIteration):
        await anext(messages)
    with pytest.raises(LinkError, match="has stopped"):
        await client.send(CommandName.NEXT)
    await client.close()


async def test_a_command_under_way_when_the_daemon_stops_is_refused(tmp_path: Path) -> None:
    received = asyncio.Event()

    async def never(_command: Command) -> CommandResult:
        received.set()
        await asyncio.Event().wait()
        return CommandResult()

    async with LinkServer(tmp_path, "van", "1", never):
        client = await connect(tmp_path)
        sending = asyncio.create_task(client.send(CommandName.NEXT))
        await received.wait()
    with pytest.raises(LinkError):
        await sending
    await client.close()


@pytest.mark.fault("message-flood")
async def test_a_slow_watcher_gets_the_newest_and_blocks_nobody(tmp_path: Path) -> None:
    async with serve(tmp_path) as server:
        slow, quick = await connect(tmp_path), await connect(tmp_path)
        messages = aiter(quick)
        # Far more than the socket buffers hold: the slow watcher reads only at the end.
        for number in range(2_000):
            server.publish(notice(f"{number} {'x' * 5_000}"))
            if number % 100 == 0:
                await asyncio.sleep(0)
        while not cast("dict[str, Any]", await anext(messages))["text"].startswith("1999 "):
            pass
        async for message in slow:
            if cast("dict[str, Any]", message)["text"].startswith("1999 "):
                break
        await slow.close()
        await quick.close()


@pytest.mark.parametrize(
    "line",
    [b"nonsense\n", b"[1,2]\n", b'{"id":"x"}\n', b"\xff\xfe\n", b"{" * 5_000 + b"\n"],
)
async def test_nonsense_gets_an_error_and_is_no_command(tmp_path: Path, line: bytes) -> None:
    station = Station()
    async with serve(tmp_path, station):
        reader, writer = await asyncio.open_unix_connection(str(socket_path(tmp_path)))
        await reader.readline()
        writer.write(line)
        assert json.loads(await reader.readline())["error"]
        assert not station.commands
        writer.close()
        await writer.wait_closed()


async def test_a_line_without_end_closes_the_connection(tmp_path: Path) -> None:
    async with serve(tmp_path):
        reader, writer = await asyncio.open_unix_connection(str(socket_path(tmp_path)))
        await reader.readline()
        with contextlib.suppress(ConnectionError):
            for _ in range(40):
                writer.write(b"x" * 100_000)
                await writer.drain()
        with contextlib.suppress(ConnectionError):
            assert await reader.read() == b""
        writer.close()


async def test_an_unchanged_message_is_not_sent_again(tmp_path: Path) -> None:
    async with serve(tmp_path) as server:
        client = await connect(tmp_path)
        server.publish(notice("same"))
        server.publish(notice("same"))
        messages = aiter(client)
        assert await anext(messages) == notice("same")
        server.publish(notice("same"))
        server.publish(notice("other"))
        assert await anext(messages) == notice("other")
        await client.close()


async def test_ensure_daemon_starts_and_stops_a_daemon(tmp_path: Path) -> None:
    async with ensure_daemon(tmp_path):
        client = await connect(tmp_path)
        async with ensure_daemon(tmp_path):  # a daemon runs already, so this starts and stops none
            pass
        assert await client.send(CommandName.NEXT) == ""
        await client.close()
    with pytest.raises(LinkError):
        await connect(tmp_path)


async def test_a_daemon_that_cannot_start_says_why(tmp_path: Path) -> None:
    (tmp_path / "settings.toml").write_text("nonsense = true\nstation = 3\n")
    with pytest.raises(LinkError) as caught:
        async with ensure_daemon(tmp_path):
            pass
    first, second = caught.value.message.splitlines()
    path = tmp_path / "settings.toml"
    assert first.startswith(f"The station's daemon did not start. meterlink: {path}:1:1: nonsense: 'nonsense' is not")
    assert second.startswith(f"{path}:2:1: station: 3 is not text.")


@pytest.mark.skipif(sys.platform == "win32", reason="file modes")
async def test_an_unwritable_folder_has_a_plain_error(tmp_path: Path) -> None:
    with pytest.raises(LinkError, match="cannot be opened"):
        async with serve(tmp_path / "missing"):
            pass


@both
async def test_a_reply_carries_the_id_of_the_accepted_reading(tmp_path: Path, tcp: bool) -> None:
    async with serve(tmp_path, tcp=tcp):
        client = await connect(tmp_path)
        reply = await client.request(CommandName.ENTER, text="4.70 uF")
        assert (reply["error"], reply["accepted"]) == ("", 7)
        reply = await client.request(CommandName.ACTIVATE, point="nowhere")
        assert (reply["error"], reply["accepted"]) == ("no such point", None)
        await client.close()


async def test_the_remedy_for_a_missing_daemon_names_its_folder(tmp_path: Path) -> None:
    folder = tmp_path / "van 3"
    folder.mkdir()
    with pytest.raises(NoDaemonError) as caught:
        await connect(folder)
    assert caught.value.remedy == f"Start it with: meterlink run --data '{folder}'"
