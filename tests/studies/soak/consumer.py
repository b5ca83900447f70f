"""A consumer of its own: a plain MQTT client whose session the broker keeps, and which keeps all that it receives."""

import asyncio
import json
import threading
from collections import Counter
from collections.abc import Iterator
from typing import Any

from paho.mqtt import client as paho
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from studies.soak.comparison import Accepted, RawReading
from studies.soak.counting_meters import meter_and_count
from studies.soak.plan import Tag

OUTER_LIMIT = 120.0  # s; a limit, not a wait
MARKER_TOPIC = "soak/marker"
_SESSION = 24 * 3600  # s; longer than any soak


class Consumer:
    """Receives everything under ``meterlink/`` with QoS 1 in a thread of its own, over any number of connections."""

    def __init__(self, port: int) -> None:
        self.messages: list[tuple[str, bytes]] = []
        self._connected = threading.Event()
        self._marked: set[bytes] = set()
        self._markers = 0
        self._client = client = paho.Client(
            CallbackAPIVersion.VERSION2, client_id="shop", protocol=paho.MQTTv5, reconnect_on_failure=True
        )
        client.on_connect = self._on_connect
        client.on_disconnect = lambda *_: self._connected.clear()
        client.on_message = self._on_message
        client.reconnect_delay_set(1, 1)
        session = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]  # paho types no constructor
        session.SessionExpiryInterval = _SESSION
        client.connect("127.0.0.1", port, clean_start=False, properties=session)
        client.loop_start()

    def _on_connect(self, *_: object) -> None:
        self._client.subscribe([("meterlink/#", 1), (MARKER_TOPIC, 1)])
        self._connected.set()

    def _on_message(self, _client: object, _userdata: object, message: paho.MQTTMessage) -> None:
        if message.topic == MARKER_TOPIC:
            self._marked.add(bytes(message.payload))
        else:
            self.messages.append((message.topic, bytes(message.payload)))

    async def catch_up(self) -> None:
        """Return when everything that the broker had is here: a message of its own has come back behind the rest."""
        async with asyncio.timeout(OUTER_LIMIT):
            while True:
                self._markers += 1
                marker = b"%d" % self._markers
                if self._connected.is_set():
                    self._client.publish(MARKER_TOPIC, marker, qos=1)
                for _ in range(100):
                    if marker in self._marked:
                        return
                    await asyncio.sleep(0.02)

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    # The received messages

    def packs(self) -> dict[str, tuple[str, list[dict[str, Any]]]]:
        """Return the messages without their duplicates: ``{message id: (topic, SenML records)}``."""
        found = {}
        for topic, payload in self.messages:
            if "/readings/" in topic or "/accepted/" in topic:
                records = json.loads(payload)
                found[_texts(records)["message-id"]] = topic, records
        return found

    def duplicates(self) -> int:
        """Return how many messages came more than once."""
        data = [topic for topic, _ in self.messages if "/readings/" in topic or "/accepted/" in topic]
        return len(data) - len(self.packs())

    def accepted(self) -> dict[str, Accepted]:
        """Return the accepted readings by uid, each by the message with its highest revision."""
        found: dict[str, Accepted] = {}
        for topic, records in self.packs().values():
            if "/accepted/" not in topic:
                continue
            texts = _texts(records)
            (revision,) = [int(record["v"]) for record in records if record.get("n") == "revision"]
            tag = Tag(
                texts["unit"], texts["circuit"], texts["component"], texts.get("section", ""), texts["test-point"]
            )
            uid, accepted = texts["reading-id"], Accepted(_display(records[0]), tag, revision)
            if uid not in found or found[uid].revision < revision:
                found[uid] = accepted
        return found

    def raw(self) -> Counter[RawReading]:
        """Return the readings of the meters that were not accepted; one from another meter's topic has no meter."""
        found: Counter[RawReading] = Counter()
        for topic, records in self.packs().values():
            if "/readings/" in topic:
                for name, count in _voltages(records):
                    found[name if topic.rpartition("/")[2].startswith(name) else "", count] += 1
        return found


def _texts(records: list[dict[str, Any]]) -> dict[str, str]:
    return {record["n"]: record["vs"] for record in records if "vs" in record}


def _display(record: dict[str, Any]) -> str:
    """Return a value in the base unit as it was on the display."""
    if record["n"] == "capacitance":
        return f"{record['v'] * 1e6:.2f} µF"
    return f"{record['v']:.3f} V"


def _voltages(records: list[dict[str, Any]]) -> Iterator[RawReading]:
    for record in records:
        if record.get("n") == "voltage":
            yield meter_and_count(round(record["v"] * 1000))
