"""From readings to committed rows, with their messages for the broker."""

import asyncio
import logging
import uuid
from collections.abc import Callable, Mapping
from typing import Protocol

from meterlink.core.clock import ClockCheck
from meterlink.core.equipment import Meter, TestPoint
from meterlink.core.errors import StoreError
from meterlink.core.readings import Reading
from meterlink.publish.senml import accepted_message, readings_message
from meterlink.station.config import PublishingConfig
from meterlink.station.current_visit import CurrentVisit
from meterlink.station.meter_trackers import MeterTrackers
from meterlink.station.tracker import MeterTracker
from meterlink.station.visit import AcceptedReading, ActiveVisit
from meterlink.store.rows import (
    AcceptedRow,
    Batch,
    CorrectionRow,
    OutboxRow,
    ReadingRow,
    StoredReading,
    VerdictRow,
    VoidRow,
)
from meterlink.store.writer import Writer

log = logging.getLogger(__name__)

# Raw readings are committed this often: few transactions for a small board's flash, and with the power at most the last
# second is lost. An accepted reading is committed at once, with the raw readings before it.
FLUSH_PERIOD = 1.0  # s


# A commit takes some milliseconds; a disk that is full or locked may take any time, and a person waits for the answer.
_BRIEF = 1.0  # s


class OnAccepted(Protocol):
    """A callback for accepted readings."""

    def __call__(self, point: TestPoint, accepted: AcceptedReading) -> None:
        """Handle a committed reading; must not block."""
        ...


class OnCommitted(Protocol):
    """A callback for accepted readings and the visits that they belong to."""

    def __call__(self, visit: ActiveVisit, point: TestPoint, accepted: AcceptedReading) -> None:
        """Handle a committed reading; must not block."""
        ...


class Committer:
    """Hands readings to the writer; ``on_committed`` receives every accepted reading after its commit."""

    def __init__(
        self,
        current: CurrentVisit,
        writer: Writer,
        trackers: MeterTrackers,
        on_committed: OnCommitted,
        publishing: PublishingConfig | None,
    ) -> None:
        self._current = current
        self._writer = writer
        self._trackers = trackers
        self._on_committed = on_committed
        self._publishing = publishing
        self._unflushed_readings: list[tuple[str, ReadingRow]] = []
        self._flush_timer: asyncio.TimerHandle | None = None
        self._commits: set[asyncio.Task[None]] = set()
        self._saving_failed = asyncio.Event()
        self._clock_check = ClockCheck(FLUSH_PERIOD)

    @property
    def publishes(self) -> bool:
        """Whether messages for a broker are made."""
        return self._publishing is not None

    def set_publishing(self, publishing: PublishingConfig | None) -> None:
        """Make messages of later readings in this way; None makes none."""
        self._publishing = publishing

    def add_reading(self, tracker: MeterTracker, reading: Reading, point: TestPoint | None) -> None:
        """Keep a reading for the next `flush`, at most `FLUSH_PERIOD` from now."""
        if self._flush_timer is None:
            self._flush_timer = asyncio.get_running_loop().call_later(FLUSH_PERIOD, self.flush)
        self._unflushed_readings.append((tracker.address, self._reading_row(tracker, reading, point)))

    def commit_accepted(self, tracker: MeterTracker, point: TestPoint, accepted: AcceptedReading) -> None:
        """Commit an accepted reading at once, after the readings before it.

        It belongs to the visit that is active now, even if another is active once it is committed.
        """
        visit = self._current.require()
        reading, judgement = accepted.reading, accepted.judgement
        row = AcceptedRow(self._reading_row(tracker, reading, point), judgement, accepted.settled_in, accepted.uid)
        batch = Batch(accepted=(row,), outbox=self._verdict_messages(visit, point, accepted))
        self.flush()
        self._commit(batch, lambda: self._on_committed(visit, point, accepted))

    async def commit_assigned(
        self, visit: ActiveVisit, point: TestPoint, accepted: AcceptedReading, stored: StoredReading
    ) -> None:
        """Commit that a reading which came outside any visit is accepted in ``visit``, with its message.

        Raises:
            StoreError: it could not be stored.
        """
        ids = visit.require_ids()
        row = ReadingRow(
            accepted.reading, stored.connection_id, ids.visit_id, ids.point_ids[point.key], stored.clock_set
        )
        assigned = AcceptedRow(row, accepted.judgement, accepted.settled_in, accepted.uid, stored.id)
        await self._commit_change(Batch(accepted=(assigned,), outbox=self._verdict_messages(visit, point, accepted)))
        self._on_committed(visit, point, accepted)

    async def commit_verdict(self, visit: ActiveVisit, point: TestPoint, accepted: AcceptedReading) -> None:
        """Commit a new verdict on an accepted reading of ``visit``, with its message; return when it is committed.

        Raises:
            StoreError: the verdict could not be stored.
        """
        verdict = VerdictRow(accepted.uid, accepted.judgement)
        await self._commit_change(Batch(verdicts=(verdict,), outbox=self._verdict_messages(visit, point, accepted)))

    async def commit_void(self, visit: ActiveVisit, point: TestPoint, accepted: AcceptedReading) -> None:
        """Commit that a reading of ``visit`` is voided, or counts again without a reason, with its message.

        Raises:
            StoreError: it could not be stored.
        """
        void = VoidRow(accepted.uid, accepted.void_reason)
        await self._commit_change(Batch(voids=(void,), outbox=self._verdict_messages(visit, point, accepted)))

    async def commit_correction(
        self, visit: ActiveVisit, point: TestPoint, changed: AcceptedReading, correction: CorrectionRow
    ) -> None:
        """Commit that the packet of a reading of ``visit`` was decoded again, with its message.

        Raises:
            StoreError: it could not be stored.
        """
        await self._commit_change(
            Batch(corrections=(correction,), outbox=self._verdict_messages(visit, point, changed))
        )

    async def _commit_change(self, batch: Batch) -> None:
        await asyncio.wrap_future(self._writer.submit(batch))
        self._announce_messages(batch)

    def _announce_messages(self, batch: Batch) -> None:
        """Wake the publisher after the commit of a batch with messages."""
        if batch.outbox and self._publishing is not None:
            self._publishing.outbox_changed.set()

    def _verdict_messages(
        self, visit: ActiveVisit, point: TestPoint, accepted: AcceptedReading
    ) -> tuple[OutboxRow, ...]:
        """Return the message with an accepted reading and its verdict; none where nothing is published."""
        if self._publishing is None:
            return ()
        return (
            accepted_message(
                self._publishing.station, Meter(accepted.address, accepted.meter), visit.site, point,
                accepted.reading, accepted.judgement, reading_uid=accepted.uid, revision=accepted.revision,
                visit_uid=visit.require_ids().uid, message_id=_new_message_id(),
                void_reason=accepted.void_reason, accepted_as=accepted.accepted_as,
            ),
        )  # fmt: skip

    def flush(self) -> None:
        """Commit the raw readings gathered so far, with one message for each meter."""
        if self._flush_timer is not None:
            self._flush_timer.cancel()
            self._flush_timer = None
        if not self._unflushed_readings:
            return
        unflushed, self._unflushed_readings = self._unflushed_readings, []
        outbox = []
        if self._publishing is not None:
            for address in dict.fromkeys(address for address, _ in unflushed):
                rows = [row for row_address, row in unflushed if row_address == address]
                readings = [row.reading for row in rows if row.reading.is_judgeable]
                if readings:
                    meter = self._trackers.meter(address)
                    outbox.append(readings_message(self._publishing.station, meter, readings, _new_message_id()))
        self._commit(Batch(readings=tuple(row for _, row in unflushed), outbox=tuple(outbox)))

    async def set_rating(self, visit: ActiveVisit, point_key: str, text: str) -> None:
        """Commit the rating of a test point of ``visit``.

        Raises:
            StoreError: the rating could not be stored.
        """
        ids = visit.require_ids()
        await asyncio.wrap_future(self._writer.set_rating(ids.point_ids[point_key], text))

    async def add_note(self, visit: ActiveVisit, text: str) -> None:
        """Commit a note on ``visit``.

        Raises:
            StoreError: it could not be stored.
        """
        await asyncio.wrap_future(self._writer.add_note(visit.require_ids().visit_id, text))

    async def set_answers(self, visit: ActiveVisit, answers: Mapping[str, str]) -> None:
        """Commit the answers to the questions of a visit's plan, with the test points that follow from them.

        Raises:
            StoreError: they could not be stored.
        """
        ids = visit.require_ids()
        point_ids = await asyncio.wrap_future(self._writer.set_answers(ids.visit_id, visit.plan, answers))
        visit.ids = ids._replace(point_ids=point_ids)

    def set_saving_failed(self, *, failed: bool) -> None:
        """Record whether the writer fails to save now; `finish` does not wait for a failing writer."""
        if failed:
            self._saving_failed.set()
        else:
            self._saving_failed.clear()

    async def wait_for_commits(self) -> None:
        """Return when every commit has succeeded or failed, and the commits that those caused."""
        while self._commits:
            await asyncio.gather(*self._commits, return_exceptions=True)

    async def wait_briefly(self) -> None:
        """Return when every present commit has succeeded or failed, at the latest after `_BRIEF`."""
        if self._commits:
            await asyncio.wait(self._commits, timeout=_BRIEF)

    async def finish(self) -> None:
        """Commit everything gathered; return when it is committed, or when saving fails."""
        self.flush()
        failing = asyncio.create_task(self._saving_failed.wait(), name="committer-failing")
        while self._commits and not self._saving_failed.is_set():
            await asyncio.wait({*self._commits, failing}, return_when=asyncio.FIRST_COMPLETED)
        failing.cancel()
        await asyncio.gather(failing, return_exceptions=True)

    def _reading_row(self, tracker: MeterTracker, reading: Reading, point: TestPoint | None) -> ReadingRow:
        ids = self._current.visit.ids
        return ReadingRow(
            reading,
            tracker.connection_id,
            ids.visit_id if ids else None,
            ids.point_ids[point.key] if ids and point else None,
            self._clock_check.is_set(reading.timestamp.utc_ns),
        )

    def _commit(self, batch: Batch, on_commit: Callable[[], None] | None = None) -> None:
        future = asyncio.wrap_future(self._writer.submit(batch))

        async def acknowledge() -> None:
            try:
                await future
            except StoreError as error:
                log.error("%s", error)  # noqa: TRY400  # an expected error: its message is enough
                return
            self._announce_messages(batch)
            if on_commit is not None:
                on_commit()

        task = asyncio.create_task(acknowledge(), name="committer-commit")
        self._commits.add(task)
        task.add_done_callback(self._commits.discard)


def _new_message_id() -> str:
    return str(uuid.uuid4())
