"""``meterlink outbox`` beside a station that publishes to a real broker."""

import asyncio
import contextlib
import os
import signal
from collections.abc import AsyncIterator, Awaitable, Callable
from pathlib import Path

import pytest

from meterlink.ble.connection import ReceivedPacket
from meterlink.core.errors import DatabaseMovedError
from meterlink.settings import DATABASE_FILE, MqttSettings, Settings
from meterlink.station.station import Station, StationConfig
from meterlink.store.reader import Reader
from support.broker_messages import store_messages
from support.commands import run_command, run_for_json
from support.mosquitto_broker import (
    MOSQUITTO,
    OUTER_TIMEOUT,
    MosquittoBroker,
    ReceivedMessages,
    running_broker,
    running_consumer,
)
from support.tools import skip_without_tool


@pytest.fixture(autouse=True)
def _with_a_broker() -> None:
    if MOSQUITTO is None:
        skip_without_tool("mosquitto")


class Silence:
    """Stands in the radio's place."""

    async def run(self, _put: Callable[[ReceivedPacket], None], _wait: Callable[[], Awaitable[None]]) -> None:
        await asyncio.Event().wait()


@contextlib.asynccontextmanager
async def running_station(folder: Path, port: int) -> AsyncIterator[asyncio.Task[None]]:
    settings = Settings("van", mqtt=MqttSettings("127.0.0.1", port, tls=False))
    station = Station(StationConfig(folder, settings, None, None, "boot", packet_source=Silence()))
    running = asyncio.create_task(station.run())
    try:
        async with asyncio.timeout(OUTER_TIMEOUT):
            await station.started.wait()
        yield running
    finally:
        station.stop()
        await running


async def until(folder: Path, name: str, number: int) -> None:
    """Wait until so many rows are counted under ``name``; another thread writes them."""
    async with asyncio.timeout(OUTER_TIMEOUT):
        while (await asyncio.to_thread(Reader(folder / DATABASE_FILE).counts))[name] != number:  # noqa: ASYNC110
            await asyncio.sleep(0.01)


def write_rules(path: Path, *topics: str) -> None:
    path.write_text("".join(f"topic readwrite {topic}\n" for topic in (*topics, "meterlink/van/state")))
    path.chmod(0o600)


async def reload_rules(broker: MosquittoBroker) -> None:
    assert broker.process is not None
    broker.process.send_signal(signal.SIGHUP)
    async with asyncio.timeout(OUTER_TIMEOUT):
        while not any("Reloading" in line for line in broker.log):  # noqa: ASYNC110 - read by another task
            await asyncio.sleep(0.01)


@pytest.mark.fault("message-denied")
async def test_refused_messages_are_published_once_the_rules_are_mended(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    folder, rules = tmp_path / "data", tmp_path / "rules"
    folder.mkdir()
    monkeypatch.setenv("METERLINK_DATA", str(folder))
    store_messages(folder / DATABASE_FILE, 80, {})
    write_rules(rules)
    async with running_broker(tmp_path, f"acl_file {rules}") as mosquitto, running_station(folder, mosquitto.port):
        await until(folder, "rejected_messages", 80)
        listed = await asyncio.to_thread(run_for_json, "outbox", "list")
        assert len(listed) == 80
        assert {message["reason"] for message in listed} == {"Not authorized"}
        assert sum("denied" in record.message for record in caplog.records) == 1, "80 denials are one line"
        write_rules(rules, "meterlink/#")
        await reload_rules(mosquitto)
        received = ReceivedMessages()
        async with running_consumer(mosquitto.port, received):
            result = await asyncio.to_thread(run_for_json, "outbox", "retry", "--all")
            assert (result["retried"], result["broker"], result["problem"]) == (80, "online", "")
            await received.wait_until(lambda _: len(set(received.ids())) >= 80)
        await until(folder, "outbox", 0)
        assert (await asyncio.to_thread(run_command, "outbox", "list")).out.startswith("No refused message")


async def test_a_command_publishes_now(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = tmp_path / "data"
    folder.mkdir()
    monkeypatch.setenv("METERLINK_DATA", str(folder))
    store_messages(folder / DATABASE_FILE, 3, {})
    # The longest pause, so that only the command can end it in the time of this test.
    monkeypatch.setattr("random.random", lambda: 1.0)
    monkeypatch.setattr("meterlink.publish.publisher.FIRST_RETRY_DELAY", 1e6)
    monkeypatch.setattr("meterlink.publish.publisher.LONGEST_RETRY_DELAY", 1e6)
    mosquitto = MosquittoBroker(tmp_path)
    try:
        async with running_station(folder, mosquitto.port):
            status, out, err = await asyncio.to_thread(run_command, "outbox", "publish")
            assert (status, err) == (1, "")
            assert f"MQTT broker 127.0.0.1:{mosquitto.port} cannot be reached (Connection refused)." in out
            assert "3 messages wait for the broker." in out
            await mosquitto.start()
            status, out, err = await asyncio.to_thread(run_command, "outbox", "publish")
            assert (status, err) == (0, "")
            assert out.startswith("The broker is reached.")
            await until(folder, "outbox", 0)
            assert (await asyncio.to_thread(run_for_json, "outbox", "publish")) == {
                "broker": "online",
                "problem": "",
                "waiting": 0,
                "refused": 0,
            }
    finally:
        await mosquitto.stop()


@pytest.mark.skipif(os.name == "nt", reason="an open file cannot be replaced there")
@pytest.mark.fault("database-replaced")
async def test_messages_of_a_displaced_record_are_published_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A technician copies a backup to the place of the record, in the basement, before the broker was ever reached."""
    folder, other = tmp_path / "data", tmp_path / "other" / DATABASE_FILE
    folder.mkdir()
    monkeypatch.setenv("METERLINK_DATA", str(folder))
    store_messages(folder / DATABASE_FILE, 3, {2: "Not authorized"})
    store_messages(other, 3, {}, first=4)
    mosquitto = MosquittoBroker(tmp_path)

    async def displace() -> None:
        async with running_station(folder, mosquitto.port) as running:
            other.replace(folder / DATABASE_FILE)
            await asyncio.wait({running}, timeout=OUTER_TIMEOUT)

    with pytest.raises(DatabaseMovedError, match="and the messages for the broker"):
        await displace()
    (kept,) = folder.glob("meterlink.before-*.db")
    result = await asyncio.to_thread(run_for_json, "merge", str(kept))
    assert (result["new"]["outbox"], result["new"]["rejected_messages"]) == (2, 1)
    received = ReceivedMessages()
    try:
        await mosquitto.start()
        async with running_consumer(mosquitto.port, received):
            async with running_station(folder, mosquitto.port):
                await received.wait_until(lambda _: len(received.ids()) == 5)
                (refused,) = await asyncio.to_thread(run_for_json, "outbox", "list")
                assert (refused["id"], refused["reason"]) == ("id-2", "Not authorized")
                await until(folder, "outbox", 0)
            await asyncio.to_thread(run_for_json, "merge", str(kept))  # they were published since
            async with running_station(folder, mosquitto.port):
                status = await asyncio.to_thread(run_for_json, "outbox", "retry", "--all")
                assert status["retried"] == 1
                await received.wait_until(lambda _: "id-2" in received.ids())
    finally:
        await mosquitto.stop()
    assert received.ids() == ["id-4", "id-5", "id-6", "id-1", "id-3", "id-2"]
