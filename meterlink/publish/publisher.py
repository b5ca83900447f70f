"""Publish the messages of the outbox, oldest first, and delete each after the broker has acknowledged it."""

import asyncio
import json
import logging
import random
from collections.abc import Awaitable, Callable, Mapping, Sequence
from contextlib import suppress
from typing import Literal, Protocol

from meterlink.core.clock import Clock, SystemClock, format_rfc3339
from meterlink.core.errors import MeterlinkError, PublishError
from meterlink.core.notices import NoticeLevel
from meterlink.core.version import VERSION
from meterlink.publish.broker import (
    BrokerConfig,
    ClosedByBrokerError,
    ConfigurationError,
    MessageRejectedError,
    UnreachableError,
)
from meterlink.publish.delivery import MAX_IN_FLIGHT, Delivery
from meterlink.publish.mqtt import BrokerConnection
from meterlink.publish.mqtt_client import MqttMessage, PublishResult
from meterlink.publish.outbox import Outbox
from meterlink.publish.retained_states import RetainedStates
from meterlink.publish.topics import state_topic

FIRST_RETRY_DELAY = 1.0  # s; doubled with every failure up to LONGEST_RETRY_DELAY
LONGEST_RETRY_DELAY = 60.0  # s; a broker that is back is found within a minute
STABLE_AFTER = 30.0  # s of connection before the retry delay starts again at its first value
CONFIGURATION_RETRY_DELAY = 300.0  # s; a person must act first, and some brokers block frequent attempts
REPLY_TIMEOUT = 20.0  # s for an answer; the shortest keepalive, since a slower broker is useless
STOP_TIMEOUT = 5.0  # s for the last messages; service managers kill after 10 s or more

# Losses of the connection, each with the same message alone under way, until that message is held to be the cause: one
# may be a broker that was just restarted.
LOSSES_OF_A_SUSPECT = 2
# Messages sent one at a time after a loss: as many as were under way; at most those of 100 s over a link with 100 ms
# round trip.
FIRST_CAUTION, LONGEST_CAUTION = MAX_IN_FLIGHT, 1_000
# Reasons of denials that a notice names: a broker has one or two, and a line has no room for more.
_NAMED_REASONS = 3

_log = logging.getLogger(__name__)

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
    reason, and so is one after which the broker closes the connection again and again; the next ones are sent.

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
        self._denials: dict[str, str] = {}  # the first topic of each reason
        self._states = RetainedStates()
        self._delivery: Delivery | None = None  # of the present connection, or of the one that was just lost
        self._caution = 0
        self._suspect: int | str = 0  # the id of a message, or the topic of a retained state
        self._suspect_losses = 0
        self._publishes_state = True  # until the broker denies it
        self._try_now = asyncio.Event()
        self._has_outcome = asyncio.Event()
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
        """Publish until `stop`. Cancelling cuts the connection at once; neither loses a message of the outbox."""
        try:
            with suppress(TimeoutError):  # after `stop`
                async with asyncio.timeout(None) as self._stop_deadline:
                    await self._keep_connected()
        finally:
            self._stop_deadline = None
            self.state = "stopped"
            self._has_outcome.set()

    def set_retained(self, topic: str, content: Mapping[str, object]) -> None:
        """Publish ``content`` as JSON that the broker keeps for later subscribers; call it in the event loop's thread.

        The newest content of a topic counts. It is published now or once there is a connection, and again on every new
        connection.
        """
        self._states.set(_json_message(topic, content))

    async def publish_now(self) -> str:
        """End the pause before the next try, and its growth; return the fault after that try, empty for none.

        Earlier denials are no longer reported: their messages may have been put back.
        """
        self._denials.clear()
        self._publishes_state = True
        self._states.try_again()
        self._outbox.changed.set()
        if self.state == "online":
            self._report_online()
        elif self.state != "connecting":
            self._has_outcome.clear()
            self._try_now.set()
        with suppress(TimeoutError):
            async with asyncio.timeout(self._reply_timeout):
                await self._has_outcome.wait()
        return self._reported[1]

    def read_again(self) -> None:
        """Publish nothing that was taken out of the outbox meanwhile; call it in the event loop's thread."""
        if self._delivery is not None:
            self._delivery.read_again()

    async def _keep_connected(self) -> None:
        failures = 0
        while not self._stopping.is_set():
            self._begin_attempt()
            try:
                await self._connect_and_publish()
            except ConfigurationError as error:
                failures = 0
                self.state, delay = "configuration", CONFIGURATION_RETRY_DELAY
                text = f"{error} Readings wait on disk; next try in {CONFIGURATION_RETRY_DELAY / 60:.0f} minutes."
                self._report(NoticeLevel.ALARM, text)
            except MeterlinkError as error:
                failures = 0 if self._was_answered() or self._was_stable() else failures
                self.state, delay = (
                    "waiting",
                    self._random_fraction() * min(LONGEST_RETRY_DELAY, FIRST_RETRY_DELAY * 2**failures),
                )
                failures = min(failures + 1, 10)  # 2**10 s is above the longest delay
                if not (self._denials and self._was_answered()):  # a broker that hangs up at denials: they are reported
                    self._report(NoticeLevel.WARNING, f"{error} Readings wait on disk; trying again.")
            except Exception:  # noqa: BLE001  # a fault of our own must not end the publishing for good
                _log.exception("the publisher has a fault")
                self.state, delay = "waiting", LONGEST_RETRY_DELAY
                text = f"Publishing to {self._broker} failed by a fault of Meterlink's own; the log has it."
                self._report(NoticeLevel.ALARM, f"{text} Readings wait on disk; trying again.")
            else:
                return
            self._has_outcome.set()
            await self._pause(delay)
            if self._try_now.is_set():
                failures = 0

    def _begin_attempt(self) -> None:
        self.state, self._online_since, self._delivery = "connecting", None, None
        self._try_now.clear()
        self._has_outcome.clear()

    def _was_answered(self) -> bool:
        """Whether the broker answered a message on the connection that was lost."""
        return self._delivery is not None and self._delivery.answers > 0

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
            self._has_outcome.set()
            await self._deliver(connection)
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

    async def _deliver(self, connection: BrokerConnection) -> None:
        self._delivery = delivery = Delivery(
            connection,
            self._outbox,
            self._states,
            broker=str(self._broker),
            stopping=self._stopping,
            caution=self._caution,
            reply_timeout=self._reply_timeout,
            on_denied=self._note_denials,
        )
        try:
            await delivery.run()
        except PublishError as error:
            self._caution = self._caution_after(delivery)
            await self._suspect_message(delivery, error)
            raise

    def _caution_after(self, delivery: Delivery) -> int:
        """Return how many messages the next connection sends one at a time, after the loss of one.

        Each further loss in a full window doubles it: a broker that hangs up at denials also drops the answers that are
        on their way, and the messages are published twice.
        """
        if delivery.is_careful:
            return self._caution
        if not delivery.has_unanswered:
            return 0
        return FIRST_CAUTION if self._was_stable() else min(max(FIRST_CAUTION, self._caution * 2), LONGEST_CAUTION)

    async def _suspect_message(self, delivery: Delivery, error: PublishError) -> None:
        """Set the message aside that was alone under way, if it must be the reason why the broker hung up."""
        lone = delivery.lone
        if lone is None or not isinstance(error, ClosedByBrokerError | MessageRejectedError):
            return
        suspect = lone if isinstance(lone, str) else lone.id
        self._suspect_losses = self._suspect_losses + 1 if suspect == self._suspect else 1
        self._suspect = suspect
        if isinstance(error, MessageRejectedError):
            reason = error.message
        elif self._suspect_losses >= LOSSES_OF_A_SUSPECT:
            reason = f"{self._broker} closed the connection {self._suspect_losses} times when it got this message."
        else:
            return
        if isinstance(lone, str):
            self._states.give_up(lone)
            self._note_denials([(lone, reason)])
        else:
            await self._outbox.reject({lone.id: reason})
            self._note_denials([(lone.topic, reason)])

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
        if not self._publishes_state:
            return
        message = self._state_message(state, "stopped" if state == "offline" else "")
        answer = await self._wait_for_result(connection, connection.send(message))
        if answer.denial_reason:
            self._publishes_state = False  # some brokers hang up at each denial, and nothing else would be published
            self._denials.setdefault(answer.denial_reason, message.topic)

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
        return _json_message(state_topic(self._station), content)

    def _note_denials(self, denials: Sequence[tuple[str, str]]) -> None:
        """Report messages that were set aside: a reason once, however many there are."""
        for topic, reason in denials:
            self._denials.setdefault(reason, topic)
        self._report_online()

    def _report_online(self) -> None:
        if not self._denials:
            self._report(NoticeLevel.INFO, "")
            return
        named = [f"{topic}: {reason}" for reason, topic in self._denials.items()][:_NAMED_REASONS]
        self._report(
            NoticeLevel.WARNING,
            f"{self._broker} denied messages ({'; '.join(named)}). Check its rules for this station. See: meterlink "
            "outbox list",
        )

    def _report(self, level: NoticeLevel, text: str) -> None:
        if (level, text) != self._reported:
            self._reported = (level, text)
            self._on_state(level, text)

    async def _pause(self, delay: float) -> None:
        """Wait before the next try; `stop` and `publish_now` end it."""
        await _first_of(self._sleep(delay), self._stopping.wait(), self._try_now.wait())

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


def _json_message(topic: str, content: Mapping[str, object]) -> MqttMessage:
    payload = json.dumps(content, ensure_ascii=False).encode(errors="replace")
    return MqttMessage(topic, payload, "application/json", retain=True)
