"""A station that publishes is killed again and again; a consumer gets every message of its outbox."""

import asyncio
import sys
from functools import partial
from pathlib import Path

import aiomqtt
import pytest

from meterlink.publish.delivery import MAX_IN_FLIGHT
from meterlink.store.reader import Reader
from meterlink.store.rows import Batch, OutboxRow
from support.mosquitto_broker import MOSQUITTO, OUTER_TIMEOUT, ReceivedMessages, running_broker, running_consumer
from support.tools import skip_without_tool
from support.writers import OUTER, running_writer

MESSAGES = 3_000
# Messages that the consumer has when the process is killed: in the middle of reading, sending and deleting.
KILLED_AT = (1, 700, 1_900)

MAX_UNBOOKED = 200  # less than the publisher's own, so that a kill can show it

PROCESS = f"""
import asyncio, sys
from pathlib import Path
from meterlink.core.clock import SystemClock
from meterlink.publish import delivery
from meterlink.publish.broker import BrokerConfig
from meterlink.publish.outbox import StoreOutbox
from meterlink.publish.publisher import Publisher
from meterlink.store.reader import Reader
from meterlink.store.writer import Writer

delivery.MAX_UNBOOKED = {MAX_UNBOOKED}
path = Path(sys.argv[1])
writer = Writer(path, station="van", clock=SystemClock(), boot_id="boot", on_alarm=print)
writer.start()
broker = BrokerConfig("127.0.0.1", "teststation1", port=int(sys.argv[2]), tls=False)
async def main():
    await Publisher(broker, "van", StoreOutbox(Reader(path), writer), lambda level, text: None).run()
asyncio.run(main())
"""


@pytest.fixture(autouse=True)
def _with_a_broker() -> None:
    if MOSQUITTO is None:
        skip_without_tool("mosquitto")


def _has(least: int, messages: list[aiomqtt.Message]) -> bool:
    return len(messages) >= least


@pytest.mark.fault("killed-daemon")
async def test_nothing_of_the_outbox_is_lost_by_kills(tmp_path: Path) -> None:
    path = tmp_path / "meterlink.db"
    expected = [f"id-{number}" for number in range(MESSAGES)]
    with running_writer(path) as writer:
        rows = tuple(OutboxRow(name, "meterlink/van/readings/amber", b"[]", droppable=True) for name in expected)
        writer.submit(Batch(outbox=rows)).result(OUTER)
    received = ReceivedMessages()
    async with (
        running_broker(tmp_path, "log_type information", "max_queued_messages 20000") as mosquitto,
        running_consumer(mosquitto.port, received),
    ):
        for kill_at in (*KILLED_AT, None):
            process = await asyncio.create_subprocess_exec(sys.executable, "-c", PROCESS, path, str(mosquitto.port))
            try:
                if kill_at is None:
                    async with asyncio.timeout(OUTER_TIMEOUT):
                        while Reader(path).counts()["outbox"]:  # noqa: ASYNC110 - another process deletes the rows
                            await asyncio.sleep(0.02)
                else:
                    await received.wait_until(partial(_has, kill_at))
            finally:
                process.kill()
                await process.wait()
        await received.wait_until(lambda _: len(set(received.ids())) >= MESSAGES)
    ids = received.ids()
    assert list(dict.fromkeys(ids)) == expected, "in their order"
    assert len(ids) - MESSAGES <= len(KILLED_AT) * (MAX_UNBOOKED + MAX_IN_FLIGHT)
