"""A real broker that is killed, stopped, and told to deny messages, with its consumer."""

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from random import Random

from studies.soak.consumer import MARKER_TOPIC, Consumer
from studies.soak.daemon_process import DaemonProcess
from support.mosquitto_broker import MosquittoBroker, running_broker

# The kinds of messages of the outbox, and those beside it.
_DENIED = ("accepted/#", "readings/#")
_OTHERS = ("state", "alarm")


class FaultyBroker:
    """The broker, with its consumer, whose session it has kept."""

    def __init__(self, broker: MosquittoBroker, rules: Path, consumer: Consumer) -> None:
        self._broker = broker
        self._config = broker.config.read_text(encoding="utf-8")
        self._rules = rules
        self.consumer = consumer
        self.port = broker.port
        self._is_up = True

    @property
    def is_up(self) -> bool:
        return self._is_up

    async def start(self) -> None:
        if not self._is_up:
            await self._broker.start()
            self._is_up = True

    async def stop(self) -> None:
        self._is_up = False
        await self._broker.stop()

    async def kill(self, daemon: DaemonProcess) -> None:
        """Kill it at a moment when the consumer has all that it has taken: a killed broker loses the rest."""
        with daemon.frozen():
            for _ in range(2):  # messages on their way to it may be taken after the first marker
                await self.consumer.catch_up()
            self._is_up = False
            await self._broker.kill()

    async def deny(self, rng: Random) -> None:
        """Deny one kind of the messages of the outbox."""
        denied = rng.choice(_DENIED)
        allowed = [kind for kind in (*_DENIED, *_OTHERS) if kind != denied]
        rules = f"topic read meterlink/#\ntopic readwrite {MARKER_TOPIC}\n"
        rules += "".join(f"topic write meterlink/+/{kind}\n" for kind in allowed)
        self._rules.write_text(rules, encoding="ascii")
        # Only while it denies: with rules, a broker that was started again drops the messages for a consumer that has
        # not come back yet (seen with mosquitto 2.0.11).
        self._broker.config.write_text(f"{self._config}acl_file {self._rules}\n", encoding="utf-8")
        await self._broker.reload()

    async def allow(self) -> None:
        self._broker.config.write_text(self._config, encoding="utf-8")
        await self._broker.reload()


@asynccontextmanager
async def running_faulty_broker(folder: Path) -> AsyncIterator[FaultyBroker]:
    """Run a broker without limits of its queues: nothing is lost by it."""
    limits = ("max_queued_messages 0", "max_inflight_messages 0")
    async with running_broker(folder, *limits, "log_type information") as broker:
        consumer = Consumer(broker.port)
        try:
            await consumer.catch_up()
            await broker.stop()  # it keeps the consumer's session, so that a kill does not lose it
            await broker.start()
            yield FaultyBroker(broker, folder / "rules", consumer)
        finally:
            consumer.close()
