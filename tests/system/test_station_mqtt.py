"""A station publishes the demo's call to a real broker that stops and starts again; a consumer checks the messages."""

import asyncio
import json
import sqlite3
from pathlib import Path
from typing import Any

import aiomqtt
import pytest

from meterlink.settings import DATABASE_FILE, MqttSettings, Settings
from meterlink.station.station import StationConfig
from meterlink.store.reader import Reader
from meterlink_simulators.scenario import shipped_scenario
from meterlink_simulators.service_call import ServiceCall
from meterlink_simulators.virtual_time import VirtualClock, run_in_virtual_time
from support.mosquitto_broker import MOSQUITTO, ReceivedMessages, running_broker, running_consumer
from support.tools import skip_without_tool

# Ten virtual seconds a second: slow enough for sockets and threads to keep up with the timers.
SPEED = 10.0


@pytest.fixture(autouse=True)
def _with_a_broker() -> None:
    if MOSQUITTO is None:
        skip_without_tool("mosquitto")


def values_by_name(message: aiomqtt.Message) -> dict[str, Any]:
    """Return ``{record name: value}`` of a pack."""
    assert isinstance(message.payload, bytes)
    pack = json.loads(message.payload)
    return {
        record["n"]: next(record[key] for key in ("v", "vs", "vb") if key in record) for record in pack if "n" in record
    }


def first_of_each(messages: list[aiomqtt.Message]) -> list[tuple[str, aiomqtt.Message]]:
    """Return ``[(message id, message), …]`` without duplicates."""
    by_id: dict[str, aiomqtt.Message] = {}
    for message in messages:
        properties = dict(getattr(message.properties, "UserProperty", []))
        if "message-id" in properties:
            by_id.setdefault(properties["message-id"], message)
    return list(by_id.items())


@pytest.mark.fault("broker-down")
def test_readings_and_verdicts_survive_a_broker_that_stops_and_starts(tmp_path: Path) -> None:
    scenario = shipped_scenario("demo")
    folder = tmp_path / "data"
    folder.mkdir()
    received, calls, queued = ReceivedMessages(), [], []
    waiting_for_the_broker = [True]  # virtual time stops while the test waits for sockets and processes

    async def body() -> None:
        async with running_broker(tmp_path) as mosquitto, running_consumer(mosquitto.port, received):
            settings = Settings("van-3", mqtt=MqttSettings("127.0.0.1", mosquitto.port, tls=False))
            config = StationConfig(
                folder, settings, scenario.site, scenario.plan, "boot",
                serve=False, clock=VirtualClock(),
            )  # fmt: skip
            call = ServiceCall(scenario, config)
            calls.append(call)
            running = asyncio.create_task(call.run(keep_running=True))
            waiting_for_the_broker.clear()
            await asyncio.sleep(12)
            await mosquitto.stop()
            await asyncio.sleep(20)
            queued.append(Reader(folder / DATABASE_FILE).counts()["outbox"])
            await mosquitto.start()
            async with running_consumer(mosquitto.port, received):
                # Wait until every point is measured and the publisher has found the broker again.
                async with asyncio.timeout(600):
                    counts = Reader(folder / DATABASE_FILE).counts()
                    while counts["accepted_readings"] < 10 or counts["outbox"] > 5:
                        await asyncio.sleep(1)
                        counts = Reader(folder / DATABASE_FILE).counts()
                call.stop()
                await running
                waiting_for_the_broker.append(True)
                accepted = Reader(folder / DATABASE_FILE).history()
                await received.wait_until(
                    lambda messages: (
                        sum("/accepted/" in str(message.topic) for _, message in first_of_each(messages))
                        == len(accepted)
                        and received.states()[-1]["state"] == "offline"
                    )
                )

    run_in_virtual_time(
        body(), busy=lambda: bool(waiting_for_the_broker) or any(call.busy for call in calls), speed=SPEED
    )

    assert queued[0] > 10  # messages waited on disk
    reader = Reader(folder / DATABASE_FILE)
    assert reader.counts()["outbox"] == 0
    history = reader.history()
    packs = [(message, values_by_name(message)) for _, message in first_of_each(received.messages)]
    verdicts = [(pack["test-point"], pack["verdict"]) for message, pack in packs if "/accepted/" in str(message.topic)]
    assert verdicts == [(row.point_key, str(row.judgement.verdict)) for row in history]
    fan = next(pack for _, pack in packs if pack.get("test-point") == "run-capacitor-fan")
    assert fan["capacitance"] == pytest.approx(7.43e-06)  # SenML has no µF: RFC 8428, base units
    # Every raw reading of every meter arrived, in order.
    for (name,) in _query(folder, "SELECT name FROM meters"):
        times = [
            record_time
            for message, _ in packs
            if "/readings/" in str(message.topic) and name.split()[0] in str(message.topic)
            for record_time in _times(message)
        ]
        assert times == sorted(times)
        ((raw,),) = _query(
            folder,
            "SELECT count(*) FROM readings WHERE meter = ?"
            " AND id NOT IN (SELECT raw_reading_id FROM accepted_readings)",
            name,
        )
        assert len(times) == raw
    states = [state["state"] for state in received.states()]
    assert states[0] == "online"
    assert states[-1] == "offline"


def _times(message: aiomqtt.Message) -> list[float]:
    assert isinstance(message.payload, bytes)
    pack = json.loads(message.payload)
    base = pack[0].get("bt", 0.0)
    return [
        base + record.get("t", 0.0) for record in pack if "v" in record or str(record.get("n", "")).endswith("/status")
    ]


def _query(folder: Path, query: str, *values: str) -> list[Any]:
    connection = sqlite3.connect(f"file:{folder / DATABASE_FILE}?mode=ro", uri=True)
    try:
        return connection.execute(query, values).fetchall()
    finally:
        connection.close()


def test_without_a_broker_nothing_is_queued(tmp_path: Path) -> None:
    scenario = shipped_scenario("demo")
    calls: list[ServiceCall] = []

    async def body() -> None:
        config = StationConfig(
            tmp_path, Settings("van-3"), scenario.site, scenario.plan, "boot", serve=False, clock=VirtualClock()
        )
        calls.append(ServiceCall(scenario, config))
        await calls[0].run()

    run_in_virtual_time(body(), busy=lambda: any(call.busy for call in calls))
    counts = Reader(tmp_path / DATABASE_FILE).counts()
    assert counts["accepted_readings"] == 10
    assert counts["outbox"] == 0
