"""Brokers that freeze, close the connection or refuse: a stub of the needed part of MQTT 5 (OASIS, 2019) plays them."""

import asyncio
import contextlib
import gc
import itertools
import random
import struct
from collections.abc import AsyncIterator, Awaitable, Callable
from dataclasses import dataclass

import paho.mqtt.client as paho
import pytest

from meterlink.publish.broker import BrokerConfig
from meterlink.publish.delivery import MAX_IN_FLIGHT
from meterlink.publish.publisher import CONFIGURATION_RETRY_DELAY, LONGEST_RETRY_DELAY, Publisher
from meterlink_simulators.virtual_time import run_in_virtual_time
from support.fault_marks import FaultTimes
from support.outboxes import MemoryOutbox, OutboxEntry
from support.scripted_broker import DISCONNECT, PUBACK, Client, Stub, stub

GENEROUS = 30.0  # s; an outer limit, not a wait


@pytest.fixture(autouse=True)
async def nothing_left_running() -> AsyncIterator[None]:
    yield
    await other_tasks_ended()


async def other_tasks_ended() -> None:
    # An abandoned connection attempt ends by itself, soon after the stub has closed its connection.
    async with asyncio.timeout(GENEROUS):
        while tasks := asyncio.all_tasks() - {asyncio.current_task()}:
            await asyncio.wait(tasks)


class FakeSleep:
    """Replaces sleeping and records the delays; the first ``free`` calls return at once, later ones never."""

    def __init__(self, free: int = 0) -> None:
        self.free = free
        self.delays: list[float] = []
        self.stuck = asyncio.Event()

    async def __call__(self, delay: float) -> None:
        self.delays.append(delay)
        if len(self.delays) > self.free:
            self.stuck.set()
            await asyncio.Event().wait()


@dataclass
class Running:
    publisher: Publisher
    task: "asyncio.Task[None]"
    notices: list[tuple[str, str]]
    sleep: FakeSleep

    async def stuck(self) -> None:
        async with asyncio.timeout(GENEROUS):
            await self.sleep.stuck.wait()


@contextlib.asynccontextmanager
async def publishing(
    port: int, outbox: MemoryOutbox, *, free: int = 0, reply_timeout: float = GENEROUS, stop_timeout: float = GENEROUS
) -> AsyncIterator[Running]:
    notices: list[tuple[str, str]] = []
    sleep = FakeSleep(free)
    publisher = Publisher(
        BrokerConfig("127.0.0.1", "teststation1", port=port, tls=False),
        "van",
        outbox,
        lambda level, text: notices.append((level, text)),
        sleep=sleep,
        random_fraction=lambda: 0.5,
        reply_timeout=reply_timeout,
        stop_timeout=stop_timeout,
    )
    task = asyncio.create_task(publisher.run())
    try:
        yield Running(publisher, task, notices, sleep)
    finally:
        publisher.stop()
        async with asyncio.timeout(GENEROUS):
            await asyncio.wait({task})
    if not task.cancelled():
        task.result()


async def silent(_: Stub, client: Client) -> None:
    await client.reader.read()


@pytest.mark.fault("half-open")
async def test_a_broker_that_accepts_and_does_not_answer_is_given_up() -> None:
    outbox = MemoryOutbox(["meterlink/van/readings/a"])
    async with stub(silent) as broker, publishing(broker.port, outbox, reply_timeout=0.05) as running:
        await running.stuck()
        assert running.publisher.state == "waiting"
        assert running.notices[0][0] == "warning"
        assert outbox.entries


@pytest.mark.fault("half-open")
def test_a_broker_that_freezes_is_noticed_by_keepalive(
    monkeypatch: pytest.MonkeyPatch, fault_times: FaultTimes
) -> None:
    is_frozen = False

    async def freeze(_: Stub, client: Client) -> None:
        nonlocal is_frozen
        await client.accept()
        is_frozen = True
        await client.reader.read()

    async def run() -> None:
        loop = asyncio.get_running_loop()
        monkeypatch.setattr(paho, "time_func", loop.time)
        async with stub(freeze) as broker, publishing(broker.port, MemoryOutbox([])) as running:
            begin = loop.time()
            # A ping after one keepalive of 25 s, the end after another; paho reads its clock once a second.
            async with asyncio.timeout(2 * 25 + 5):
                await running.sleep.stuck.wait()
            assert running.publisher.state == "waiting"
            assert "eep alive" in running.notices[-1][1]
            fault_times.noticed(loop.time() - begin)
        await other_tasks_ended()

    run_in_virtual_time(run(), busy=lambda: not is_frozen)


@pytest.mark.fault("half-open")
def test_a_broker_that_pings_back_but_never_acknowledges_is_given_up() -> None:
    was_published = False

    async def unhelpful(_: Stub, client: Client) -> None:
        nonlocal was_published
        await client.accept()
        await client.published()
        was_published = True
        await client.reader.read()

    async def run() -> None:
        outbox = MemoryOutbox(["meterlink/van/readings/a"])
        async with stub(unhelpful) as broker, publishing(broker.port, outbox, reply_timeout=GENEROUS / 2) as running:
            await running.stuck()
            assert "acknowledged" in running.notices[-1][1]
            assert outbox.entries
        await other_tasks_ended()

    # However long this machine needs to connect and to publish: time passes only afterwards.
    run_in_virtual_time(run(), busy=lambda: not was_published)


@pytest.mark.fault("published-twice")
async def test_a_connection_cut_before_the_acknowledgement_repeats_the_message(fault_times: FaultTimes) -> None:
    async def cut(broker: Stub, client: Client) -> None:
        await client.accept()
        for _ in range(3):
            broker.published.append(await client.published())
        client.puback(broker.published[0].mid)

    outbox = MemoryOutbox([f"meterlink/van/readings/{number}" for number in range(8)])
    async with stub(cut, Stub.accept_all) as broker, publishing(broker.port, outbox, free=1) as running:
        await outbox.empty()
        fault_times.recovered(sum(running.sleep.delays))
    ids = [message.message_id for message in broker.published]
    assert ids[:3] == ["id-1", "id-2", "id-3"]
    assert list(dict.fromkeys(ids)) == [f"id-{number}" for number in range(1, 9)]
    assert "id-2" in ids[3:]
    assert running.notices[-1] == ("info", "")


@pytest.mark.fault("published-twice")
async def test_an_acknowledged_message_that_could_not_be_deleted_is_repeated_with_its_id() -> None:
    outbox = MemoryOutbox(["meterlink/van/readings/a"])
    outbox.failures = 1
    async with stub(Stub.accept_all) as broker, publishing(broker.port, outbox, free=1) as running:
        await outbox.empty()
    assert [message.message_id for message in broker.published] == ["id-1", "id-1"]
    assert "disk is full" in running.notices[0][1]


async def test_acknowledgements_out_of_order_are_all_counted() -> None:
    async def backwards(broker: Stub, client: Client) -> None:
        await client.accept()
        messages = [await client.published() for _ in range(MAX_IN_FLIGHT)]
        for message in reversed(messages):
            client.puback(message.mid)
        await broker.acknowledge_all(client)

    outbox = MemoryOutbox([f"meterlink/van/readings/{number}" for number in range(MAX_IN_FLIGHT + 4)])
    async with stub(backwards) as broker, publishing(broker.port, outbox):
        await outbox.empty()


async def test_no_more_messages_are_in_flight_than_the_broker_accepts() -> None:
    most = 0

    async def narrow(_: Stub, client: Client) -> None:
        nonlocal most
        await client.accept(properties=b"\x21\x00\x02")  # Receive Maximum 2
        for _round in range(5):
            first, second = await client.published(), await client.published()
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(0.05):
                    await client.reader.read(1)
                    most = 3
            most = max(most, 2)
            client.puback(first.mid)
            client.puback(second.mid)
        await client.reader.read()

    outbox = MemoryOutbox([f"meterlink/van/readings/{number}" for number in range(10)])
    async with stub(narrow) as broker, publishing(broker.port, outbox, stop_timeout=0.1):
        await outbox.empty()
    assert most == 2


@pytest.mark.fault("message-denied")
async def test_a_message_larger_than_the_broker_accepts_is_rejected_unsent() -> None:
    async def small(broker: Stub, client: Client) -> None:
        await client.accept(properties=b"\x27" + struct.pack("!I", 300))  # Maximum Packet Size
        await broker.acknowledge_all(client)

    outbox = MemoryOutbox(["meterlink/van/readings/a", "meterlink/van/readings/" + "b" * 300, "meterlink/van/c"])
    async with stub(small) as broker, publishing(broker.port, outbox):
        await outbox.empty()
    assert list(outbox.rejected) == [2]
    assert "300 bytes" in outbox.rejected[2]
    assert [message.message_id for message in broker.published] == ["id-1", "id-3"]


@pytest.mark.fault("broker-hangs-up")
async def test_a_message_that_makes_the_broker_disconnect_is_identified_and_rejected() -> None:
    async def picky(broker: Stub, client: Client) -> None:
        await client.accept()
        while True:
            message = await client.published()
            if message.topic.endswith("state"):
                client.puback(message.mid)
            elif message.topic.endswith("/bad"):
                client.send(DISCONNECT, bytes([0x95, 0]))  # packet too large
                return
            else:
                broker.published.append(message)
                client.puback(message.mid)

    topics = ["good"] * 6 + ["bad"] + ["good"] * 6
    outbox = MemoryOutbox([f"meterlink/van/{topic}" for topic in topics])
    async with stub(picky) as broker, publishing(broker.port, outbox, free=5, stop_timeout=0.1):
        await outbox.empty()
    assert list(outbox.rejected) == [7]
    assert list(dict.fromkeys(message.message_id for message in broker.published)) == [
        f"id-{number}" for number in range(1, 14) if number != 7
    ]


@pytest.mark.parametrize("reason", [0x00, 0x10], ids=["success", "no matching subscribers"])
async def test_every_positive_acknowledgement_counts(reason: int) -> None:
    async def positive(_: Stub, client: Client) -> None:
        await client.accept()
        client.puback((await client.published()).mid, reason)
        await client.reader.read()

    outbox = MemoryOutbox(["meterlink/van/readings/a"])
    async with stub(positive) as broker, publishing(broker.port, outbox, stop_timeout=0.1):
        await outbox.empty()
    assert not outbox.rejected


# MQTT 5, 2.4 and 3.4.2.1
@pytest.mark.fault("message-denied")
@pytest.mark.parametrize("reason", [0x80, 0x83, 0x87, 0x90, 0x97, 0x99])
async def test_every_negative_acknowledgement_rejects_the_message(reason: int) -> None:
    async def denying(broker: Stub, client: Client) -> None:
        await client.accept()
        client.puback((await client.published()).mid, reason)
        await broker.acknowledge_all(client)

    outbox = MemoryOutbox(["meterlink/van/readings/a", "meterlink/van/readings/b"])
    async with stub(denying) as broker, publishing(broker.port, outbox) as running:
        await outbox.empty()
    assert list(outbox.rejected) == [1]
    assert outbox.rejected[1]
    assert any(level == "warning" and "readings/a" in text for level, text in running.notices)


# MQTT 5, 3.2.2.2
@pytest.mark.fault("wrong-password")
@pytest.mark.parametrize(
    ("reason", "state"),
    [
        (0x01, "configuration"),  # MQTT 3.1.1: unacceptable protocol version
        (0x84, "configuration"),
        (0x85, "configuration"),
        (0x86, "configuration"),
        (0x87, "configuration"),
        (0x8A, "configuration"),
        (0x9A, "configuration"),
        (0x9D, "configuration"),
        (0x80, "waiting"),
        (0x88, "waiting"),
        (0x89, "waiting"),
        (0x97, "waiting"),
        (0x9F, "waiting"),
    ],
)
async def test_the_reason_of_a_refused_connection_decides_the_state(reason: int, state: str) -> None:
    async def refuse(_: Stub, client: Client) -> None:
        await client.packet()
        client.connack(reason)

    async with stub(refuse) as broker, publishing(broker.port, MemoryOutbox([]), reply_timeout=5) as running:
        await running.stuck()
        assert running.publisher.state == state
        assert (running.sleep.delays[0] == CONFIGURATION_RETRY_DELAY) == (state == "configuration")
        assert running.notices[0][0] == ("alarm" if state == "configuration" else "warning")


@pytest.mark.fault("identifier-taken")
async def test_another_client_with_the_same_identifier_is_an_alarm_without_quick_retries(
    fault_times: FaultTimes,
) -> None:
    async def disconnect(_: Stub, client: Client) -> None:
        await client.accept()
        client.send(DISCONNECT, bytes([0x8E, 0]))  # session taken over

    async with stub(disconnect) as broker, publishing(broker.port, MemoryOutbox([])) as running:
        await running.stuck()
        assert running.publisher.state == "configuration"
        assert running.sleep.delays == [CONFIGURATION_RETRY_DELAY]
        fault_times.recovered(running.sleep.delays[0])
        assert "teststation1" in running.notices[-1][1]


@pytest.mark.fault("broker-noise")
@pytest.mark.parametrize("seed", range(5))
async def test_noise_instead_of_mqtt_is_survived(seed: int) -> None:
    noise = random.Random(seed).randbytes(200)

    async def babble(_: Stub, client: Client) -> None:
        await client.packet()
        client.writer.write(noise)
        await client.writer.drain()

    async def babble_later(_: Stub, client: Client) -> None:
        await client.accept()
        client.writer.write(noise)
        await client.writer.drain()
        await client.reader.read()

    outbox = MemoryOutbox(["meterlink/van/readings/a"])
    async with (
        stub(babble, babble_later, Stub.accept_all) as broker,
        publishing(broker.port, outbox, free=10, reply_timeout=0.3),
    ):
        await outbox.empty()
    assert {message.message_id for message in broker.published} == {"id-1"}


async def test_stopping_does_not_wait_for_a_broker_that_is_silent_from_the_start() -> None:
    connected = asyncio.Event()

    async def silent_until_stopped(_: Stub, client: Client) -> None:
        connected.set()
        await client.reader.read(100)  # the CONNECT; disconnect only after the publisher has stopped
        await stopped.wait()

    stopped = asyncio.Event()
    async with stub(silent_until_stopped) as broker, publishing(broker.port, MemoryOutbox([])) as running:
        async with asyncio.timeout(GENEROUS):
            await connected.wait()
            running.publisher.stop()
            await running.task
        assert running.publisher.state == "stopped"
        stopped.set()


@pytest.mark.fault("half-open")
async def test_stopping_is_bounded_when_the_broker_no_longer_answers() -> None:
    busy, disconnected = asyncio.Event(), asyncio.Event()

    async def mute(_: Stub, client: Client) -> None:
        await client.accept()
        await client.published()
        busy.set()
        rest = await client.reader.read()
        assert bytes([DISCONNECT << 4]) not in rest[:1], "without a DISCONNECT the broker publishes the will"
        disconnected.set()

    outbox = MemoryOutbox(["meterlink/van/readings/a"])
    async with stub(mute) as broker, publishing(broker.port, outbox, stop_timeout=0.05) as running:
        async with asyncio.timeout(GENEROUS):
            await busy.wait()
            running.publisher.stop()
            await running.task
            await disconnected.wait()
    assert outbox.entries


# Rounds of the loop alone would depend on the speed of the thread that connects, so they count from a milestone.
@pytest.mark.parametrize(
    "is_reached",
    [
        pytest.param(lambda _: True, id="start"),
        pytest.param(lambda broker: broker.connections == 1, id="connection"),
        pytest.param(lambda broker: len(broker.published) >= 1, id="first message"),
        pytest.param(lambda broker: len(broker.published) >= 10, id="tenth message"),
        pytest.param(lambda broker: len(broker.published) >= 20, id="last message"),
    ],
)
async def test_cancelling_at_any_moment_leaks_nothing_and_loses_nothing(is_reached: Callable[[Stub], bool]) -> None:
    for rounds in itertools.chain(range(0, 40, 3), range(40, 200, 20)):
        outbox = MemoryOutbox(["meterlink/van/readings/a"] * 20)
        async with stub(Stub.accept_all) as broker, publishing(broker.port, outbox) as running:
            async with asyncio.timeout(GENEROUS):
                while not is_reached(broker):  # noqa: ASYNC110 - an event would wake the test a round too late
                    await asyncio.sleep(0)
            for _ in range(rounds):
                await asyncio.sleep(0)
            running.task.cancel()
            await asyncio.wait({running.task})
        deleted = 20 - len(outbox.entries)
        assert deleted <= len(broker.published)
        assert set(outbox.entries) == set(range(deleted + 1, 21))
    await other_tasks_ended()
    gc.collect()  # a leaked socket is a ResourceWarning, and so a failure, here and not in a later test


def closes_at(is_bad: Callable[[str], bool], last_words: bytes = b"") -> Callable[[Stub, Client], Awaitable[None]]:
    """Return a broker that sends ``last_words`` and hangs up when a message is bad, and accepts all others."""

    async def act(broker: Stub, client: Client) -> None:
        await client.accept()
        while True:
            message = await client.published()
            if is_bad(message.topic):
                client.writer.write(last_words.replace(b"??", struct.pack("!H", message.mid)))
                await client.writer.drain()
                return
            if message.message_id:
                broker.published.append(message)
            client.puback(message.mid)

    return act


NOT_AUTHORIZED_PUBACK = bytes([PUBACK << 4, 4]) + b"??" + bytes([0x87, 0])
NOT_AUTHORIZED_DISCONNECT = bytes([DISCONNECT << 4, 2, 0x87, 0])


@pytest.mark.fault("broker-hangs-up")
async def test_a_broker_that_hangs_up_after_each_denial_gets_everything_else_without_growing_pauses(
    fault_times: FaultTimes,
) -> None:
    topics = ["bad" if number % 5 == 3 else "good" for number in range(40)]
    outbox = MemoryOutbox([f"meterlink/van/{topic}" for topic in topics])
    denying = closes_at(lambda topic: topic.endswith("/bad"), NOT_AUTHORIZED_PUBACK)
    async with stub(denying) as broker, publishing(broker.port, outbox, free=100, stop_timeout=0.1) as running:
        await outbox.empty()
    assert sorted(outbox.rejected) == [number + 1 for number, topic in enumerate(topics) if topic == "bad"]
    assert set(outbox.rejected.values()) == {"Not authorized"}
    assert list(dict.fromkeys(message.message_id for message in broker.published)) == [
        f"id-{number + 1}" for number, topic in enumerate(topics) if topic == "good"
    ]
    # A booked denial is progress: half of the first pause, which is the jitter of these tests, each time.
    assert set(running.sleep.delays) == {0.5}
    fault_times.recovered(running.sleep.delays[0])
    assert len(running.sleep.delays) <= 10, "two losses at most for each of the eight, and only the first is a surprise"


# Without a word, or with a DISCONNECT because of the message: some brokers answer a denied PUBLISH so.
@pytest.mark.fault("broker-hangs-up")
@pytest.mark.parametrize("last_words", [b"", NOT_AUTHORIZED_DISCONNECT], ids=["silently", "not authorized"])
async def test_a_message_at_which_the_broker_hangs_up_again_and_again_is_set_aside(
    last_words: bytes, fault_times: FaultTimes
) -> None:
    outbox = MemoryOutbox([f"meterlink/van/{topic}" for topic in ["good"] * 6 + ["bad"] * 2 + ["good"] * 6])
    poisoned = closes_at(lambda topic: topic.endswith("/bad"), last_words)
    async with stub(poisoned) as broker, publishing(broker.port, outbox, free=20, stop_timeout=0.1) as running:
        await outbox.empty()
    assert sorted(outbox.rejected) == [7, 8]
    assert "closed the connection 2 times" in outbox.rejected[7]
    assert {message.message_id for message in broker.published} == {
        f"id-{number}" for number in range(1, 15) if number not in {7, 8}
    }
    assert "meterlink/van/bad" in running.notices[-1][1]
    fault_times.noticed(sum(running.sleep.delays))  # the pauses until both messages were set aside


@pytest.mark.fault("broker-hangs-up")
async def test_a_broker_that_falls_at_every_message_is_tried_ever_more_rarely() -> None:
    outbox = MemoryOutbox([f"meterlink/van/{number}" for number in range(100)])
    async with (
        stub(closes_at(lambda _: True)) as broker,
        publishing(broker.port, outbox, free=40, stop_timeout=0.1) as running,
    ):
        await running.stuck()
        assert running.sleep.delays[:7] == [0.5, 1, 2, 4, 8, 16, 30]
        assert set(running.sleep.delays[7:]) == {30}
        assert len(outbox.entries) + len(outbox.rejected) == 100
        assert len(outbox.rejected) <= 20, "two losses for each, so one message in a minute"


@pytest.mark.fault("broker-down")
async def test_a_broker_that_is_restarted_twice_in_a_row_costs_no_message() -> None:
    async def falls_at_once(broker: Stub, client: Client) -> None:
        await client.accept()
        broker.published.append(await client.published())

    outbox = MemoryOutbox(["meterlink/van/readings/a"] * 40)
    async with (
        stub(falls_at_once, falls_at_once, Stub.accept_all) as broker,
        publishing(broker.port, outbox, free=2),
    ):
        await outbox.empty()
    assert not outbox.rejected


@pytest.mark.fault("broker-hangs-up")
async def test_answers_from_before_the_loss_are_booked() -> None:
    async def cut(_: Stub, client: Client) -> None:
        await client.accept()
        messages = [await client.published() for _ in range(8)]
        for message in messages[:3]:
            client.puback(message.mid)
        client.puback(messages[3].mid, 0x87)
        client.puback(messages[5].mid)

    outbox = MemoryOutbox(["meterlink/van/readings/a"] * 8)
    async with stub(cut) as broker, publishing(broker.port, outbox) as running:
        await running.stuck()
        assert sorted(outbox.entries) == [5, 7, 8]
        assert sorted(outbox.rejected) == [4]


async def test_a_fault_of_the_publishers_own_is_an_alarm_and_ends_nothing(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    outbox = MemoryOutbox(["meterlink/van/readings/a"])
    pending, calls = outbox.pending, []

    async def fault(limit: int, after_id: int) -> list[OutboxEntry]:
        calls.append(after_id)
        if len(calls) == 1:
            raise ZeroDivisionError
        return await pending(limit, after_id)

    monkeypatch.setattr(outbox, "pending", fault)
    async with stub(Stub.accept_all) as broker, publishing(broker.port, outbox, free=1) as running:
        await outbox.empty()
        assert running.sleep.delays == [LONGEST_RETRY_DELAY]
    assert running.notices[0][0] == "alarm"
    assert "ZeroDivisionError" in caplog.text


@pytest.mark.fault("message-denied")
async def test_many_denials_are_one_line() -> None:
    async def denying(_: Stub, client: Client) -> None:
        await client.accept()
        while True:
            client.puback((await client.published()).mid, 0x87)

    outbox = MemoryOutbox(["meterlink/van/accepted/unit/part"] * 80)
    async with stub(denying) as broker, publishing(broker.port, outbox, stop_timeout=0.1) as running:
        await outbox.empty()
    assert len(outbox.rejected) == 80
    assert [level for level, _ in running.notices] == ["warning"]


@pytest.mark.fault("broker-down")
async def test_a_command_ends_the_pause() -> None:
    async def refuse(_: Stub, client: Client) -> None:
        await client.packet()
        client.connack(0x88)  # server unavailable

    outbox = MemoryOutbox(["meterlink/van/readings/a"])
    async with stub(refuse, refuse, Stub.accept_all) as broker, publishing(broker.port, outbox, free=1) as running:
        await running.stuck()
        assert await running.publisher.publish_now() == ""
        await outbox.empty()


@pytest.mark.fault("forgotten-states")
async def test_a_retained_state_is_published_on_every_connection_and_when_it_changes() -> None:
    async def watch(broker: Stub, client: Client) -> None:
        await client.accept()
        for _ in range(2 - len(broker.published)):
            broker.published.append(await client.published())
            client.puback(broker.published[-1].mid)

    topic = "meterlink/van/alarm"
    async with stub(watch, Stub.accept_all) as broker, publishing(broker.port, MemoryOutbox([]), free=1) as running:
        running.publisher.set_retained(topic, {"alarm": "disk"})
        async with asyncio.timeout(GENEROUS):
            while not broker.published:  # noqa: ASYNC110 - the stub has no event for it
                await asyncio.sleep(0)
            running.publisher.set_retained(topic, {"alarm": "disk"})  # the same again is not sent
            running.publisher.set_retained(topic, {"alarm": ""})
            while broker.connections < 2 or running.publisher.state != "online":  # noqa: ASYNC110 - as above
                await asyncio.sleep(0)
    assert [message.topic for message in broker.published[:2]] == [topic, topic]


@pytest.mark.parametrize("last_words", [b"", NOT_AUTHORIZED_PUBACK], ids=["silently", "not authorized"])
async def test_a_retained_state_that_makes_the_broker_hang_up_holds_up_nothing(last_words: bytes) -> None:
    outbox = MemoryOutbox(["meterlink/van/readings/a"] * 20)
    denying = closes_at(lambda topic: topic.endswith("/alarm"), last_words)
    async with stub(denying) as broker, publishing(broker.port, outbox, free=5, stop_timeout=0.1) as running:
        running.publisher.set_retained("meterlink/van/alarm", {"alarm": "disk"})
        await outbox.empty()
        running.publisher.set_retained("meterlink/van/alarm", {"alarm": "radio"})
    assert not outbox.rejected
    assert "meterlink/van/alarm" in running.notices[-1][1]


async def test_a_denied_birth_that_makes_the_broker_hang_up_holds_up_nothing() -> None:
    async def denying(broker: Stub, client: Client) -> None:
        await client.packet()
        client.connack()
        while True:
            message = await client.published()
            client.puback(message.mid, 0x87 if message.topic.endswith("/state") else 0)
            if message.topic.endswith("/state"):
                return

    outbox = MemoryOutbox(["meterlink/van/readings/a"] * 20)
    async with stub(denying) as broker, publishing(broker.port, outbox, free=5, stop_timeout=0.1) as running:
        await outbox.empty()
    assert not outbox.rejected
    assert "meterlink/van/state" in running.notices[-1][1]


@pytest.mark.fault("forgotten-states")
async def test_a_broker_without_its_memory_gets_the_retained_states_again() -> None:
    states: list[str] = []

    async def act(broker: Stub, client: Client) -> None:
        await client.accept()
        message = await client.published()
        states.append(message.topic)
        client.puback(message.mid)
        if len(states) == 2:
            await broker.acknowledge_all(client)

    async with stub(act) as broker, publishing(broker.port, MemoryOutbox([]), free=1) as running:
        running.publisher.set_retained("meterlink/van/alarm", {"alarm": "disk"})
        async with asyncio.timeout(GENEROUS):
            while len(states) < 2 or running.publisher.state != "online":  # noqa: ASYNC110 - the stub has no event
                await asyncio.sleep(0)
    assert states == ["meterlink/van/alarm"] * 2


@pytest.mark.fault("broker-hangs-up")
@pytest.mark.parametrize("seed", range(8))
async def test_a_broker_at_random_gets_every_message_that_it_accepts(seed: int) -> None:
    """It denies, hangs up, answers late, out of order or not at all; some messages it can never stand."""
    chance = random.Random(seed)
    total = 60
    poison = {f"id-{number}" for number in chance.sample(range(1, total + 1), 4)}
    denied = {f"id-{number}" for number in chance.sample(range(1, total + 1), 6)} - poison
    hangs_up_at_denial = chance.random() < 0.5
    accepted: set[str] = set()

    async def act(_: Stub, client: Client) -> None:
        await client.accept()
        late: list[int] = []
        while True:
            message = await client.published()
            if message.message_id in poison or chance.random() < 0.02:
                return
            if message.message_id in denied:
                client.puback(message.mid, 0x87)
                if hangs_up_at_denial:
                    return
                continue
            if message.message_id:
                accepted.add(message.message_id)
            late.append(message.mid)
            if chance.random() < 0.95 or not message.message_id:
                chance.shuffle(late)
                while late:
                    client.puback(late.pop())

    outbox = MemoryOutbox(["meterlink/van/readings/a"] * total)
    async with stub(act) as broker, publishing(broker.port, outbox, free=10_000, reply_timeout=0.05, stop_timeout=0.1):
        await outbox.empty()
    refused = {f"id-{number}" for number in outbox.rejected}
    assert refused >= poison | denied
    # A broker that hangs up for no reason, twice in a row at the same message alone, takes it with it: to a person.
    assert accepted | refused == {f"id-{number}" for number in range(1, total + 1)}
    assert len(refused - poison - denied) <= 2
