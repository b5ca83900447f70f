"""The publisher of a station: started, replaced when the settings change, and ended last."""

import asyncio
from collections.abc import Callable, Mapping
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

from meterlink.ble.cancellation import run_to_completion
from meterlink.core.clock import Clock
from meterlink.core.errors import StoreError
from meterlink.core.notices import NoticeLevel
from meterlink.settings import MqttSettings
from meterlink.station.config import PublishingConfig
from meterlink.store.reader import Reader
from meterlink.store.writer import Writer

if TYPE_CHECKING:
    from meterlink.publish.outbox import StoreOutbox
    from meterlink.publish.publisher import Publisher

# A station that stops waits this long for the broker to accept the last readings. A person waits for the stop, too.
FLUSH_TIMEOUT = 3.0  # s


class Publishing:
    """Runs a publisher while the settings name a broker.

    ``on_state(level, text)`` is called at every change of its state; see `Publisher`. Without ``connects`` messages
    wait in the outbox for a later run.
    """

    def __init__(
        self,
        folder: Path,
        station: str,
        reader: Reader,
        writer: Writer,
        clock: Clock,
        on_state: Callable[[NoticeLevel, str], None],
        *,
        connects: bool,
    ) -> None:
        self._folder = folder
        self._station = station
        self._reader = reader
        self._writer = writer
        self._clock = clock
        self._on_state = on_state
        self._connects = connects
        self._retained: dict[str, Mapping[str, object]] = {}
        self._outbox: StoreOutbox | None = None
        self._publisher: Publisher | None = None
        self._task: asyncio.Task[None] | None = None

    @property
    def publisher(self) -> "Publisher | None":
        """The present publisher; None without a broker."""
        return self._publisher

    @property
    def state(self) -> str:
        """The state of the publisher, as `Publisher.state`; empty without one."""
        return "" if self._publisher is None else self._publisher.state

    async def apply(self, mqtt: MqttSettings | None) -> PublishingConfig | None:
        """Publish to the broker of the settings from now on; return how readings become messages, None without one.

        Raises:
            SettingsError: the file with the client identifier cannot be read or written; the publisher before runs on.
        """
        if mqtt is None:
            await self._stop()
            return None
        if not self._connects:
            return PublishingConfig(self._station, asyncio.Event())
        # The import needs a tenth of a second, and few stations publish.
        from meterlink.publish.config import make_broker_config  # noqa: PLC0415
        from meterlink.publish.outbox import StoreOutbox  # noqa: PLC0415
        from meterlink.publish.publisher import Publisher  # noqa: PLC0415

        broker = make_broker_config(mqtt, self._folder)
        await self._stop()
        outbox = self._outbox = self._outbox or StoreOutbox(self._reader, self._writer)
        outbox.changed.set()
        self._publisher = Publisher(broker, self._station, outbox, self._on_state, clock=self._clock)
        for topic, content in self._retained.items():
            self._publisher.set_retained(topic, content)
        self._task = asyncio.create_task(self._publisher.run(), name="publisher")
        return PublishingConfig(self._station, outbox.changed)

    def set_retained(self, topic: str, content: Mapping[str, object]) -> None:
        """Keep ``content`` at the broker for later subscribers, also at one of later settings; see `Publisher`."""
        self._retained[topic] = content
        if self._publisher is not None:
            self._publisher.set_retained(topic, content)

    def read_again(self) -> None:
        """Publish nothing that was taken out of the outbox meanwhile."""
        if self._publisher is not None:
            self._publisher.read_again()

    async def end(self) -> None:
        """Publish the last messages, `FLUSH_TIMEOUT` at most, and end; the rest stays on the disk."""
        if self._publisher is not None:
            await self._flush(self._publisher)
        await self._stop()

    async def _stop(self) -> None:
        if self._publisher is not None and self._task is not None:
            self._publisher.stop()
            await run_to_completion(_wait_for(self._task))
            self._on_state(NoticeLevel.INFO, "")
        self._publisher = self._task = None

    async def _flush(self, publisher: "Publisher") -> None:
        with suppress(TimeoutError, StoreError):
            async with asyncio.timeout(FLUSH_TIMEOUT):
                # The outbox is a database table, which sends no signal when it is empty.
                while publisher.state == "online" and (await asyncio.to_thread(self._reader.counts))["outbox"]:  # noqa: ASYNC110
                    await asyncio.sleep(0.05)


async def _wait_for(task: asyncio.Task[None]) -> None:
    await task
