"""Publish the messages of the outbox, oldest first, and delete each after the broker has acknowledged it."""

import asyncio
import json
import random
from collections import deque
from collections.abc import Awaitable, Callable
from typing import Literal, Protocol

from meterlink.core.clock import Clock, SystemClock, format_rfc3339
from meterlink.core.errors import MeterlinkError, PublishError
from meterlink.core.notices import NoticeLevel
from meterlink.core.version import VERSION
from meterlink.publish.broker import BrokerConfig, ConfigurationError, MessageRejectedError, UnreachableError
from meterlink.publish.mqtt import BrokerConnection
from meterlink.publish.mqtt_client import MqttMessage, PublishResult
from meterlink.publish.outbox import Outbox, OutboxMessage
from meterlink.publish.topics import state_topic
from meterlink.record.senml import CONTENT_TYPE

# Unacknowledged messages at a time: enough for 160 messages a second over a link with 100 ms round trip, and few enough
# that a lost connection causes few duplicates.
MAX_IN_FLIGHT = 16
FIRST_RETRY_DELAY = 1.0  # s; doubled with every failure up to LONGEST_RETRY_DELAY
LONGEST_RETRY_DELAY = 60.0  # s; a broker that is back is found within a minute
STABLE_AFTER = 30.0  # s of connection before the retry delay starts again at its first value
CONFIGURATION_RETRY_DELAY = 300.0  # s; a person must act first, and some brokers block frequent attempts
REPLY_TIMEOUT = 20.0  # s for an answer; the shortest keepalive, since a slower broker is useless
STOP_TIMEOUT = 5.0  # s for the last messages; service managers kill after 10 s or more

PublisherState = Literal["connecting", "online", "waiting", "configuration", "stopped"]
Sleep = Callable[[float], Awaitable[None]]


class OpenConnection(Protocol):
    """A function that opens a connection: `BrokerConnection.open`, or a test's."""

    def __call__(self, broker: BrokerConfig, will: MqttMessage, reply_timeout: float) -> Awaitable[BrokerConnection]:
        """Return an open connection; the errors are those of `BrokerConnection.open`."""
        ...


class Publisher:
    """Publishes the outbox of one station while `run` runs.

    A message is deleted only after the broker has acknowledged it. A message without an acknowledgement when the
    connection breaks is sent again with the same ``message-id``. A message that the broker denies is set aside with the
    reason, and the next ones are sent.

    ``on_state(level, text)`` is called at every change: ``info`` with an empty text without a fault, ``warning`` for a
    fault that passes by itself or concerns single messages, ``alarm`` for a fault that a person must mend. ``state`` is
    ``connecting``, ``online``, ``waiting``, ``configuration`` or ``stopped``.
    """

    def __init__(
        self,
        broker: BrokerConfig,
        station: str,
        outbox: Outbox,
        on_state: Callable[[NoticeLevel, str], None],
        *,
        clock: Clock | None = None,
        open_connection: OpenConnection = BrokerConnection.open,
        sleep: Sleep = asyncio.sleep,
        random_fraction: Callable[[], float] = random.random,
        reply_timeout: float = REPLY_TIMEOUT,
        stop_timeout: float = STOP_TIMEOUT,
    ) -> None:
        self._broker = broker
        self._station = station
        self._outbox = outbox
        self._on_state = on_state
        self._clock = clock or SystemClock()
        self._open_connection = open_connection
        self._sleep = sleep
        self._random_fraction = random_fraction
        self._reply_timeout = reply_timeout
        self._stop_timeout = stop_timeout
        self._stopping = asyncio.Event()
        self._stop_deadline: asyncio.Timeout | None = None
        self._reported: tuple[NoticeLevel, str] = (NoticeLevel.INFO, "")
        self._denied_count = 0
        self._last_denial = ""
        self._one_by_one = False
        self._online_since: int | None = None  # monotonic ns
        self.state: PublisherState = "connecting"

    def stop(self) -> None:
        """End `run`; call it in the event loop's thread.

        `run` waits for the messages it has sent and publishes ``offline``. If the broker does not answer within
        ``stop_timeout`` s, the connection is cut, and the broker publishes the will instead.
        """
        self._stopping.set()
        if self._stop_deadline is not None:
            self._stop_deadline.reschedule(asyncio.get_running_loop().time() + self._stop_timeout)

    async def run(self) -> None:
        """Publish until `stop`. Cancelling cuts the connection at once; neither loses a message of the outbox.

        Raises:
            TimeoutError: the outbox raised it before `stop`.
        """
        try:
            async with asyncio.timeout(None) as self._stop_deadline:
                await self._keep_connected()
        except TimeoutError:
            if not self._stopping.is_set():
                raise
        finally:
            self._stop_deadline = None
            self.state = "stopped"

    async def _keep_connected(self) -> None:
        failures = 0
        while not self._stopping.is_set():
            self.state, self._online_since = "connecting", None
            try:
                await self._connect_and_publish()
            except ConfigurationError as error:
                failures = 0
                self.state, delay = "configuration", CONFIGURATION_RETRY_DELAY
                text = f"{error} Readings wait on disk; next try in {CONFIGURATION_RETRY_DELAY / 60:.0f} minutes."
                self._report(NoticeLevel.ALARM, text)
            except MeterlinkError as error:
                failures = 0 if self._was_stable() else failures
                self.state, delay = (
                    "waiting",
                    self._random_fraction() * min(LONGEST_RETRY_DELAY, FIRST_RETRY_DELAY * 2**failures),
                )
                failures = min(failures + 1, 10)  # 2**10 s is above the longest delay
                self._report(NoticeLevel.WARNING, f"{error} Readings wait on disk; trying again.")
            else:
                return
            await self._wait_unless_stopping(self._sleep(delay))

    def _was_stable(self) -> bool:
        since = self._online_since
        return since is not None and self._clock.now().monotonic_ns - since >= STABLE_AFTER * 1e9

    async def _connect_and_publish(self) -> None:
        connection = await self._connect()
        if connection is None:
            return
        try:
            await self._publish_state(connection, "online")
            self._online_since = self._clock.now().monotonic_ns
            self.state = "online"
            self._report_online()
            await self._publish_entries(connection)
            await self._publish_state(connection, "offline")
        except BaseException:
            await connection.abort()
            raise
        await connection.close()

    async def _connect(self) -> BrokerConnection | None:
        will = self._state_message("offline", "connection lost")
        opening = asyncio.ensure_future(self._open_connection(self._broker, will, self._reply_timeout))
        try:
            await self._wait_unless_stopping(opening)
        except asyncio.CancelledError:
            if opening.done() and not opening.cancelled() and opening.exception() is None:
                await opening.result().abort()
            raise
        return None if opening.cancelled() else opening.result()

    async def _publish_entries(self, connection: BrokerConnection) -> None:
        """Publish entries until `stop`; return when every sent entry has its answer."""
        outbox, in_flight = self._outbox, deque[tuple[OutboxMessage, asyncio.Future[PublishResult]]]()
        window = 1 if self._one_by_one else min(MAX_IN_FLIGHT, connection.receive_maximum)
        self._one_by_one = False
        last_id = 0
        while True:
            outbox.changed.clear()  # before reading, so that an entry added meanwhile sets it again
            entries: list[OutboxMessage] = []
            if not self._stopping.is_set() and len(in_flight) < window:
                entries = list(await outbox.pending(window - len(in_flight), last_id))
            for entry in entries:
                message = MqttMessage(entry.topic, entry.payload, CONTENT_TYPE, entry.message_id)
                in_flight.append((entry, connection.send(message)))
                last_id = entry.id
            if in_flight:
                await self._handle_results(connection, in_flight)
            elif self._stopping.is_set():
                return
            else:
                await _first_of(outbox.changed.wait(), self._stopping.wait(), connection.lost)
                if connection.lost.done():
                    raise connection.lost.result()

    async def _handle_results(
        self, connection: BrokerConnection, in_flight: deque[tuple[OutboxMessage, asyncio.Future[PublishResult]]]
    ) -> None:
        """Wait for the answer to the oldest message; delete or reject it and every answered message after it."""
        error: PublishError | None = None
        try:
            await self._wait_for_result(connection, in_flight[0][1])
        except PublishError as publish_error:
            error = publish_error  # answers from before the fault still count
        sent: list[int] = []
        denied: list[tuple[OutboxMessage, str]] = []
        while in_flight and in_flight[0][1].done():
            entry, answer = in_flight.popleft()
            denial = answer.result().denial_reason
            if denial:
                denied.append((entry, denial))
            else:
                sent.append(entry.id)
        if sent:
            await self._outbox.delete_sent(sent)
        for entry, denial in denied:
            await self._reject(entry, denial)
        if isinstance(error, MessageRejectedError) and in_flight:
            await self._handle_rejection(error, [entry for entry, _ in in_flight])
        if error is not None:
            raise error

    async def _handle_rejection(self, error: MessageRejectedError, entries: list[OutboxMessage]) -> None:
        if len(entries) == 1:
            await self._reject(entries[0], error.message)
        else:
            self._one_by_one = True  # the broker does not name the message: the next connection sends one at a time

    async def _reject(self, entry: OutboxMessage, reason: str) -> None:
        await self._outbox.reject(entry.id, reason)
        self._denied_count += 1
        self._last_denial = f"{entry.topic}: {reason}"
        self._report_online()

    async def _wait_for_result(
        self, connection: BrokerConnection, answer: asyncio.Future[PublishResult]
    ) -> PublishResult:
        """Return the broker's answer.

        Raises:
            PublishError: the connection was lost.
            UnreachableError: no answer within the reply timeout.
        """
        outcomes: set[asyncio.Future[PublishResult] | asyncio.Future[PublishError]] = {answer, connection.lost}
        await asyncio.wait(outcomes, timeout=self._reply_timeout, return_when=asyncio.FIRST_COMPLETED)
        if answer.done():
            return answer.result()
        if connection.lost.done():
            raise connection.lost.result()
        raise UnreachableError(f"{self._broker} has not acknowledged a message for {self._reply_timeout:g} s.")

    async def _publish_state(self, connection: BrokerConnection, state: Literal["online", "offline"]) -> None:
        message = self._state_message(state, "stopped" if state == "offline" else "")
        answer = await self._wait_for_result(connection, connection.send(message))
        if answer.denial_reason:
            self._denied_count += 1
            self._last_denial = f"{message.topic}: {answer.denial_reason}"

    def _state_message(self, state: Literal["online", "offline"], reason: str) -> MqttMessage:
        content = {
            "state": state,
            "station": self._station,
            "software": VERSION,
            # A will has the time when its connection was opened: the time when it broke is unknown.
            "since" if reason != "connection lost" else "connected": format_rfc3339(self._clock.now().utc_ns),
        }
        if reason:
            content["reason"] = reason
        payload = json.dumps(content, ensure_ascii=False).encode(errors="replace")
        return MqttMessage(state_topic(self._station), payload, "application/json", retain=True)

    def _report_online(self) -> None:
        if not self._denied_count:
            self._report(NoticeLevel.INFO, "")
            return
        self._report(
            NoticeLevel.WARNING,
            f"{self._broker} denied messages ({self._denied_count} since the start, last {self._last_denial}). "
            "They are set aside; check what this station may publish.",
        )

    def _report(self, level: NoticeLevel, text: str) -> None:
        if (level, text) != self._reported:
            self._reported = (level, text)
            self._on_state(level, text)

    async def _wait_unless_stopping(self, work: Awaitable[object]) -> None:
        """Wait for ``work``, or for `stop`, which cancels it."""
        await _first_of(work, self._stopping.wait())


async def _first_of(*work: Awaitable[object]) -> None:
    """Wait until one of ``work`` is done, and cancel the other tasks; plain futures belong to their creators."""
    waits: list[asyncio.Future[object]] = [asyncio.ensure_future(awaitable) for awaitable in work]
    try:
        await asyncio.wait(waits, return_when=asyncio.FIRST_COMPLETED)
    finally:
        tasks = [wait for wait in waits if isinstance(wait, asyncio.Task)]
        for task in tasks:
            task.cancel()
        if tasks:
            await asyncio.wait(tasks)
