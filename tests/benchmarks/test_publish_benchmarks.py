"""The outbox on its way to a broker, compared with a bare loop of the MQTT library over the same broker and window."""

import asyncio
import json
import time

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from meterlink.publish.broker import BrokerConfig
from meterlink.publish.delivery import MAX_IN_FLIGHT
from meterlink.publish.outbox import StoreOutbox
from meterlink.publish.publisher import Publisher
from meterlink.record.senml import CONTENT_TYPE
from meterlink.store.reader import Reader
from meterlink.store.rows import Batch, OutboxRow
from support.mosquitto_broker import MOSQUITTO, running_broker
from support.tools import skip_without_tool
from support.writers import OUTER, running_writer

ROUNDS, MESSAGES = 5, 10_000
TOPIC = "meterlink/van/readings/amber-5e00530a"
# A second of a meter with 5 readings.
PAYLOAD = json.dumps(
    [{"bn": "meterlink/van/amber-5e00530a/", "bt": 1764e6, "n": "voltage", "u": "V", "v": 24.1}]
    + [{"n": "voltage", "u": "V", "t": number / 5, "v": 24.1} for number in range(1, 5)]
    + [{"n": "message-id", "vs": "2f9f4c3a-7a4b-4c41-9f7a-0d5a5a3f6f10"}]
).encode()
# The outbox also reads and deletes each message on the disk, with a commit. Before it read in pages, sent while it
# waited for the disk, and packed the properties itself, the ratio was 0.24.
LEAST_RATIO = 0.7


def bare_loop(port, messages, *, with_properties):
    """Return the seconds in which paho alone publishes ``messages``, the next one at each acknowledgement."""
    client = paho.Client(CallbackAPIVersion.VERSION2, "bare", protocol=paho.MQTTv5)
    sent, acknowledged, connected = 0, 0, False

    def publish():
        nonlocal sent
        properties = None
        if with_properties:
            properties = Properties(PacketTypes.PUBLISH)
            properties.PayloadFormatIndicator = 1
            properties.ContentType = CONTENT_TYPE
            properties.UserProperty = ("message-id", f"id-{sent}")
        client.publish(TOPIC, PAYLOAD, 1, retain=False, properties=properties)
        sent += 1

    def on_connect(*_):
        nonlocal connected
        connected = True

    def on_publish(*_):
        nonlocal acknowledged
        acknowledged += 1
        if sent < messages:
            publish()

    client.on_connect, client.on_publish = on_connect, on_publish
    client.connect("127.0.0.1", port)
    while not connected:
        client.loop()
    started = time.perf_counter()
    for _ in range(MAX_IN_FLIGHT):
        publish()
    while acknowledged < messages:
        client.loop()
    duration = time.perf_counter() - started
    client.disconnect()
    return duration


class CountingOutbox(StoreOutbox):
    """The outbox of a database that knows when its last message is deleted, after the commit."""

    def __init__(self, path, writer, messages):
        super().__init__(Reader(path), writer)
        self.left = messages
        self.is_empty = asyncio.Event()

    async def delete_sent(self, ids):
        await super().delete_sent(ids)
        self.left -= len(ids)
        if not self.left:
            self.is_empty.set()


async def outbox(port, path, messages):
    """Return the seconds in which a publisher empties an outbox of ``messages``, from the connection to the commit."""
    with running_writer(path) as writer:
        rows = tuple(OutboxRow(f"id-{number}", TOPIC, PAYLOAD, droppable=True) for number in range(messages))
        writer.submit(Batch(outbox=rows)).result(OUTER)
        waiting = CountingOutbox(path, writer, messages)
        broker = BrokerConfig("127.0.0.1", "outbox", port=port, tls=False)
        publisher = Publisher(broker, "van", waiting, lambda _level, _text: None)
        started = time.perf_counter()
        running = asyncio.create_task(publisher.run())
        await waiting.is_empty.wait()
        duration = time.perf_counter() - started
        publisher.stop()
        await running
        assert Reader(path).counts()["outbox"] == 0
    return duration


async def test_the_outbox_beside_a_bare_loop(benchmark, tmp_path):
    if MOSQUITTO is None:
        skip_without_tool("mosquitto")
    rounds, messages = (ROUNDS, MESSAGES) if benchmark.enabled else (1, 100)
    bare, same, ours = [], [], []
    async with running_broker(tmp_path, "log_type information") as mosquitto:
        for number in range(rounds):
            bare.append(await asyncio.to_thread(bare_loop, mosquitto.port, messages, with_properties=False))
            same.append(await asyncio.to_thread(bare_loop, mosquitto.port, messages, with_properties=True))
            ours.append(await outbox(mosquitto.port, tmp_path / f"{number}.db", messages))
    benchmark.pedantic(lambda: None)  # the ratio is the result
    ratio = min(bare) / min(ours)
    if benchmark.enabled:
        print(  # noqa: T201 - as above
            f"\noutbox: {messages / min(ours):,.0f} messages a second; bare loop: {messages / min(bare):,.0f}, with the"
            f" same properties {messages / min(same):,.0f}; ratio {ratio:.2f}, {min(same) / min(ours):.2f}"
        )
        assert ratio >= LEAST_RATIO
