"""`MqttClient`, which alone knows aiomqtt and paho: the behaviour that its caller relies on, with either library."""

import asyncio
import contextlib
import struct
from collections.abc import AsyncIterator

import pytest
from hypothesis import given
from hypothesis import strategies as st
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from meterlink.publish.mqtt_client import (
    LARGEST_RECEIVE_MAXIMUM,
    Closure,
    MqttClient,
    MqttMessage,
    NotConnectedError,
    _PackedProperties,
)
from support.scripted_broker import CONNECT, DISCONNECT, PUBLISH, Client, Stub, stub

GENEROUS = 30.0  # s; an outer limit, not a wait
WILL = MqttMessage("meterlink/van/state", b"{}", "application/json", retain=True)
MESSAGE = MqttMessage("meterlink/van/readings/a", b"[]", "application/senml+json", "id-1")


@pytest.fixture(autouse=True)
async def nothing_left_running() -> AsyncIterator[None]:
    yield
    async with asyncio.timeout(GENEROUS):
        while tasks := asyncio.all_tasks() - {asyncio.current_task()}:
            await asyncio.wait(tasks)


def new_client(port: int, *, reply_timeout: float = GENEROUS) -> MqttClient:
    return MqttClient(
        "127.0.0.1",
        port,
        "teststation1",
        WILL,
        username=None,
        password=None,
        keepalive=25,
        reply_timeout=reply_timeout,
        tls_context=None,
    )


@contextlib.asynccontextmanager
async def connected(port: int) -> AsyncIterator[MqttClient]:
    client = new_client(port)
    assert await client.connect() is None
    try:
        yield client
    finally:
        client.cut()


async def accept(client: Client, properties: bytes = b"") -> None:
    kind, _, _ = await client.packet()
    assert kind == CONNECT
    client.connack(properties=properties)


async def ended(client: MqttClient) -> Closure:
    async with asyncio.timeout(GENEROUS):
        return await asyncio.shield(client.ended)


# MQTT 5, 3.2.2.3.3 and 3.2.2.3.6
@pytest.mark.parametrize(
    ("properties", "receive_maximum", "largest_packet"),
    [
        (b"", LARGEST_RECEIVE_MAXIMUM, None),
        (b"\x21\x00\x02", 2, None),
        (b"\x27" + struct.pack("!I", 300), LARGEST_RECEIVE_MAXIMUM, 300),
    ],
)
async def test_the_limits_of_the_connack_are_known(
    properties: bytes, receive_maximum: int, largest_packet: int | None
) -> None:
    async def act(_: Stub, client: Client) -> None:
        await accept(client, properties)
        await client.reader.read()

    async with stub(act) as broker, connected(broker.port) as client:
        assert (client.receive_maximum, client.largest_packet) == (receive_maximum, largest_packet)


# MQTT 5, 3.4.2.1: a reason code below 0x80 is a success.
@pytest.mark.parametrize("reason", [0x00, 0x10, 0x80, 0x87, 0x97])
async def test_the_reason_code_of_each_puback_reaches_its_message(reason: int) -> None:
    async def act(_: Stub, client: Client) -> None:
        await accept(client)
        first, second = await client.published(), await client.published()
        client.puback(second.mid, reason)
        client.puback(first.mid)
        await client.reader.read()

    async with stub(act) as broker, connected(broker.port) as client:
        first, second = client.publish(MESSAGE), client.publish(MESSAGE)
        async with asyncio.timeout(GENEROUS):
            assert not (await first).denial_reason
            assert bool((await second).denial_reason) == (reason >= 0x80)


async def test_a_message_that_cannot_be_sent_is_denied_without_the_broker() -> None:
    async def act(broker: Stub, client: Client) -> None:
        await accept(client, b"\x27" + struct.pack("!I", 300))
        broker.published.append(await client.published())

    async with stub(act) as broker, connected(broker.port) as client:
        assert "300 bytes" in client.publish(MqttMessage("t", b"x" * 300, "text/plain")).result().denial_reason
        assert client.publish(MqttMessage("t/#", b"", "text/plain")).result().denial_reason
        client.publish(MESSAGE)
        await ended(client)
    assert [message.topic for message in broker.published] == [MESSAGE.topic]


@pytest.mark.parametrize(
    ("last_words", "closure"),
    [
        (b"", Closure(None, "", by_broker=True)),
        (bytes([DISCONNECT << 4, 2, 0x8B, 0]), Closure(0x8B, "Server shutting down", by_broker=True)),
        (bytes([DISCONNECT << 4, 2, 0x80, 0]), Closure(0x80, "Unspecified error", by_broker=True)),
    ],
    ids=["silently", "shutting down", "unspecified"],
)
async def test_the_end_says_who_ended_it_and_why(last_words: bytes, closure: Closure) -> None:
    async def act(_: Stub, client: Client) -> None:
        await accept(client)
        client.writer.write(last_words)
        await client.writer.drain()

    async with stub(act) as broker, connected(broker.port) as client:
        assert await ended(client) == closure
        with pytest.raises(NotConnectedError):
            client.publish(MESSAGE)


@pytest.mark.fault("broker-noise")
async def test_noise_is_not_the_brokers_wish_to_close() -> None:
    async def act(_: Stub, client: Client) -> None:
        await accept(client)
        client.writer.write(b"\x40\x00")  # a PUBACK without a packet identifier
        await client.writer.drain()
        await client.reader.read()

    async with stub(act) as broker, connected(broker.port) as client:
        assert not (await ended(client)).by_broker


async def test_a_refused_connection_has_its_reason_code() -> None:
    async def act(_: Stub, client: Client) -> None:
        await client.packet()
        client.connack(0x87)

    async with stub(act) as broker:
        closure = await new_client(broker.port).connect()
    assert closure == Closure(0x87, "Not authorized", by_broker=True)


async def test_a_broker_that_hangs_up_instead_of_answering_is_not_waited_for() -> None:
    async def act(_: Stub, client: Client) -> None:
        await client.packet()

    async with stub(act) as broker:
        closure = await new_client(broker.port).connect()
    assert closure == Closure(text="closed without an answer", by_broker=True)


async def test_cutting_sends_no_disconnect_and_disconnecting_sends_one() -> None:
    last: list[bytes] = []
    seen = asyncio.Event()

    async def act(_: Stub, client: Client) -> None:
        await accept(client)
        last.append(await client.reader.read())
        seen.set()

    for ends_cleanly in (False, True):
        seen.clear()
        async with stub(act) as broker, connected(broker.port) as client:
            if ends_cleanly:
                await client.disconnect()
            else:
                client.cut()
            async with asyncio.timeout(GENEROUS):
                await seen.wait()
            assert not client.ended.done(), "it was ended from here"
    assert last[0] == b""
    assert last[1][0] >> 4 == DISCONNECT


# MQTT 5, 1.5.4: neither a surrogate nor U+0000.
_TEXTS = st.text(st.characters(codec="utf-8", exclude_characters="\0"), max_size=300)


@given(content_type=_TEXTS, message_id=_TEXTS)
def test_the_packed_properties_are_those_of_the_library(content_type: str, message_id: str) -> None:
    expected = Properties(PacketTypes.PUBLISH)
    expected.PayloadFormatIndicator = 1
    expected.ContentType = content_type
    if message_id:
        expected.UserProperty = ("message-id", message_id)
    packed = _PackedProperties(MqttMessage("t", b"", content_type, message_id)).pack()
    unpacked = Properties(PacketTypes.PUBLISH)
    unpacked.unpack(packed)
    assert unpacked.json() == expected.json()


async def test_the_packet_on_the_wire_is_one_of_mqtt_5() -> None:
    received: list[bytes] = []

    async def act(_: Stub, client: Client) -> None:
        await accept(client)
        kind, flags, body = await client.packet()
        assert (kind, flags) == (PUBLISH, 0b0010)
        received.append(body)

    async with stub(act) as broker, connected(broker.port) as client:
        client.publish(MESSAGE)
        await ended(client)
    (body,) = received
    topic = MESSAGE.topic.encode()
    # MQTT 5, 3.3.2: the topic, the packet identifier, the length of the properties, the properties; then the payload.
    assert body.startswith(len(topic).to_bytes(2, "big") + topic)
    properties = body[2 + len(topic) + 2 :].removesuffix(MESSAGE.payload)
    assert properties[0] == len(properties) - 1
    assert b"\x01\x01" in properties
    assert b"\x03\x00\x16application/senml+json" in properties
    assert b"\x26\x00\x0amessage-id\x00\x04id-1" in properties


async def test_a_slow_broker_gets_every_byte_in_order() -> None:
    # More than the buffers of a socket hold: the rest is written once the broker reads again.
    payloads = [bytes([number]) * 1_000_000 for number in range(8)]
    reads, received = asyncio.Event(), []

    async def act(_: Stub, client: Client) -> None:
        await accept(client)
        await reads.wait()
        for _payload in payloads:
            kind, _flags, body = await client.packet()
            assert kind == PUBLISH
            received.append(body[-1_000_000:])
            client.puback(int.from_bytes(body[3:5], "big"))
        await client.reader.read()

    async with stub(act) as broker, connected(broker.port) as client:
        answers = [client.publish(MqttMessage("t", payload, "text/plain")) for payload in payloads]
        for _round in range(20):
            await asyncio.sleep(0)
        assert not any(answer.done() for answer in answers)
        reads.set()
        async with asyncio.timeout(GENEROUS):
            results = await asyncio.gather(*answers)
    assert received == payloads
    assert not any(result.denial_reason for result in results)
