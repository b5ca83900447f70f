"""A real MQTT broker on the loopback interface for tests, and a consumer of its messages."""

import asyncio
import contextlib
import json
import os
import shutil
import signal
import socket
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass, field
from pathlib import Path

import aiomqtt
from paho.mqtt.client import MQTTMessage
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

OUTER_TIMEOUT = 30.0  # s; an outer limit, not a wait

MOSQUITTO = shutil.which("mosquitto", path=os.environ.get("PATH", "") + ":/usr/sbin:/usr/local/sbin:/opt/homebrew/sbin")


class MosquittoBroker:
    """A broker with its own folder; it can be stopped and started again on the same port."""

    def __init__(self, folder: Path, *lines: str) -> None:
        self.folder = folder
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self.port = int(probe.getsockname()[1])
        owner = ["user root"] if hasattr(os, "geteuid") and os.geteuid() == 0 else []
        access = [] if any(line.startswith("allow_anonymous") for line in lines) else ["allow_anonymous true"]
        logged = [] if any(line.startswith("log_type") for line in lines) else ["log_type all"]
        config = [
            f"listener {self.port} 127.0.0.1",
            *owner,
            *access,
            "persistence true",
            f"persistence_location {folder}/",
            "log_dest stderr",
            *logged,
            *lines,
        ]
        self.config = folder / "mosquitto.conf"
        self.config.write_text("\n".join(config) + "\n")
        self.process: asyncio.subprocess.Process | None = None
        self.log: list[str] = []
        self._reader: asyncio.Task[None] | None = None
        self._running = asyncio.Event()

    async def start(self) -> None:
        assert MOSQUITTO is not None
        self._running.clear()
        self.process = await asyncio.create_subprocess_exec(
            MOSQUITTO, "-c", str(self.config), stderr=asyncio.subprocess.PIPE, stdout=asyncio.subprocess.DEVNULL
        )
        self._reader = asyncio.create_task(self._read(self.process))
        async with asyncio.timeout(OUTER_TIMEOUT):
            await self._running.wait()
        assert self.process.returncode is None, "\n".join(self.log)

    async def _read(self, process: asyncio.subprocess.Process) -> None:
        assert process.stderr is not None
        async for line in process.stderr:
            self.log.append(line.decode(errors="replace").rstrip())
            if "running" in self.log[-1]:
                self._running.set()
        self._running.set()

    async def stop(self) -> None:
        """Stop it; it keeps its sessions."""
        await self._end(signal.SIGTERM)

    async def kill(self) -> None:
        """Kill -9: its sessions are those of the last stop."""
        await self._end(signal.SIGKILL)

    async def _end(self, by: signal.Signals) -> None:
        if self.process is not None and self.process.returncode is None:
            self.process.send_signal(by)
            await self.process.wait()
        if self._reader is not None:
            await self._reader

    async def reload(self) -> None:
        """Return when it has read its rules for topics again."""
        assert self.process is not None
        before = self._reloads()
        self.process.send_signal(signal.SIGHUP)
        async with asyncio.timeout(OUTER_TIMEOUT):
            while self._reloads() == before:  # noqa: ASYNC110  # its log has no event for each line
                await asyncio.sleep(0.01)

    def _reloads(self) -> int:
        return sum("Reloading config" in line for line in self.log)


@contextlib.asynccontextmanager
async def running_broker(folder: Path, *lines: str) -> AsyncIterator[MosquittoBroker]:
    broker = MosquittoBroker(folder, *lines)
    try:
        await broker.start()
        yield broker
    finally:
        await broker.stop()


@dataclass
class ReceivedMessages:
    """The messages of a consumer, in order of arrival."""

    messages: list[aiomqtt.Message] = field(default_factory=list)
    changed: asyncio.Event = field(default_factory=asyncio.Event)

    async def wait_until(self, predicate: Callable[[list[aiomqtt.Message]], object]) -> None:
        async with asyncio.timeout(OUTER_TIMEOUT):
            while not predicate(self.messages):
                self.changed.clear()
                await self.changed.wait()

    def ids(self) -> list[str]:
        properties = (dict(getattr(message.properties, "UserProperty", [])) for message in self.messages)
        return [by_name["message-id"] for by_name in properties if "message-id" in by_name]

    def states(self) -> list[dict[str, str]]:
        return [json.loads(_bytes(message)) for message in self.messages if message.topic.value.endswith("/state")]


def _bytes(message: aiomqtt.Message) -> bytes:
    assert isinstance(message.payload, bytes)
    return message.payload


@contextlib.asynccontextmanager
async def running_consumer(port: int, received: ReceivedMessages) -> AsyncIterator[None]:
    """Collect messages in a session that the broker keeps while the consumer is disconnected."""
    session = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]  # paho types no constructor
    session.SessionExpiryInterval = 3600
    client = aiomqtt.Client(
        "127.0.0.1", port, identifier="shop", protocol=aiomqtt.ProtocolVersion.V5, clean_start=False, properties=session
    )

    # From paho directly: messages in aiomqtt's queue are acknowledged and get lost when the connection breaks.
    def collect(client: object, userdata: object, message: MQTTMessage) -> None:
        received.messages.append(aiomqtt.Message._from_paho_message(message))
        received.changed.set()

    client._client.on_message = collect
    async with contextlib.AsyncExitStack() as stack:
        await client.__aenter__()
        stack.callback(client._client._sock_close)
        await client.subscribe("meterlink/#", qos=1)
        yield
        if client._disconnected.done():
            client._disconnected.exception()  # retrieved, so that asyncio does not report it
