"""The outbox's reader: publishes what was committed, oldest first, and deletes it once the broker has taken it."""

import asyncio
import json
import random
from collections import deque
from collections.abc import Awaitable, Callable
from typing import Literal, Protocol

from meterlink import VERSION
from meterlink.core.clock import Clock, SystemClock, format_rfc3339
from meterlink.core.errors import MeterlinkError, PublishError
from meterlink.publish.mqtt import (
    BrokerConfig,
    BrokerConnection,
    ConfigurationError,
    MessageRejectedError,
    MqttMessage,
    PublishResult,
    UnreachableError,
)
from meterlink.publish.outbox import Outbox, OutboxMessage
from meterlink.publish.senml import CONTENT_TYPE
from meterlink.publish.topics import state_topic

# Messages under way at once: enough to fill a link with 100 ms round trip at 160 messages a second, few enough that a
# lost connection means few duplicates.
MAX_IN_FLIGHT = 16
FIRST_RETRY_DELAY = 1.0  # s; doubled with every failure up to the next
LONGEST_RETRY_DELAY = 60.0  # s; a broker that comes back is found within a minute
STABLE_AFTER = 30.0  # s of connection before a failure counts as the first again, so a flapping link is not hammered
CONFIGURATION_RETRY_DELAY = 300.0  # s; someone has to act first, and brokers lock out who knocks too often
REPLY_TIMEOUT = 20.0  # s a broker may take to answer; the shortest keepalive, since a slower one is as good as gone
STOP_TIMEOUT = 5.0  # s to say goodbye in; service managers kill after 10 s or more

NoticeLevel = Literal["info", "warning", "alarm"]
PublisherState = Literal["connecting", "online", "waiting", "configuration", "stopped"]
Sleep = Callable[[float], Awaitable[None]]


class OpenConnection(Protocol):
    """How a connection is opened: `Connection.open`, or a test's own."""

    def __call__(self, broker: BrokerConfig, will: MqttMessage, timeout: float) -> Awaitable[BrokerConnection]:
        """Return an open connection; UnreachableError or ConfigurationError when there is none to be had."""
        ...


class Publisher:
    """Publishes the outbox of one station for as long as `run` runs.

    A message is deleted only after the broker acknowledged it with success, so one that was under way when the
    connection broke is sent again: the same ``message-id``, once more. One that the broker denies is set aside with
    its reason and the rest goes on.

    ``on_state(level, text)`` hears of every change: ``info`` with an empty text while all is well, ``warning`` for
    what passes by itself or concerns single messages, ``alarm`` for what someone must put right. ``state`` is
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
        self._reported: tuple[NoticeLevel, str] = ("info", "")
        self._denied_count = 0
        self._last_denial = ""
        self._one_by_one = False
        self._online_since: int | None = None  # monotonic ns
        self.state: PublisherState = "connecting"

    def stop(self) -> None:
        """Ask `run` to end; call it in the event loop's thread.

        What is under way is waited for, then ``offline`` is published. Where the broker does not answer within
        ``farewell`` seconds the connection is cut, and the broker's copy of the will says so instead.
        """
        self._stopping.set()
        if self._stop_deadline is not None:
            self._stop_deadline.reschedule(asyncio.get_running_loop().time() + self._stop_timeout)

    async def run(self) -> None:
        """Publish until `stop`. Cancelling cuts the connection at once; nothing in the outbox is lost by either."""
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
                self._report("alarm", text)
            except MeterlinkError as error:
                failures = 0 if self._was_stable() else failures
                self.state, delay = (
                    "waiting",
                    self._random_fraction() * min(LONGEST_RETRY_DELAY, FIRST_RETRY_DELAY * 2**failures),
                )
                failures = min(failures + 1, 10)  # far past the longest delay; a larger power would be for nothing
                self._report("warning", f"{error} Readings wait on disk; trying again.")
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
        """Publish entries until `stop`; return when all that were sent are settled."""
        outbox, under_way = self._outbox, deque[tuple[OutboxMessage, asyncio.Future[PublishResult]]]()
        window = 1 if self._one_by_one else min(MAX_IN_FLIGHT, connection.receive_maximum)
        self._one_by_one = False
        last_id = 0
        while True:
            outbox.changed.clear()  # before reading, so that what comes in between is noticed
            entries: list[OutboxMessage] = []
            if not self._stopping.is_set() and len(under_way) < window:
                entries = list(await outbox.pending(window - len(under_way), last_id))
            for entry in entries:
                message = MqttMessage(entry.topic, entry.payload, CONTENT_TYPE, entry.message_id)
                under_way.append((entry, connection.send(message)))
                last_id = entry.id
            if under_way:
                await self._handle_results(connection, under_way)
            elif self._stopping.is_set():
                return
            else:
                await _first_of(outbox.changed.wait(), self._stopping.wait(), connection.lost)
                if connection.lost.done():
                    raise connection.lost.result()

    async def _handle_results(
        self, connection: BrokerConnection, under_way: deque[tuple[OutboxMessage, asyncio.Future[PublishResult]]]
    ) -> None:
        """Wait for the answer to the oldest message, then book it and all that were answered after it."""
        error: PublishError | None = None
        try:
            await self._wait_for_result(connection, under_way[0][1])
        except PublishError as lost:
            error = lost  # what was answered before the connection broke still counts
        sent: list[int] = []
        denied: list[tuple[OutboxMessage, str]] = []
        while under_way and under_way[0][1].done():
            entry, answer = under_way.popleft()
            denial = answer.result().denial_reason
            if denial:
                denied.append((entry, denial))
            else:
                sent.append(entry.id)
        if sent:
            await self._outbox.delete_sent(sent)
        for entry, denial in denied:
            await self._reject(entry, denial)
        if isinstance(error, MessageRejectedError) and under_way:
            await self._handle_rejection(error, [entry for entry, _ in under_way])
        if error is not None:
            raise error

    async def _handle_rejection(self, error: MessageRejectedError, entries: list[OutboxMessage]) -> None:
        if len(entries) == 1:
            await self._reject(entries[0], error.message)
        else:
            self._one_by_one = True  # the broker does not say which it was: the next connection sends them singly

    async def _reject(self, entry: OutboxMessage, reason: str) -> None:
        await self._outbox.reject(entry.id, reason)
        self._denied_count += 1
        self._last_denial = f"{entry.topic}: {reason}"
        self._report_online()

    async def _wait_for_result(
        self, connection: BrokerConnection, answer: asyncio.Future[PublishResult]
    ) -> PublishResult:
        """Return the broker's answer; its error when the connection is lost, or UnreachableError when none comes."""
        ends: set[asyncio.Future[PublishResult] | asyncio.Future[PublishError]] = {answer, connection.lost}
        await asyncio.wait(ends, timeout=self._reply_timeout, return_when=asyncio.FIRST_COMPLETED)
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
            # Of a will this is when the connection it belongs to was opened: nobody knows when it broke.
            "since" if reason != "connection lost" else "connected": format_rfc3339(self._clock.now().utc_ns),
        }
        if reason:
            content["reason"] = reason
        payload = json.dumps(content, ensure_ascii=False).encode(errors="replace")
        return MqttMessage(state_topic(self._station), payload, "application/json", retain=True)

    def _report_online(self) -> None:
        if not self._denied_count:
            self._report("info", "")
            return
        self._report(
            "warning",
            f"{self._broker} denied messages ({self._denied_count} since the start, last {self._last_denial}). They are set "
            "aside; check what this station may publish.",
        )

    def _report(self, level: NoticeLevel, text: str) -> None:
        if (level, text) != self._reported:
            self._reported = (level, text)
            self._on_state(level, text)

    async def _wait_unless_stopping(self, work: Awaitable[object]) -> None:
        """Wait for ``work``, which is cancelled when `stop` comes first."""
        await _first_of(work, self._stopping.wait())


async def _first_of(*work: Awaitable[object]) -> None:
    """Wait until one of ``work`` is done and cancel the others, except plain futures, which belong to someone else."""
    waits: list[asyncio.Future[object]] = [asyncio.ensure_future(each) for each in work]
    try:
        await asyncio.wait(waits, return_when=asyncio.FIRST_COMPLETED)
    finally:
        tasks = [wait for wait in waits if isinstance(wait, asyncio.Task)]
        for task in tasks:
            task.cancel()
        if tasks:
            await asyncio.wait(tasks)
