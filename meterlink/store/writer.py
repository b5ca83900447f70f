"""The one writer: one thread, one connection, everything that waits goes into one transaction."""

import logging
import sqlite3
import threading
from collections import deque
from collections.abc import Callable, Collection, Iterable
from concurrent.futures import Future
from contextlib import closing, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

from meterlink.core.clock import Clock, Timestamp
from meterlink.core.equipment import Meter, Plan, Site
from meterlink.core.errors import MeterlinkError, StoreError
from meterlink.store import meters, queries
from meterlink.store import transactions as keeping
from meterlink.store.connections import as_store_error, check_file, connect_for_writing, is_transient
from meterlink.store.lock import FileLock
from meterlink.store.meters import RegisteredMeter
from meterlink.store.rows import Batch, ResumedVisit, VisitIds
from meterlink.store.schema import migrate

# Messages kept for the broker: one meter at 5 readings a second through a 10 h day without a network (180,000), and
# some. At about 300 bytes each that is 60 MB of disk.
OUTBOX_LIMIT = 200_000

# Rows kept in memory while the disk takes none: 8 meters at 10 Hz for 5 minutes, about the time to notice the alarm and
# free some space. At about 1 kB each that is 24 MB of a small board's memory.
BUFFER_LIMIT = 24_000

# Messages the broker refused, kept to be looked at: enough to see what is wrong, not a second outbox.
REJECTED_LIMIT = 1_000

# First and longest wait between tries after a fault, in s: a lock passes within moments; a full disk is looked at again
# four times a minute, so saving goes on soon after space was made.
RETRY_DELAYS = (0.5, 15.0)

_T = TypeVar("_T")
_log = logging.getLogger(__name__)


@dataclass(eq=False, slots=True)
class _Job:
    work: Callable[[sqlite3.Connection], object]
    future: Future[Any]
    readings: int = 0
    rows: int = 1
    messages: int = 0
    droppable: bool = False


class Writer:
    """Writes the database at ``path``; every method may be called from any thread, also from an event loop's.

    A method returns at once; its Future has a result only when COMMIT has returned and the data is on the disk
    (`asyncio.wrap_future` makes it awaitable). It has a StoreError when the data itself was refused, when the buffer
    overflowed while the disk took nothing, or when the writer was closed before the disk came back. Cancelling it does
    not take the data back.

    While the disk is full or failing nothing is acknowledged: at most ``buffer_limit`` rows wait in memory (beyond it
    the oldest batches of nothing but raw readings are dropped and counted, never a held reading), and the writer tries
    again by itself, first after ``retry[0]`` s, then twice that, up to ``retry[1]`` s. ``on_alarm`` is called from the
    writer's thread, once with what is wrong and once with an empty text when it has passed.

    ``boot_id`` names the machine's boot: monotonic times compare within it. Of the messages in the outbox at most
    ``outbox_limit`` are kept, and 1 % more; the oldest droppable ones go first, and are counted.
    """

    def __init__(
        self,
        path: Path,
        *,
        station: str,
        clock: Clock,
        boot_id: str,
        on_alarm: Callable[[str], None],
        outbox_limit: int = OUTBOX_LIMIT,
        buffer_limit: int = BUFFER_LIMIT,
        retry_delays: tuple[float, float] = RETRY_DELAYS,
    ) -> None:
        self._path = path
        self._station = station
        self._clock = clock
        self._boot_id = boot_id
        self._on_alarm = on_alarm
        self._outbox_limit = outbox_limit
        self._buffer_limit = buffer_limit
        self._retry_delays = retry_delays

        self._lock = FileLock(path)
        self._thread: threading.Thread | None = None
        self._wake = threading.Condition()
        # Shared between threads, guarded by _wake:
        self._queue: deque[_Job] = deque()
        self._queued_rows = 0
        self._unfinished = 0
        self._dropped_readings = 0
        self._closing = True
        # The writer thread's own:
        self._boot = 0
        self._jobs_in_progress: list[_Job] = []
        self._failures = 0
        self._messages_since_trim = outbox_limit  # so that the first commit looks at what an earlier run left

    def start(self) -> None:
        """Take the folder's lock, create or migrate the database, and start the thread.

        StoreError, with nothing changed, when another station is writing here, the file is not ours or newer than this
        program, or it cannot be written.
        """
        try:
            self._path.parent.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise StoreError(
                f"The folder {self._path.parent} cannot be made: {error.strerror}.", "Name another with --data."
            ) from error
        self._lock.acquire()
        opened: Future[None] = Future()
        # A daemon thread: a program that dies without close() must end. What it had acknowledged is on the disk.
        self._thread = threading.Thread(target=self._run, args=(opened,), name="meterlink-store", daemon=True)
        self._closing = False
        self._thread.start()
        try:
            opened.result()
        except MeterlinkError:
            self.close()
            raise

    def close(self) -> None:
        """Write what waits, checkpoint, end the thread and give the lock back. Where the disk still fails, give up."""
        with self._wake:
            self._closing = True
            self._wake.notify()
        if self._thread is not None:
            self._thread.join()
            self._thread = None
        self._lock.release()

    @property
    def backlog(self) -> int:
        """How many batches and other requests are not committed yet."""
        return self._unfinished

    @property
    def busy(self) -> bool:
        """Whether anything is not committed yet."""
        return self._unfinished > 0

    def submit(self, batch: Batch) -> Future[None]:
        """Commit a batch, all of it or nothing."""
        now = self._clock.now().utc_ns
        return self._enqueue(
            lambda connection: keeping.insert_batch(connection, self._boot, batch, now),
            readings=len(batch.readings),
            rows=len(batch.readings) + len(batch.accepted) + len(batch.outbox),
            messages=len(batch.outbox),
            droppable=not batch.accepted and all(message.droppable for message in batch.outbox),
        )

    def open_visit(self, site: Site, plan: Plan, opened: Timestamp) -> Future[VisitIds]:
        """Begin a visit; site, unit, circuits and components known by the same names are used again."""
        return self._enqueue(lambda connection: keeping.open_visit(connection, self._boot, site, plan, opened))

    def resume_visit(self, site: Site, plan: Plan) -> Future[ResumedVisit | None]:
        """Return the visit a restarted station carries on with, None where a new one is to be opened.

        It is the unit's newest visit, if it is not closed, was active within `queries.RESUME_WITHIN` and has the same
        test points as ``plan``; their ratings may have changed. What ``plan`` works out of several readings goes for it
        from now on.
        """
        now = self._clock.now().utc_ns

        def resume(connection: sqlite3.Connection) -> ResumedVisit | None:
            resumed = queries.resumable_visit(connection, site, plan, now)
            if resumed is not None:
                keeping.set_derived_points(connection, resumed.ids.visit_id, plan)
            return resumed

        return self._enqueue(resume)

    def close_visit(self, visit_id: int, closed: Timestamp) -> Future[None]:
        """End a visit."""
        return self._enqueue(lambda connection: keeping.close_visit(connection, visit_id, closed))

    def set_rating(self, point_id: int, text: str) -> Future[None]:
        """Note what was read off the part at a test point; later held readings are kept with it."""
        now = self._clock.now().utc_ns
        return self._enqueue(lambda connection: keeping.set_rating(connection, point_id, text, now))

    def register_meter(self, meter: Meter) -> Future[int]:
        """Return the id of the meter with this address, known before or not, and note that it was seen now."""
        now = self._clock.now().utc_ns
        return self._enqueue(lambda connection: meters.get_or_create_meter(connection, meter, now).id)

    def get_or_create_meter(
        self, meter: Meter, *, name_given: bool, connected_ids: Collection[int]
    ) -> Future[RegisteredMeter]:
        """Return what a meter that sends readings is known as, and note that it was seen now; see `meters.meet`."""
        now = self._clock.now().utc_ns
        return self._enqueue(
            lambda connection: meters.get_or_create_meter(
                connection, meter, now, name_given=name_given, connected_ids=connected_ids
            )
        )

    def bind(self, meter: Meter, *, name_given: bool = False) -> Future[RegisteredMeter]:
        """Bind a meter by address, serial number and service; InputError where that cannot be (see `meters.bind`)."""
        now = self._clock.now().utc_ns
        return self._enqueue(lambda connection: meters.bind(connection, meter, now, name_given=name_given))

    def unbind(self, address: str) -> Future[RegisteredMeter]:
        """Bind the meter with this address no longer; InputError where none is bound."""
        return self._enqueue(lambda connection: meters.unbind(connection, address))

    def add_alias(self, old: str, new: str) -> Future[RegisteredMeter]:
        """Note that the meter known under ``old`` now has the address ``new``; InputError where that cannot be."""
        now = self._clock.now().utc_ns
        return self._enqueue(lambda connection: meters.add_alias(connection, old, new, now))

    def set_bound(self, meter_id: int, *, bound: bool) -> Future[None]:
        """Say whether the station may connect to a meter without being asked."""
        return self._enqueue(lambda connection: meters.set_bound(connection, meter_id, bound=bound))

    def delete_sent_messages(self, ids: Iterable[int]) -> Future[None]:
        """Delete messages that the broker has acknowledged."""
        sent = tuple(ids)
        return self._enqueue(lambda connection: keeping.delete_sent_messages(connection, sent))

    def reject_message(self, outbox_id: int, reason: str) -> Future[None]:
        """Move a message that the broker refused out of the outbox, with the broker's reason."""
        now = self._clock.now().utc_ns

        def work(connection: sqlite3.Connection) -> None:
            keeping.reject_message(connection, outbox_id, reason, now)
            keeping.drop_excess(connection, "set_aside", REJECTED_LIMIT)

        return self._enqueue(work)

    def _enqueue(
        self,
        work: Callable[[sqlite3.Connection], _T],
        *,
        readings: int = 0,
        rows: int = 1,
        messages: int = 0,
        droppable: bool = False,
    ) -> Future[_T]:
        future: Future[_T] = Future()
        future.set_running_or_notify_cancel()  # from here on it cannot be cancelled: the data will be written
        with self._wake:
            if self._closing:
                raise StoreError(f"Nothing can be written to {self._path}: it is not open.", "Start the station again.")
            self._queue.append(_Job(work, future, readings, rows, messages, droppable))
            self._queued_rows += rows
            self._unfinished += 1
            overflowed = self._drop_overflow()
            self._wake.notify()
        self._fail_jobs(overflowed, StoreError("Readings were dropped: nothing could be written for too long."))
        return future

    def _drop_overflow(self) -> list[_Job]:
        """Take the oldest droppable jobs beyond the buffer's limit out of the queue. Call with _wake held."""
        if self._queued_rows <= self._buffer_limit:
            return []
        dropped: list[_Job] = []
        kept: deque[_Job] = deque()
        for job in self._queue:
            if job.droppable and self._queued_rows > self._buffer_limit:
                self._queued_rows -= job.rows
                self._dropped_readings += job.readings
                dropped.append(job)
            else:
                kept.append(job)
        self._queue = kept
        return dropped

    # From here on: the writer's thread.

    def _run(self, opened: Future[None]) -> None:
        try:
            connection = self._open()
        except Exception as error:  # noqa: BLE001  # start() waits for it and raises it
            opened.set_exception(self._as_error(error))
            return
        with closing(connection):
            opened.set_result(None)
            try:
                self._work(connection)
            except Exception as error:  # noqa: BLE001  # a fault in this program: say so, let nobody wait for ever
                _log.exception("the writer's thread has ended")
                self._abandon(self._as_error(error))
            with suppress(sqlite3.Error):  # a disk that fails now: the log stays, and the next start reads it
                connection.execute("PRAGMA wal_checkpoint")

    def _work(self, connection: sqlite3.Connection) -> None:
        while jobs := self._wait_for_jobs():
            try:
                outcomes = self._commit(connection, jobs)
            except sqlite3.Error as error:
                self._requeue(jobs, error)
            else:
                self._acknowledge(jobs, outcomes)

    def _abandon(self, fault: MeterlinkError) -> None:
        """Refuse what waits and whatever comes now."""
        self._report_alarm(f"Readings are not being saved any more; start the station again. {fault}")
        with self._wake:
            self._closing = True
            lost = [job for job in (*self._jobs_in_progress, *self._queue) if not job.future.done()]
            self._queue.clear()
            self._queued_rows = 0
        self._fail_jobs(lost, fault)

    def _as_error(self, error: Exception) -> MeterlinkError:
        return error if isinstance(error, MeterlinkError) else as_store_error(error, self._path)

    def _open(self) -> sqlite3.Connection:
        check_file(self._path)
        connection = connect_for_writing(self._path)
        try:
            migrate(connection, self._path)
            connection.row_factory = sqlite3.Row
            self._boot = keeping.begin_boot(connection, self._boot_id, self._station, self._clock.now())
        except BaseException:
            connection.close()
            raise
        return connection

    def _wait_for_jobs(self) -> list[_Job]:
        """Wait for work and return all there is; nothing when the writer is closed and all is done."""
        with self._wake:
            while not self._queue and not self._closing:
                self._wake.wait()
            self._jobs_in_progress = list(self._queue)
            self._queue.clear()
            self._queued_rows = 0
        return self._jobs_in_progress

    def _commit(self, connection: sqlite3.Connection, jobs: list[_Job]) -> list[object]:
        """Do all jobs in one transaction; return each one's result, or the StoreError of one whose data was refused.

        sqlite3.Error, with nothing changed, when the disk or a lock is in the way.
        """
        dropped = self._dropped_readings
        trim = self._messages_since_trim + sum(job.messages for job in jobs) > self._outbox_limit // 100
        connection.execute("BEGIN IMMEDIATE")
        try:
            outcomes = [self._run_job(connection, job) for job in jobs]
            if trim:  # not at every commit: counting reads the whole index of a full outbox
                keeping.drop_excess(connection, "outbox", self._outbox_limit)
            if dropped:
                keeping.increment_counter(connection, "readings_dropped", dropped)
            connection.execute("COMMIT")
        except sqlite3.Error:
            if connection.in_transaction:
                with suppress(sqlite3.Error):  # the first error is the one to tell
                    connection.execute("ROLLBACK")
            raise
        self._messages_since_trim = 0 if trim else self._messages_since_trim + sum(job.messages for job in jobs)
        with self._wake:
            self._dropped_readings -= dropped
        return outcomes

    def _run_job(self, connection: sqlite3.Connection, job: _Job) -> object:
        connection.execute("SAVEPOINT job")
        try:
            outcome = job.work(connection)
        except Exception as error:  # whatever is wrong with one batch must not stop the ones behind it
            if is_transient(error):
                raise
            connection.execute("ROLLBACK TO job")
            outcome = self._as_error(error)
            ours = not isinstance(error, MeterlinkError | sqlite3.Error)
            _log.error("a batch was refused: %s", outcome, exc_info=ours)  # where to look in our own code
        connection.execute("RELEASE job")
        return outcome

    def _acknowledge(self, jobs: list[_Job], outcomes: list[object]) -> None:
        if self._failures:
            self._failures = 0
            self._report_alarm("")
        for job, outcome in zip(jobs, outcomes, strict=True):
            if isinstance(outcome, MeterlinkError):
                job.future.set_exception(outcome)
            else:
                job.future.set_result(outcome)
        # After the results: whoever waits while `busy` must not find it false before they have been told.
        with self._wake:
            self._unfinished -= len(jobs)

    def _requeue(self, jobs: list[_Job], error: sqlite3.Error) -> None:
        """Put the jobs back to the front and wait before the next try; give up on them when closing."""
        fault = as_store_error(error, self._path)
        if not self._failures:
            self._report_alarm(f"Readings are not being saved. {fault}")
        wait = min(self._retry_delays[1], self._retry_delays[0] * 2.0 ** min(self._failures, 30))
        self._failures += 1
        with self._wake:
            self._queue.extendleft(reversed(jobs))
            self._queued_rows += sum(job.rows for job in jobs)
            if self._closing:
                lost = list(self._queue)
                self._queue.clear()
                self._queued_rows = 0
            else:
                lost = self._drop_overflow()
        self._fail_jobs(lost, fault)
        with self._wake:
            self._wake.wait_for(lambda: self._closing, wait)

    def _fail_jobs(self, jobs: list[_Job], error: MeterlinkError) -> None:
        for job in jobs:
            job.future.set_exception(error)
        with self._wake:
            self._unfinished -= len(jobs)

    def _report_alarm(self, text: str) -> None:
        if text:
            _log.error(text)
        try:
            self._on_alarm(text)
        except Exception:  # noqa: BLE001  # what others do with an alarm must not stop the writing
            _log.exception("the alarm could not be passed on")
