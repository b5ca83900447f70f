"""The delivery of an outbox over one connection: read ahead in pages, sent in a window, booked in groups."""

import asyncio
from collections import deque
from collections.abc import Callable, Sequence
from typing import NamedTuple

from meterlink.core.errors import PublishError
from meterlink.publish.broker import UnreachableError
from meterlink.publish.mqtt import BrokerConnection
from meterlink.publish.mqtt_client import MqttMessage, PublishResult
from meterlink.publish.outbox import Outbox, OutboxMessage
from meterlink.publish.retained_states import RetainedStates
from meterlink.record.senml import CONTENT_TYPE

# Unacknowledged messages at a time: enough for 160 messages a second over a link with 100 ms round trip, and few enough
# that a lost connection causes few duplicates.
MAX_IN_FLIGHT = 16
# Messages read at a time: opening the database costs as much as reading 600 of them (1.1 ms, measured). A message has
# about 500 bytes, so a page has half a megabyte.
PAGE = 1024
# Answered messages deleted in one transaction while others are under way: a commit costs as much as sending some.
BOOKED_TOGETHER = 128
# Messages that are answered but not yet deleted, which a killed process would publish again: as many as a broker on the
# same machine answers during one slow commit (0.2 s on a memory card or a busy disk, measured on the latter).
MAX_UNBOOKED = 2048


class _Sent(NamedTuple):
    entry: OutboxMessage | None  # None for a retained state
    topic: str
    at: float  # time of the event loop in s


class Delivery:
    """Publishes the outbox over one connection while `run` runs.

    A message is deleted only after the broker has acknowledged it. One that the broker denied is set aside, and
    ``on_denied`` gets ``[(topic, reason), …]``. The first ``caution`` messages are sent one at a time: only so a
    message can be told that makes the broker close the connection.
    """

    def __init__(
        self,
        connection: BrokerConnection,
        outbox: Outbox,
        states: RetainedStates,
        *,
        broker: str,
        stopping: asyncio.Event,
        caution: int,
        reply_timeout: float,
        on_denied: Callable[[Sequence[tuple[str, str]]], None],
    ) -> None:
        self._connection = connection
        self._outbox = outbox
        self._states = states
        self._broker = broker
        self._stopping = stopping
        self._reply_timeout = reply_timeout
        self._on_denied = on_denied
        self._wake = asyncio.Event()
        self._queue: deque[OutboxMessage] = deque()
        self._last_read = 0
        self._last_sent = 0
        self._readings = 0  # of the outbox from the last message sent; pages of an earlier one are outdated
        self._in_flight: dict[asyncio.Future[PublishResult], _Sent] = {}
        self._answered: list[tuple[OutboxMessage, str]] = []  # with the reason of a denial
        self._unbooked = 0
        self._reading: asyncio.Task[tuple[int, Sequence[OutboxMessage]]] | None = None
        self._booking: asyncio.Task[None] | None = None
        self._reply_timer: asyncio.TimerHandle | None = None
        self._is_overdue = False
        self._caution = caution
        self.answers = 0
        """Number of messages of the outbox that the broker has answered."""

    @property
    def is_careful(self) -> bool:
        """Whether one message is sent at a time."""
        return self.answers < self._caution

    @property
    def has_unanswered(self) -> bool:
        """Whether messages are under way; after a loss, one of them may be its cause."""
        return bool(self._in_flight)

    @property
    def lone(self) -> OutboxMessage | str | None:
        """The message that is under way alone, or the topic of a retained state that is; else None."""
        if len(self._in_flight) != 1:
            return None
        (sent,) = self._in_flight.values()
        return sent.topic if sent.entry is None else sent.entry

    def read_again(self) -> None:
        """Drop the messages that were read ahead: some may have been taken out of the outbox."""
        self._queue.clear()
        self._last_read = self._last_sent
        self._readings += 1

    async def run(self) -> None:
        """Publish until ``stopping`` is set; return when every sent message has its answer, and all are booked.

        Raises:
            PublishError: the connection was lost, or the broker does not answer; earlier answers are booked.
            StoreError: the outbox cannot be read or written.
        """
        stopping = asyncio.create_task(self._stopping.wait())
        stopping.add_done_callback(self._wake_up)
        self._connection.lost.add_done_callback(self._wake_up)
        self._states.changed = self._wake.set
        self._states.begin_connection()
        try:
            while not self._is_finished():
                self._wake.clear()
                self._collect_page()
                self._send()
                self._start_reading()
                self._continue_booking()
                await self._wake.wait()
                self._check_connection()
        except PublishError:
            await self._book_rest()
            raise
        finally:
            self._states.changed = lambda: None
            self._connection.lost.remove_done_callback(self._wake_up)
            if self._reply_timer is not None:
                self._reply_timer.cancel()
            await _end_tasks(stopping, self._reading, self._booking)

    def _is_finished(self) -> bool:
        return self._stopping.is_set() and not self._in_flight and not self._unbooked

    def _wake_up(self, _: object = None) -> None:
        self._wake.set()

    def _check_connection(self) -> None:
        if self._connection.lost.done():
            raise self._connection.lost.result()
        if self._is_overdue:
            raise UnreachableError(f"{self._broker} has not acknowledged a message for {self._reply_timeout:g} s.")

    # Sending

    def _send(self) -> None:
        now = asyncio.get_running_loop().time()
        while len(self._in_flight) < self._window():
            state = self._states.next()
            if state is not None:
                self._send_message(state, None, now)
            elif self._queue and self._unbooked < MAX_UNBOOKED and not self._stopping.is_set():
                entry = self._queue.popleft()
                self._last_sent = entry.id
                self._send_message(MqttMessage(entry.topic, entry.payload, CONTENT_TYPE, entry.message_id), entry, now)
            else:
                break

    def _window(self) -> int:
        return 1 if self.is_careful else min(MAX_IN_FLIGHT, self._connection.receive_maximum)

    def _send_message(self, message: MqttMessage, entry: OutboxMessage | None, now: float) -> None:
        answer = self._connection.send(message)
        self._in_flight[answer] = _Sent(entry, message.topic, now)
        answer.add_done_callback(self._on_answer)
        if self._reply_timer is None:
            self._start_reply_timer(self._reply_timeout)

    def _on_answer(self, answer: asyncio.Future[PublishResult]) -> None:
        sent = self._in_flight.pop(answer, None)
        if sent is None or answer.cancelled():
            return
        denial = answer.result().denial_reason
        if sent.entry is not None:
            self._answered.append((sent.entry, denial))
            self._unbooked += 1
            self.answers += 1
        elif denial:
            self._states.give_up(sent.topic)
            self._on_denied([(sent.topic, denial)])
        self._wake.set()

    def _start_reply_timer(self, delay: float) -> None:
        self._reply_timer = asyncio.get_running_loop().call_later(delay, self._check_replies)

    def _check_replies(self) -> None:
        self._reply_timer = None
        if not self._in_flight:
            return
        oldest = next(iter(self._in_flight.values()))
        rest = oldest.at + self._reply_timeout - asyncio.get_running_loop().time()
        if rest > 0:
            self._start_reply_timer(rest)
        else:
            self._is_overdue = True
            self._wake.set()

    # Reading

    def _start_reading(self) -> None:
        if self._reading is None and len(self._queue) <= PAGE // 2 and not self._stopping.is_set():
            self._reading = asyncio.create_task(self._read_page(), name="outbox page")
            self._reading.add_done_callback(self._wake_up)

    async def _read_page(self) -> tuple[int, Sequence[OutboxMessage]]:
        """Return ``(reading, page)``, the next messages; wait while there are none."""
        while True:
            self._outbox.changed.clear()  # before reading, so that a message added meanwhile sets it again
            reading = self._readings
            page = await self._outbox.pending(PAGE, self._last_read)
            if page:
                return reading, page
            await self._outbox.changed.wait()

    def _collect_page(self) -> None:
        if self._reading is not None and self._reading.done():
            (reading, page), self._reading = self._reading.result(), None
            if reading == self._readings:
                self._queue.extend(page)
                self._last_read = page[-1].id

    # Booking

    def _continue_booking(self) -> None:
        if self._booking is not None and self._booking.done():
            booking, self._booking = self._booking, None
            booking.result()
        is_draining = bool(self._queue and self._in_flight) and len(self._answered) < BOOKED_TOGETHER
        if self._booking is None and self._answered and not is_draining:
            self._booking = asyncio.create_task(self._book(), name="outbox booking")
            self._booking.add_done_callback(self._wake_up)

    async def _book(self) -> None:
        """Delete the accepted messages and set the denied ones aside."""
        answered, self._answered = self._answered, []
        accepted = [entry.id for entry, denial in answered if not denial]
        denied = [(entry, denial) for entry, denial in answered if denial]
        if accepted:
            await self._outbox.delete_sent(accepted)
        if denied:
            await self._outbox.reject({entry.id: denial for entry, denial in denied})
            self._on_denied([(entry.topic, denial) for entry, denial in denied])
        self._unbooked -= len(answered)

    async def _book_rest(self) -> None:
        for answer in [answer for answer in self._in_flight if answer.done()]:
            self._on_answer(answer)
        if self._booking is not None:
            await self._booking
        if self._answered:
            await self._book()


async def _end_tasks(*tasks: asyncio.Task[object] | None) -> None:
    present = {task for task in tasks if task is not None}
    for task in present:
        task.cancel()
    await asyncio.wait(present)
