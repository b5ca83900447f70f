"""The publisher's rules (order, back-off, notices, settings) with a fake connection and a fake clock."""

import asyncio
import json
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from meterlink.core.clock import SystemClock, Timestamp
from meterlink.core.errors import PublishError, SettingsError
from meterlink.publish.broker import BrokerConfig, ConfigurationError, UnreachableError, new_identifier
from meterlink.publish.delivery import MAX_IN_FLIGHT
from meterlink.publish.mqtt import BrokerConnection
from meterlink.publish.mqtt_client import MqttMessage, PublishResult
from meterlink.publish.outbox import StoreOutbox
from meterlink.publish.publisher import (
    CONFIGURATION_RETRY_DELAY,
    LONGEST_RETRY_DELAY,
    STABLE_AFTER,
    Publisher,
)
from meterlink.store.reader import Reader
from meterlink.store.rows import Batch, OutboxRow
from meterlink.store.writer import Writer
from support.fault_marks import FaultTimes
from support.outboxes import MemoryOutbox, OutboxEntry

GENEROUS = 30.0  # s; an outer limit, not a wait
BROKER = BrokerConfig("broker.example", "teststation1")


@pytest.fixture(autouse=True)
async def nothing_left_running() -> AsyncIterator[None]:
    yield
    tasks = asyncio.all_tasks() - {asyncio.current_task()}
    assert not tasks, f"tasks left running: {tasks}"


class TestClock:
    __test__ = False

    def __init__(self) -> None:
        self.seconds = 0.0

    def now(self) -> Timestamp:
        return Timestamp(1_800_000_000_000_000_000 + int(self.seconds * 1e9), int(self.seconds * 1e9))


@dataclass
class FakeConnection:
    """Answers each message with ``answers(message)``; where that is None, the test answers."""

    answers: Callable[[MqttMessage], PublishResult | None]
    receive_maximum: int = 65_535
    sent: list[tuple[MqttMessage, "asyncio.Future[PublishResult]"]] = field(default_factory=list)
    grew: asyncio.Event = field(default_factory=asyncio.Event)
    closed: str = ""

    def __post_init__(self) -> None:
        self.lost: asyncio.Future[PublishError] = asyncio.get_running_loop().create_future()

    def send(self, message: MqttMessage) -> "asyncio.Future[PublishResult]":
        future: asyncio.Future[PublishResult] = asyncio.get_running_loop().create_future()
        answer = self.answers(message)
        if answer is not None:
            future.set_result(answer)
        self.sent.append((message, future))
        self.grew.set()
        return future

    async def close(self) -> None:
        self.closed = "cleanly"

    async def abort(self) -> None:
        self.closed = "aborted"

    async def has_sent(self, count: int) -> None:
        async with asyncio.timeout(GENEROUS):
            while len(self.sent) < count:
                self.grew.clear()
                await self.grew.wait()


@dataclass
class Bench:
    """A publisher that connects to the next of ``attempts``; sleeping ends at once while there is a next one."""

    attempts: list[PublishError | FakeConnection]
    outbox: MemoryOutbox = field(default_factory=MemoryOutbox)
    clock: TestClock = field(default_factory=TestClock)
    delays: list[float] = field(default_factory=list)
    notices: list[tuple[str, str]] = field(default_factory=list)
    wills: list[MqttMessage] = field(default_factory=list)
    used_up: asyncio.Event = field(default_factory=asyncio.Event)

    def publisher(self, fraction: float = 1.0) -> Publisher:
        return Publisher(
            BROKER,
            "north van",
            self.outbox,
            lambda level, text: self.notices.append((level, text)),
            clock=self.clock,
            open_connection=self.open,  # type: ignore[arg-type]
            sleep=self.sleep,
            random_fraction=lambda: fraction,
        )

    async def open(self, broker: BrokerConfig, will: MqttMessage, reply_timeout: float) -> FakeConnection:
        del broker, reply_timeout
        self.wills.append(will)
        attempt = self.attempts.pop(0)
        if isinstance(attempt, PublishError):
            raise attempt
        return attempt

    async def sleep(self, delay: float) -> None:
        self.delays.append(delay)
        if not self.attempts:
            self.used_up.set()
            await asyncio.Event().wait()

    async def until_used_up(self, publisher: Publisher) -> None:
        task = asyncio.create_task(publisher.run())
        async with asyncio.timeout(GENEROUS):
            await self.used_up.wait()
            publisher.stop()
            await task


def acknowledge(_: MqttMessage) -> PublishResult:
    return PublishResult()


@pytest.mark.fault("broker-down")
async def test_delays_double_up_to_a_minute(fault_times: FaultTimes) -> None:
    bench = Bench([UnreachableError("no") for _ in range(9)])
    await bench.until_used_up(bench.publisher())
    assert bench.delays == [1, 2, 4, 8, 16, 32, LONGEST_RETRY_DELAY, LONGEST_RETRY_DELAY, LONGEST_RETRY_DELAY]
    fault_times.recovered(min(bench.delays))
    fault_times.recovered(max(bench.delays))


async def test_delays_are_jittered_over_their_whole_length() -> None:
    bench = Bench([UnreachableError("no") for _ in range(8)])
    await bench.until_used_up(bench.publisher(fraction=0.25))
    assert bench.delays == [0.25, 0.5, 1, 2, 4, 8, 15, 15]


@pytest.mark.fault("broker-down")
@pytest.mark.parametrize(("lasted", "delays"), [(STABLE_AFTER - 1, [1, 2, 4]), (STABLE_AFTER, [1, 2, 1])])
async def test_only_a_steady_connection_resets_the_delay(lasted: float, delays: list[float]) -> None:
    clock = TestClock()
    connection = FakeConnection(acknowledge)
    bench = Bench([UnreachableError("no"), UnreachableError("no"), connection], clock=clock)
    publisher = bench.publisher()
    task = asyncio.create_task(publisher.run())
    await connection.has_sent(1)
    for _ in range(10):  # a few rounds of the loop: the birth message has its answer already
        await asyncio.sleep(0)
    assert publisher.state == "online"
    clock.seconds = lasted
    connection.lost.set_result(UnreachableError("lost"))
    async with asyncio.timeout(GENEROUS):
        await bench.used_up.wait()
        publisher.stop()
        await task
    assert bench.delays == delays
    assert connection.closed == "aborted"


@pytest.mark.fault("wrong-password")
async def test_a_configuration_fault_is_an_alarm_and_tried_again_every_five_minutes(fault_times: FaultTimes) -> None:
    bench = Bench([ConfigurationError("refused.", "Check it."), ConfigurationError("refused.", "Check it.")])
    publisher = bench.publisher()
    await bench.until_used_up(publisher)
    assert bench.delays == [CONFIGURATION_RETRY_DELAY] * 2 == [300, 300]
    fault_times.recovered(max(bench.delays))
    assert len(bench.notices) == 1, "the same notice is not repeated"
    assert bench.notices[0][0] == "alarm"
    assert "Check it." in bench.notices[0][1]


async def test_birth_will_and_farewell() -> None:
    connection = FakeConnection(acknowledge)
    bench = Bench([connection])
    publisher = bench.publisher()
    task = asyncio.create_task(publisher.run())
    await connection.has_sent(1)
    publisher.stop()
    await task
    (birth, _), (farewell, _) = connection.sent
    will = bench.wills[0]
    for message, state in ((birth, "online"), (will, "offline"), (farewell, "offline")):
        assert message.topic == "meterlink/north van/state"
        assert message.retain
        assert json.loads(message.payload)["state"] == state
        assert json.loads(message.payload)["station"] == "north van"
    assert json.loads(will.payload)["reason"] == "connection lost"
    assert json.loads(farewell.payload)["reason"] == "stopped"
    assert connection.closed == "cleanly"
    assert publisher.state == "stopped"


async def test_at_most_a_window_is_in_flight_and_stop_waits_for_it() -> None:
    connection = FakeConnection(lambda message: PublishResult() if message.retain else None)
    bench = Bench([connection], MemoryOutbox(["t"] * MAX_IN_FLIGHT * 2))
    publisher = bench.publisher()
    task = asyncio.create_task(publisher.run())
    await connection.has_sent(1 + MAX_IN_FLIGHT)
    for _ in range(10):
        await asyncio.sleep(0)
    assert len(connection.sent) == 1 + MAX_IN_FLIGHT
    assert len(bench.outbox.entries) == MAX_IN_FLIGHT * 2, "nothing is deleted before it is acknowledged"
    publisher.stop()
    for _, answer in connection.sent[1:]:
        answer.set_result(PublishResult())
    await task
    assert sorted(bench.outbox.entries) == list(range(MAX_IN_FLIGHT + 1, MAX_IN_FLIGHT * 2 + 1))
    assert connection.closed == "cleanly"


async def test_messages_added_later_are_published() -> None:
    connection = FakeConnection(acknowledge)
    bench = Bench([connection])
    publisher = bench.publisher()
    task = asyncio.create_task(publisher.run())
    await connection.has_sent(1)
    for number in range(1, 4):
        bench.outbox.add("t")
        await connection.has_sent(1 + number)
    publisher.stop()
    await task
    assert [message.message_id for message, _ in connection.sent] == ["", "id-1", "id-2", "id-3", ""]
    assert not bench.outbox.entries


async def test_a_denied_birth_is_a_warning_and_later_messages_are_sent() -> None:
    connection = FakeConnection(lambda message: PublishResult("Not authorized" if message.retain else ""))
    bench = Bench([connection], MemoryOutbox(["t"]))
    publisher = bench.publisher()
    task = asyncio.create_task(publisher.run())
    await connection.has_sent(2)
    publisher.stop()
    await task
    assert not bench.outbox.entries
    assert bench.notices[0][0] == "warning"
    assert "meterlink/north van/state: Not authorized" in bench.notices[0][1]


async def test_a_page_that_was_read_before_messages_were_taken_out_is_dropped() -> None:
    connection = FakeConnection(acknowledge)
    bench = Bench([connection], MemoryOutbox(["t"] * 4))
    pending, slow = bench.outbox.pending, asyncio.Event()
    publisher = bench.publisher()

    async def forgets_meanwhile(limit: int, after_id: int) -> list[OutboxEntry]:
        page = await pending(limit, after_id)
        if not slow.is_set():
            slow.set()
            del bench.outbox.entries[2]
            publisher.read_again()
        return page

    bench.outbox.pending = forgets_meanwhile  # type: ignore[method-assign]
    task = asyncio.create_task(publisher.run())
    await bench.outbox.empty()
    publisher.stop()
    await task
    assert [message.message_id for message, _ in connection.sent if message.message_id] == ["id-1", "id-3", "id-4"]


async def test_messages_that_were_taken_out_of_the_outbox_are_not_published() -> None:
    connection = FakeConnection(lambda message: PublishResult() if message.retain else None)
    bench = Bench([connection], MemoryOutbox(["t"] * MAX_IN_FLIGHT * 2))
    publisher = bench.publisher()
    task = asyncio.create_task(publisher.run())
    await connection.has_sent(1 + MAX_IN_FLIGHT)  # the others are read already
    forgotten = [id_ for id_ in bench.outbox.entries if id_ > MAX_IN_FLIGHT and id_ % 2]
    for id_ in forgotten:
        del bench.outbox.entries[id_]
    publisher.read_again()
    for _, answer in connection.sent[1:]:
        answer.set_result(PublishResult())
    left = MAX_IN_FLIGHT - len(forgotten)
    await connection.has_sent(1 + MAX_IN_FLIGHT + left)
    for _, answer in connection.sent[1 + MAX_IN_FLIGHT :]:
        answer.set_result(PublishResult())
    await bench.outbox.empty()
    publisher.stop()
    await task
    sent = [int(message.message_id.removeprefix("id-")) for message, _ in connection.sent if message.message_id]
    assert sent == [id_ for id_ in range(1, MAX_IN_FLIGHT * 2 + 1) if id_ not in forgotten]


async def test_the_outbox_of_a_real_database_is_emptied(tmp_path: Path) -> None:
    path = tmp_path / "meterlink.db"
    writer = Writer(path, station="van", clock=SystemClock(), boot_id="boot", on_alarm=lambda _: None)
    writer.start()
    try:
        outbox = StoreOutbox(Reader(path), writer)
        rows = tuple(OutboxRow(f"id-{number}", f"t/{number}", b"[]", droppable=True) for number in range(40))
        await asyncio.wrap_future(writer.submit(Batch(outbox=rows)))
        connection = FakeConnection(lambda message: PublishResult("denied" if message.topic == "t/7" else ""))
        bench = Bench([connection])
        bench.outbox = outbox  # type: ignore[assignment]
        publisher = bench.publisher()
        task = asyncio.create_task(publisher.run())
        await connection.has_sent(41)
        await asyncio.wrap_future(writer.submit(Batch(outbox=(OutboxRow("late", "t/late", b"[]", droppable=False),))))
        outbox.changed.set()
        await connection.has_sent(42)
        publisher.stop()
        await task
        assert [message.topic for message, _ in connection.sent[1:-1]] == [f"t/{number}" for number in range(40)] + [
            "t/late"
        ]
        counts = Reader(path).counts()
        assert (counts["outbox"], counts["rejected_messages"]) == (0, 1)
    finally:
        writer.close()


@pytest.mark.parametrize(
    ("options", "key"),
    [
        ({"identifier": ""}, "mqtt.identifier"),
        ({"identifier": "a\nb"}, "mqtt.identifier"),
        ({"identifier": "x" * 129}, "mqtt.identifier"),
        ({"tls": False, "username": "van", "password_file": Path("p")}, "mqtt.tls"),
        ({"tls": False, "host": "127.0.0.1.example", "username": "van", "password_file": Path("p")}, "mqtt.tls"),
    ],
)
def test_settings_that_must_not_be_used(options: dict[str, object], key: str) -> None:
    settings = {"host": "broker.example", "identifier": "teststation1"} | options
    with pytest.raises(SettingsError, match=key.replace(".", r"\.")):
        BrokerConfig(**settings)  # type: ignore[arg-type]


@pytest.mark.parametrize("host", ["localhost", "127.0.0.1", "127.8.0.1", "::1"])
def test_a_password_without_tls_is_for_this_machine_only(host: str) -> None:
    assert BrokerConfig(host, "a", tls=False, username="van", password_file=Path("p")).address == (host, 1883)


def test_tls_is_the_default_with_its_port() -> None:
    assert BROKER.tls
    assert BROKER.verify
    assert BROKER.address == ("broker.example", 8883)


def test_every_broker_accepts_new_identifiers() -> None:
    # MQTT 5, 3.1.3.1: 1 to 23 bytes of digits and letters.
    identifiers = {new_identifier() for _ in range(100)}
    assert len(identifiers) == 100
    assert all(text.isascii() and text.isalnum() and 1 <= len(text) <= 23 for text in identifiers)


@pytest.mark.parametrize(
    ("options", "key"),
    [
        (lambda folder: {"ca_file": folder / "missing.pem"}, "mqtt.ca_file"),
        (lambda folder: {"ca_file": folder / "noise"}, "mqtt.ca_file"),
        (lambda folder: {"username": "van", "password_file": folder / "missing"}, "mqtt.password_file"),
        (lambda folder: {"username": "van", "password_file": folder / "empty"}, "mqtt.password_file"),
        (lambda folder: {"username": "van", "password_file": folder / "noise"}, "mqtt.password_file"),
        (lambda folder: {"username": "van", "password_file": folder}, "mqtt.password_file"),
    ],
)
async def test_files_that_cannot_be_used_are_a_configuration_fault(
    tmp_path: Path, options: Callable[[Path], dict[str, object]], key: str
) -> None:
    (tmp_path / "empty").write_text("\n")
    (tmp_path / "noise").write_bytes(b"\xff\xfe\x00")
    broker = BrokerConfig("127.0.0.1", "teststation1", **options(tmp_path))  # type: ignore[arg-type]
    with pytest.raises(ConfigurationError, match=key.replace(".", r"\.")):
        await BrokerConnection.open(broker, MqttMessage("t", b"", "text/plain"), 1)
