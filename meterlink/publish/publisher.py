"""The outbox's reader: publishes what was committed, oldest first, and deletes it once the broker has taken it."""

import asyncio
import json
import random
from collections import deque
from collections.abc import Awaitable, Callable
from typing import Literal, Protocol

from meterlink import VERSION
from meterlink.core.clock import Clock, SystemClock, rfc3339
from meterlink.core.errors import MeterlinkError, PublishError
from meterlink.publish.mqtt import (
    Answer,
    BlamedError,
    Broker,
    ConfigurationError,
    Connection,
    Message,
    UnreachableError,
)
from meterlink.publish.outbox import Entry, Outbox
from meterlink.publish.senml import CONTENT_TYPE
from meterlink.publish.topics import state_topic

# Messages under way at once: enough to fill a link with 100 ms round trip at 160 messages a second, few enough that a
# lost connection means few duplicates.
WINDOW = 16
FIRST_DELAY = 1.0  # s; doubled with every failure up to the next
LONGEST_DELAY = 60.0  # s; a broker that comes back is found within a minute
STEADY_AFTER = 30.0  # s of connection before a failure counts as the first again, so a flapping link is not hammered
CONFIGURATION_DELAY = 300.0  # s; someone has to act first, and brokers lock out who knocks too often
PATIENCE = 20.0  # s a broker may take to answer; the shortest keepalive, since a slower one is as good as gone
FAREWELL = 5.0  # s to say goodbye in; service managers kill after 10 s or more

Level = Literal["info", "warning", "alarm"]
State = Literal["connecting", "online", "waiting", "configuration", "stopped"]
Sleep = Callable[[float], Awaitable[None]]


class Opener(Protocol):
    """How a connection is opened: `Connection.open`, or a test's own."""

    def __call__(self, broker: Broker, will: Message, patience: float) -> Awaitable[Connection]:
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
        broker: Broker,
        station: str,
        outbox: Outbox,
        on_state: Callable[[Level, str], None],
        *,
        clock: Clock | None = None,
        open_connection: Opener = Connection.open,
        sleep: Sleep = asyncio.sleep,
        chance: Callable[[], float] = random.random,
        patience: float = PATIENCE,
        farewell: float = FAREWELL,
    ) -> None:
        self._broker = broker
        self._station = station
        self._outbox = outbox
        self._on_state = on_state
        self._clock = clock or SystemClock()
        self._open = open_connection
        self._sleep = sleep
        self._chance = chance
        self._patience = patience
        self._farewell = farewell
        self._stopping = asyncio.Event()
        self._limit: asyncio.Timeout | None = None
        self._told: tuple[Level, str] = ("info", "")
        self._denied = 0
        self._last_denial = ""
        self._one_by_one = False
        self._online_since: int | None = None  # monotonic ns
        self.state: State = "connecting"

    def stop(self) -> None:
        """Ask `run` to end; call it in the event loop's thread.

        What is under way is waited for, then ``offline`` is published. Where the broker does not answer within
        ``farewell`` seconds the connection is cut, and the broker's copy of the will says so instead.
        """
        self._stopping.set()
        if self._limit is not None:
            self._limit.reschedule(asyncio.get_running_loop().time() + self._farewell)

    async def run(self) -> None:
        """Publish until `stop`. Cancelling cuts the connection at once; nothing in the outbox is lost by either."""
        try:
            async with asyncio.timeout(None) as self._limit:
                await self._keep_connected()
        except TimeoutError:
            if not self._stopping.is_set():
                raise
        finally:
            self._limit = None
            self.state = "stopped"

    async def _keep_connected(self) -> None:
        failures = 0
        while not self._stopping.is_set():
            self.state, self._online_since = "connecting", None
            try:
                await self._connect_and_publish()
            except ConfigurationError as error:
                failures = 0
                self.state, delay = "configuration", CONFIGURATION_DELAY
                text = f"{error} Readings wait on disk; next try in {CONFIGURATION_DELAY / 60:.0f} minutes."
                self._tell("alarm", text)
            except MeterlinkError as error:
                failures = 0 if self._was_steady() else failures
                self.state, delay = "waiting", self._chance() * min(LONGEST_DELAY, FIRST_DELAY * 2**failures)
                failures = min(failures + 1, 10)  # far past the longest delay; a larger power would be for nothing
                self._tell("warning", f"{error} Readings wait on disk; trying again.")
            else:
                return
            await self._unless_stopping(self._sleep(delay))

    def _was_steady(self) -> bool:
        since = self._online_since
        return since is not None and self._clock.stamp().monotonic_ns - since >= STEADY_AFTER * 1e9

    async def _connect_and_publish(self) -> None:
        connection = await self._connect()
        if connection is None:
            return
        try:
            await self._announce(connection, "online")
            self._online_since = self._clock.stamp().monotonic_ns
            self.state = "online"
            self._tell_online()
            await self._pump(connection)
            await self._announce(connection, "offline")
        except BaseException:
            await connection.drop()
            raise
        await connection.close()

    async def _connect(self) -> Connection | None:
        will = self._state_message("offline", "connection lost")
        opening = asyncio.ensure_future(self._open(self._broker, will, self._patience))
        try:
            await self._unless_stopping(opening)
        except asyncio.CancelledError:
            if opening.done() and not opening.cancelled() and opening.exception() is None:
                await opening.result().drop()
            raise
        return None if opening.cancelled() else opening.result()

    async def _pump(self, connection: Connection) -> None:
        """Publish entries until `stop`; return when all that were sent are settled."""
        outbox, under_way = self._outbox, deque[tuple[Entry, asyncio.Future[Answer]]]()
        window = 1 if self._one_by_one else min(WINDOW, connection.receive_maximum)
        self._one_by_one = False
        last_id = 0
        while True:
            outbox.changed.clear()  # before reading, so that what comes in between is noticed
            entries: list[Entry] = []
            if not self._stopping.is_set() and len(under_way) < window:
                entries = list(await outbox.pending(window - len(under_way), last_id))
            for entry in entries:
                message = Message(entry.topic, entry.payload, CONTENT_TYPE, entry.message_id)
                under_way.append((entry, connection.send(message)))
                last_id = entry.id
            if under_way:
                await self._settle(connection, under_way)
            elif self._stopping.is_set():
                return
            else:
                await _first_of(outbox.changed.wait(), self._stopping.wait(), connection.lost)
                if connection.lost.done():
                    raise connection.lost.result()

    async def _settle(self, connection: Connection, under_way: deque[tuple[Entry, asyncio.Future[Answer]]]) -> None:
        """Wait for the answer to the oldest message, then book it and all that were answered after it."""
        error: PublishError | None = None
        try:
            await self._answer(connection, under_way[0][1])
        except PublishError as lost:
            error = lost  # what was answered before the connection broke still counts
        sent: list[int] = []
        denied: list[tuple[Entry, str]] = []
        while under_way and under_way[0][1].done():
            entry, answer = under_way.popleft()
            denial = answer.result().denial
            if denial:
                denied.append((entry, denial))
            else:
                sent.append(entry.id)
        if sent:
            await self._outbox.sent(sent)
        for entry, denial in denied:
            await self._set_aside(entry, denial)
        if isinstance(error, BlamedError) and under_way:
            await self._blame(error, [entry for entry, _ in under_way])
        if error is not None:
            raise error

    async def _blame(self, error: BlamedError, entries: list[Entry]) -> None:
        if len(entries) == 1:
            await self._set_aside(entries[0], error.message)
        else:
            self._one_by_one = True  # the broker does not say which it was: the next connection sends them singly

    async def _set_aside(self, entry: Entry, reason: str) -> None:
        await self._outbox.set_aside(entry.id, reason)
        self._denied += 1
        self._last_denial = f"{entry.topic}: {reason}"
        self._tell_online()

    async def _answer(self, connection: Connection, answer: asyncio.Future[Answer]) -> Answer:
        """Return the broker's answer; its error when the connection is lost, or UnreachableError when none comes."""
        ends: set[asyncio.Future[Answer] | asyncio.Future[PublishError]] = {answer, connection.lost}
        await asyncio.wait(ends, timeout=self._patience, return_when=asyncio.FIRST_COMPLETED)
        if answer.done():
            return answer.result()
        if connection.lost.done():
            raise connection.lost.result()
        raise UnreachableError(f"{self._broker} has not acknowledged a message for {self._patience:g} s.")

    async def _announce(self, connection: Connection, state: Literal["online", "offline"]) -> None:
        message = self._state_message(state, "stopped" if state == "offline" else "")
        answer = await self._answer(connection, connection.send(message))
        if answer.denial:
            self._denied += 1
            self._last_denial = f"{message.topic}: {answer.denial}"

    def _state_message(self, state: Literal["online", "offline"], reason: str) -> Message:
        content = {
            "state": state,
            "station": self._station,
            "software": VERSION,
            # Of a will this is when the connection it belongs to was opened: nobody knows when it broke.
            "since" if reason != "connection lost" else "connected": rfc3339(self._clock.stamp().utc_ns),
        }
        if reason:
            content["reason"] = reason
        payload = json.dumps(content, ensure_ascii=False).encode(errors="replace")
        return Message(state_topic(self._station), payload, "application/json", retain=True)

    def _tell_online(self) -> None:
        if not self._denied:
            self._tell("info", "")
            return
        self._tell(
            "warning",
            f"{self._broker} denied messages ({self._denied} since the start, last {self._last_denial}). They are set "
            "aside; check what this station may publish.",
        )

    def _tell(self, level: Level, text: str) -> None:
        if (level, text) != self._told:
            self._told = (level, text)
            self._on_state(level, text)

    async def _unless_stopping(self, work: Awaitable[object]) -> None:
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
