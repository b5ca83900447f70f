"""The one writer: one thread, one connection, one transaction for all waiting jobs."""

import logging
import sqlite3
import threading
from collections import deque
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from concurrent.futures import Future
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

from meterlink.core.clock import Clock, Timestamp
from meterlink.core.equipment import Meter, Plan, Site
from meterlink.core.errors import DatabaseMovedError, InputError, MeterlinkError, StoreError, VisitError
from meterlink.core.meter_facts import Fact, FactName
from meterlink.core.nameplate import UnitFact
from meterlink.core.site_facts import SiteFact
from meterlink.core.stock import Movement, StockCount, StockItem
from meterlink.store import (
    continuity,
    forgetting,
    meters,
    outbox,
    places,
    queries,
    repairs,
    site_facts,
    thinning,
    transactions,
)
from meterlink.store.connections import as_store_error, is_transient
from meterlink.store.file_errors import store_error_class
from meterlink.store.lock import FileLock
from meterlink.store.meters import RegisteredMeter
from meterlink.store.open_database import OpenDatabase
from meterlink.store.open_files import FileFault
from meterlink.store.rows import (
    NO_DETAILS,
    NOT_SAID,
    Batch,
    ClockStep,
    EndReason,
    GapCause,
    MeterRow,
    NewConnection,
    NewGap,
    NewReplacement,
    ReadingRow,
    UnitLeft,
    VisitDetails,
    VisitIds,
    VisitWithReadings,
)
from meterlink.store.sealing import Sealer
from meterlink.store.stretches import StretchWriter

# Messages kept for the broker: a meter with 5 readings a second through a 10 h day without a network (180,000), and
# some spare. At about 300 bytes each that is 60 MB of disk.
OUTBOX_LIMIT = 200_000

# Rows kept in memory while the disk fails: 8 meters at 10 Hz for 5 minutes, about the time to notice the alarm and
# free some space. At about 1 kB each that is 24 MB of a small board's memory.
BUFFER_LIMIT = 24_000

# Messages that the broker refused: enough of them to find the fault, not a second outbox.
REJECTED_LIMIT = 1_000

# First and longest wait between tries after a fault, in s: a lock ends within moments; with four tries a minute saving
# resumes soon after space was freed.
RETRY_DELAYS = (0.5, 15.0)

_T = TypeVar("_T")
_log = logging.getLogger(__name__)


def _log_restored(text: str) -> None:
    _log.warning("%s", text)


@dataclass(eq=False, slots=True)
class _Job:
    work: Callable[[sqlite3.Connection], object]
    future: Future[Any]
    readings: tuple[ReadingRow, ...] = ()
    rows: int = 1
    messages: int = 0
    droppable: bool = False
    scrubs: bool = False  # the file is written anew once it is committed


class Writer:
    """Writes the database at ``path``. Every thread may call every method, the event loop's thread, too.

    A method returns at once. Its Future gets a result when COMMIT has returned and the data is on the disk
    (`asyncio.wrap_future` makes it awaitable). It gets a StoreError when the data itself was refused, when the buffer
    overflowed while the disk failed, or when the writer was closed before the disk recovered. Cancelling the Future
    does not stop the commit. After `close` a method raises StoreError itself.

    While the disk is full or failing, no Future gets a result. At most ``buffer_limit`` rows wait in memory; beyond it
    the oldest batches with only raw readings are dropped and counted, never an accepted reading. The writer tries
    again after ``retry_delays[0]`` s and doubles the wait up to ``retry_delays[1]`` s. ``on_alarm`` is called from the
    writer's thread: with the message when the fault begins, with an empty text when it ends.

    No Future gets a result either while the database's file is not at ``path``: that is looked at before each commit,
    between the commit and its results, and when `check_files` is called. A file that was removed or moved is written
    again with all that was committed, and ``on_restored`` is called with a sentence. Where another file is in its
    place the record is kept beside it, and the writer ends: every Future gets a DatabaseMovedError, and `ended` has it.

    ``boot_id`` identifies the machine's boot: monotonic times compare only within it. The outbox keeps at most
    ``outbox_limit`` messages and 1 % more; beyond that the oldest droppable ones are deleted and counted.
    """

    def __init__(
        self,
        path: Path,
        *,
        station: str,
        clock: Clock,
        boot_id: str,
        on_alarm: Callable[[str], None],
        on_restored: Callable[[str], None] = _log_restored,
        outbox_limit: int = OUTBOX_LIMIT,
        buffer_limit: int = BUFFER_LIMIT,
        retry_delays: tuple[float, float] = RETRY_DELAYS,
    ) -> None:
        self._path = path
        self._station = station
        self._clock = clock
        self._boot_id = boot_id
        self._on_alarm = on_alarm
        self._on_restored = on_restored
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
        self._dropped: dict[int, NewGap] = {}  # readings not saved, by connection
        self._newest_connection_id = 0
        self._closing = True
        self._check_due = False
        self._is_mending = False
        self.ended: DatabaseMovedError | None = None
        """The fault that has ended the writer for good; None while it can go on."""
        # The writer thread's own:
        self._boot = 0
        self._stretches = StretchWriter()
        self._sealer = Sealer(path, station, clock)
        self._database = OpenDatabase(path, self._lock, self._sealer.watch)
        self._jobs_in_progress: list[_Job] = []
        self._dropped_before: dict[int, NewGap] = {}  # until they are committed
        self._failures = 0
        self.fault: StoreError | None = None
        """The fault that keeps the writer from saving now; None while it saves."""
        self._working_since_ns: int | None = None  # monotonic; None while it waits, or writes the file anew
        self._is_being_closed = False
        self._messages_since_trim = outbox_limit  # so that the first commit trims the outbox of an earlier run

    def start(self) -> None:
        """Lock the folder, create or migrate the database, and start the thread.

        Raises:
            StoreError: another station writes here, the file is another program's or written by a newer Meterlink, or
                it cannot be written; the file is unchanged.
            MeterlinkError: another fault in opening the database.
        """
        try:
            self._path.parent.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise store_error_class(error)(
                f"The folder {self._path.parent} cannot be created: {error.strerror}.", "Name another with --data."
            ) from error
        self._lock.acquire()
        opened: Future[None] = Future()
        # A daemon thread, so that a program that fails before close() can end. Acknowledged data is on the disk.
        self._thread = threading.Thread(target=self._run, args=(opened,), name="meterlink-store", daemon=True)
        self._closing = self._is_being_closed = False
        self.ended = None
        self._thread.start()
        try:
            opened.result()
        except MeterlinkError:
            self.close()
            raise

    def close(self) -> None:
        """Write all waiting jobs, checkpoint, end the thread and unlock; jobs are lost if the disk still fails."""
        self._is_being_closed = True
        with self._wake:
            self._closing = True
            self._wake.notify()
        if self._thread is not None:
            self._thread.join()
            self._thread = None
        self._lock.release()

    def check_files(self) -> None:
        """Let the writer's thread look whether the database is still at its path, also while nothing is written."""
        with self._wake:
            self._check_due = True
            self._wake.notify()

    def working_for(self) -> float:
        """Return for how long the thread has worked on the present transaction, in s; infinite if it has ended.

        It is 0 while the thread waits, also for another try after a fault of the disk.
        """
        thread, since = self._thread, self._working_since_ns
        if thread is not None and not thread.is_alive() and not self._is_being_closed:
            return float("inf")
        return 0.0 if since is None else (self._clock.now().monotonic_ns - since) / 1e9

    @property
    def backlog(self) -> int:
        """Number of batches and other requests that are not committed yet."""
        return self._unfinished

    @property
    def busy(self) -> bool:
        """Whether a batch or another request is not committed yet, or a file that was moved is being written again."""
        return self._unfinished > 0 or self._is_mending

    def submit(self, batch: Batch) -> Future[None]:
        """Commit a batch completely or not at all."""
        now = self._clock.now().utc_ns
        return self._enqueue(
            lambda connection: transactions.insert_batch(connection, self._stretches, batch, now),
            readings=batch.readings,
            rows=len(batch.readings) + len(batch.accepted) + len(batch.verdicts) + len(batch.outbox),
            messages=len(batch.outbox),
            droppable=not (batch.accepted or batch.verdicts) and all(message.droppable for message in batch.outbox),
        )

    def open_visit(
        self, site: Site, plan: Plan, opened: Timestamp, details: VisitDetails = NO_DETAILS
    ) -> Future[VisitIds]:
        """Begin a visit; it is the active one from now on, the one before is paused. See `transactions.open_visit`."""
        return self._enqueue(
            lambda connection: transactions.open_visit(connection, self._boot, site, plan, opened, details)
        )

    def set_answers(self, visit_id: int, plan: Plan, answers: Mapping[str, str]) -> Future[dict[str, int]]:
        """Save the answers to the questions of ``plan``; return the row ids of all test points of the visit by key."""
        return self._enqueue(lambda connection: transactions.set_answers(connection, visit_id, plan, answers))

    def resume_visit(self, site: Site, plan: Plan) -> Future[VisitWithReadings | None]:
        """Return the visit that a restarted station resumes; None if a new visit must be opened.

        It is the unit's newest visit, if it is open, was active within `queries.RESUME_WITHIN` s and has the same test
        points as ``plan`` for its answers; their ratings may differ. From now on the visit has the derived points of
        ``plan``.
        """
        now = self._clock.now()

        def resume(connection: sqlite3.Connection) -> VisitWithReadings | None:
            resumed = queries.resumable_visit(connection, site, plan, now, self._boot_id)
            if resumed is not None:
                known = plan.for_answers(resumed.answers)
                transactions.set_derived_points(connection, resumed.ids.visit_id, known)
                transactions.activate_visit(connection, resumed.ids.visit_id)
            return resumed

        return self._enqueue(resume)

    def activate_visit(self, uid: str | None = None) -> Future[VisitWithReadings | None]:
        """Make the open visit ``uid`` the active one and return it; None as ``uid`` is the one that is active now.

        The visit before is paused. The result is None if there is no such visit, or if it is closed.
        """

        def activate(connection: sqlite3.Connection) -> VisitWithReadings | None:
            visit = queries.find_visit(connection, uid)
            if visit is None or visit.closed_utc_ns is not None:
                return None
            transactions.activate_visit(connection, visit.ids.visit_id)
            return visit

        return self._enqueue(activate)

    def open_connection(self, new: NewConnection) -> int:
        """Save a connection that begins; return its row id at once, for the readings submitted after this call."""
        with self._wake:
            self._newest_connection_id += 1
            connection_id = self._newest_connection_id
        self._enqueue(lambda connection: continuity.insert_connection(connection, self._boot, connection_id, new))
        return connection_id

    def end_connection(self, connection_id: int, ended: Timestamp, reason: EndReason) -> Future[None]:
        """Save the end of a connection, after its readings."""

        def work(connection: sqlite3.Connection) -> None:
            continuity.end_connection(connection, connection_id, ended, reason)
            self._stretches.end_connection(connection, connection_id)

        return self._enqueue(work)

    def add_gap(self, gap: NewGap) -> Future[None]:
        """Save a time without readings."""
        return self._enqueue(lambda connection: continuity.insert_gaps(connection, (gap,)))

    def end_gap(self, connection_id: int, cause: GapCause, ended: Timestamp) -> Future[None]:
        """Save the end of the present gap of a connection with this cause."""
        return self._enqueue(lambda connection: continuity.end_gap(connection, connection_id, cause, ended))

    def add_clock_step(self, step: ClockStep) -> Future[None]:
        """Save a jump of the wall clock."""
        return self._enqueue(lambda connection: continuity.insert_clock_step(connection, self._boot, step))

    def close_visit(
        self, visit_id: int, closed: Timestamp, outcome: str = "", left: UnitLeft = NOT_SAID
    ) -> Future[None]:
        """End a visit with its outcome and how the unit was left."""
        return self._enqueue(lambda connection: transactions.close_visit(connection, visit_id, closed, outcome, left))

    def move_visit(self, visit_id: int, place: Site, plan: Plan | None, keep: Collection[str] = ()) -> Future[None]:
        """Let a visit be one of the unit at ``place``; the Future gets the VisitError of `places.move_visit_to`.

        With the ``plan`` of an open visit, ratings and answers are carried over; see `transactions.carry_over`.
        """

        def move(connection: sqlite3.Connection) -> None:
            places.move_visit_to(connection, visit_id, place)
            if plan is not None:
                transactions.carry_over(connection, visit_id, plan, keep)

        return self._enqueue(move)

    def rename_site(self, old: str, new: str) -> Future[None]:
        """Give a site another name; the Future gets the VisitError of `places.rename_site`."""
        return self._enqueue(lambda connection: places.rename_site(connection, old, new))

    def rename_unit(self, site: Site, new: str) -> Future[None]:
        """Give a unit another name; the Future gets the VisitError of `places.rename_unit`."""
        return self._enqueue(lambda connection: places.rename_unit(connection, site, new))

    def merge_sites(self, one: str, into: str) -> Future[None]:
        """Give the units of a site to another; the Future gets the VisitError of `places.merge_sites`."""
        return self._enqueue(lambda connection: places.merge_sites(connection, one, into))

    def merge_units(self, one: Site, into: Site) -> Future[None]:
        """Give the visits of a unit to another; the Future gets the VisitError of `places.merge_units`."""
        return self._enqueue(lambda connection: places.merge_units(connection, one, into))

    def archive_unit(self, site: Site, *, archived: bool) -> Future[None]:
        """Take a unit off the list for new visits, or put it back; see `places.archive_unit`."""
        now = self._clock.now().utc_ns if archived else None
        return self._enqueue(lambda connection: places.archive_unit(connection, site, now))

    def add_fact(self, site: Site, fact: UnitFact, text: str) -> Future[None]:
        """Add a fact about a unit; the Future gets the VisitError of `places.add_fact`."""
        now = self._clock.now().utc_ns
        return self._enqueue(lambda connection: places.add_fact(connection, site, fact, text, now))

    def add_site_fact(self, site: str, fact: SiteFact, text: str) -> Future[None]:
        """Add a fact about a site; the Future gets the VisitError of `site_facts.add_site_fact`."""
        now = self._clock.now().utc_ns
        return self._enqueue(lambda connection: site_facts.add_site_fact(connection, site, fact, text, now))

    def forget_site(self, site: str, *, units: bool) -> Future[str]:
        """Remove the personal data of a site, and their bytes; return its pseudonym. See `forgetting.forget_site`.

        The Future gets its VisitError, or the StoreError of `forgetting.scrub`.
        """
        return self._enqueue(lambda connection: forgetting.forget_site(connection, site, units=units), scrubs=True)

    def forget_visit(self, uid: str) -> Future[None]:
        """Remove the personal data of a visit, and their bytes. See `forget_site`."""
        return self._enqueue(lambda connection: forgetting.forget_visit(connection, uid), scrubs=True)

    def pause_visit(self) -> Future[None]:
        """Leave no visit active; the visit stays open."""
        return self._enqueue(transactions.pause_visits)

    def add_note(self, visit_id: int, text: str, point_id: int | None = None) -> Future[None]:
        """Save a note on a visit; with ``point_id``, the reason why that test point is skipped."""
        now = self._clock.now().utc_ns
        return self._enqueue(lambda connection: transactions.insert_note(connection, visit_id, text, now, point_id))

    def set_rating(self, point_id: int, text: str) -> Future[None]:
        """Save the rating read off the part at a test point; later accepted readings are saved with it."""
        now = self._clock.now().utc_ns
        return self._enqueue(lambda connection: transactions.set_rating(connection, point_id, text, now))

    def replace_part(self, visit_id: int, new: NewReplacement) -> Future[tuple[str, list[StockCount]]]:
        """Save that a part was swapped, after the readings accepted before; return ``(uid, counts of the stock)``."""
        now = self._clock.now().utc_ns
        return self._enqueue(
            lambda connection: (
                repairs.insert_replacement(connection, visit_id, new, now),
                repairs.stock(connection),
            )
        )

    def undo_replacement(self, uid: str, movement: Movement | None) -> Future[list[StockCount]]:
        """Let a replacement count no more; ``movement`` brings its part back. Return the counts of the stock."""
        now = self._clock.now().utc_ns

        def undo(connection: sqlite3.Connection) -> list[StockCount]:
            repairs.undo_replacement(connection, uid, movement, now)
            return repairs.stock(connection)

        return self._enqueue(undo)

    def thin_slice(self, uid: str, before_utc_ns: int, after_id: int) -> Future[thinning.Slice]:
        """Delete raw readings from before a time in one slice; see `thinning.delete_slice`."""
        now = self._clock.now().utc_ns
        return self._enqueue(lambda connection: thinning.delete_slice(connection, uid, before_utc_ns, after_id, now))

    def add_movements(self, movements: Sequence[Movement]) -> Future[list[StockCount]]:
        """Add to the ledger of the stock, all or none; return the counts."""

        def add(connection: sqlite3.Connection) -> list[StockCount]:
            for movement in movements:
                repairs.insert_movement(connection, movement)
            return repairs.stock(connection)

        return self._enqueue(add)

    def set_low_mark(self, item: StockItem, low: int) -> Future[list[StockCount]]:
        """Set the low mark of a kind of part, 0 for none; return the counts of the stock."""
        now = self._clock.now().utc_ns

        def mark(connection: sqlite3.Connection) -> list[StockCount]:
            repairs.set_low_mark(connection, item, low, now)
            return repairs.stock(connection)

        return self._enqueue(mark)

    def stock(self) -> Future[list[StockCount]]:
        """Return the counts of the stock, after all that was submitted before."""
        return self._enqueue(repairs.stock)

    def register_meter(self, meter: Meter) -> Future[int]:
        """Insert the meter or update the time it was last seen; return its row id."""
        now = self._clock.now().utc_ns
        return self._enqueue(lambda connection: meters.get_or_create_meter(connection, meter, now).id)

    def get_or_create_meter(
        self, meter: Meter, *, name_given: bool, connected_ids: Collection[int]
    ) -> Future[RegisteredMeter]:
        """Return the row, name and first address of a meter; see `meters.get_or_create_meter`."""
        now = self._clock.now().utc_ns
        return self._enqueue(
            lambda connection: meters.get_or_create_meter(
                connection, meter, now, name_given=name_given, connected_ids=connected_ids
            )
        )

    def bind(self, meter: Meter, *, name_given: bool = False) -> Future[RegisteredMeter]:
        """Bind a meter by address, serial number and service; the Future gets the InputError of `meters.bind`."""
        now = self._clock.now().utc_ns
        return self._enqueue(lambda connection: meters.bind(connection, meter, now, name_given=name_given))

    def unbind(self, address: str) -> Future[RegisteredMeter]:
        """Unbind the meter with this address; the Future gets the InputError of `meters.unbind`."""
        return self._enqueue(lambda connection: meters.unbind(connection, address))

    def add_alias(self, old: str, new: str) -> Future[RegisteredMeter]:
        """Record a meter's new address; the Future gets the InputError of `meters.add_alias`."""
        now = self._clock.now().utc_ns
        return self._enqueue(lambda connection: meters.add_alias(connection, old, new, now))

    def set_meter_fact(self, address: str, name: FactName, value: str) -> Future[list[MeterRow]]:
        """Save a fact that a technician sets about a meter; return all known meters.

        The Future gets the InputError of `meters.set_fact`.
        """
        fact = Fact(value, self._clock.now().utc_ns)

        def work(connection: sqlite3.Connection) -> list[MeterRow]:
            meters.set_fact(connection, address, name, fact)
            return queries.known_meters(connection)

        return self._enqueue(work)

    def known_meters(self) -> Future[list[MeterRow]]:
        """Return all known meters, after all that was submitted before."""
        return self._enqueue(queries.known_meters)

    def set_bound(self, meter_id: int, *, bound: bool) -> Future[None]:
        """Set whether the station may connect to a meter by itself."""
        return self._enqueue(lambda connection: meters.set_bound(connection, meter_id, bound=bound))

    def delete_sent_messages(self, ids: Iterable[int]) -> Future[None]:
        """Delete messages that the broker has acknowledged."""
        sent = tuple(ids)
        return self._enqueue(lambda connection: outbox.delete_sent(connection, sent))

    def reject_messages(self, reasons: Mapping[int, str]) -> Future[None]:
        """Move messages that the broker refused out of the outbox: ``{id: the broker's reason}``."""
        now = self._clock.now().utc_ns

        def work(connection: sqlite3.Connection) -> None:
            for outbox_id, reason in reasons.items():
                outbox.refuse(connection, outbox_id, reason, now)
            transactions.drop_excess(connection, "rejected_messages", REJECTED_LIMIT)

        return self._enqueue(work)

    def retry_messages(self, refused_ids: Iterable[int]) -> Future[int]:
        """Let messages that the broker refused wait for it again; return their number."""
        ids = tuple(refused_ids)
        return self._enqueue(lambda connection: outbox.retry(connection, ids), messages=len(ids))

    def delete_refused_messages(self, refused_ids: Iterable[int]) -> Future[int]:
        """Delete messages that the broker refused; return their number."""
        ids = tuple(refused_ids)
        return self._enqueue(lambda connection: outbox.delete_refused(connection, ids))

    def replace_key(self, reason: str) -> Future[str]:
        """Begin a new key of the station; return its public key. The Future gets the SealError of the key's file."""
        return self._enqueue(lambda connection: self._sealer.replace_key(connection, reason))

    def _enqueue(
        self,
        work: Callable[[sqlite3.Connection], _T],
        *,
        readings: tuple[ReadingRow, ...] = (),
        rows: int = 1,
        messages: int = 0,
        droppable: bool = False,
        scrubs: bool = False,
    ) -> Future[_T]:
        future: Future[_T] = Future()
        future.set_running_or_notify_cancel()  # no cancellation from here on: the data will be written
        with self._wake:
            if self.ended is not None:
                future.set_exception(self.ended)
                return future
            if self._closing:
                raise StoreError(f"Nothing can be written to {self._path}: it is not open.", "Start the station again.")
            self._queue.append(_Job(work, future, readings, rows, messages, droppable, scrubs))
            self._queued_rows += rows
            self._unfinished += 1
            overflowed = self._drop_overflow()
            self._wake.notify()
        self._fail_jobs(overflowed, StoreError("Readings were dropped: nothing could be written for too long."))
        return future

    def _drop_overflow(self) -> list[_Job]:
        """Remove the oldest droppable jobs beyond the buffer's limit and return them. The caller has locked _wake."""
        if self._queued_rows <= self._buffer_limit:
            return []
        dropped: list[_Job] = []
        kept: deque[_Job] = deque()
        for job in self._queue:
            if job.droppable and self._queued_rows > self._buffer_limit:
                self._queued_rows -= job.rows
                for row in job.readings:
                    self._count_dropped(row)
                dropped.append(job)
            else:
                kept.append(job)
        self._queue = kept
        return dropped

    def _count_dropped(self, row: ReadingRow) -> None:
        timestamp = row.reading.timestamp
        gap = self._dropped.get(row.connection_id)
        if gap is None:
            gap = NewGap(row.connection_id, GapCause.NOT_SAVED, timestamp, lost=0)
        self._dropped[row.connection_id] = gap._replace(ended=timestamp, lost=(gap.lost or 0) + 1)

    # The methods below run in the writer's thread.

    def _run(self, opened: Future[None]) -> None:
        try:
            self._open()
        except Exception as error:  # noqa: BLE001  # start() raises it
            opened.set_exception(self._as_error(error))
            return
        opened.set_result(None)
        try:
            self._work()
        except DatabaseMovedError as error:
            self.ended = error
            self._abandon(error)
        except Exception as error:  # noqa: BLE001  # our own fault: alarm, and fail all Futures
            _log.exception("the writer's thread has ended")
            self._abandon(self._as_error(error))
        with suppress(sqlite3.Error):  # if the disk fails now, the next start reads the log
            self._database.connection.execute("PRAGMA wal_checkpoint")
        self._database.close()

    def _work(self) -> None:
        while (jobs := self._wait_for_jobs()) is not None:
            self._keep_in_place(list(jobs))
            if not jobs:
                continue
            try:
                outcomes = self._commit(jobs)
                self._scrub(jobs, outcomes)
            except sqlite3.Error as error:
                self._requeue(jobs, error)
                continue
            finally:
                self._database.note_own_writing()
            self._keep_in_place([])  # a commit to a file that has lost its name is none
            self._acknowledge(jobs, outcomes)
        self._keep_in_place([])

    def _keep_in_place(self, uncommitted: list[_Job]) -> None:
        """Return when the database is at its path with every commit; where it is not, bring it back.

        Raises:
            DatabaseMovedError: another file is in its place; the message says where the record is, with the
                ``uncommitted`` jobs. Or it was not back when the writer was closed.
        """
        earlier, tries = self.fault, 0
        while (problem := self._bring_back(uncommitted)) is not None:
            if self._closing:
                raise DatabaseMovedError(problem.message, problem.remedy)
            self._wait_after(tries)
            tries += 1
        if self.fault is not earlier:
            self.fault = earlier
            self._report_alarm("")

    def _bring_back(self, uncommitted: list[_Job]) -> StoreError | None:
        """Bring the database back to its path once; return the problem that a later try may not meet.

        Raises:
            DatabaseMovedError: as `_keep_in_place`.
        """
        try:
            while (fault := self._database.fault()) is not None:
                self._is_mending = True
                self._working_since_ns = None  # a copy takes as long as the file is large
                self._begin_fault(DatabaseMovedError(f"{self._path} {fault}."))
                if fault is FileFault.REPLACED:
                    self._commit_to_lost_file(uncommitted)
                self._report(self._on_restored, self._database.mend(fault))
        except DatabaseMovedError:
            raise
        except (StoreError, sqlite3.Error) as error:
            problem = as_store_error(error, self._path) if isinstance(error, sqlite3.Error) else error
            self._begin_fault(problem)
            return problem
        finally:
            self._is_mending = False
        return None

    def _begin_fault(self, fault: StoreError) -> None:
        if self.fault is None:
            self.fault = fault
            self._report_alarm(f"Readings are not being saved. {fault}")

    def _commit_to_lost_file(self, uncommitted: list[_Job]) -> None:
        """Commit these jobs, and all that wait, to the file without a name, so that its copy has them; once.

        Raises:
            sqlite3.Error: the disk prevented it.
        """
        with self._wake:
            waiting = list(self._queue)
            self._queue.clear()
            self._queued_rows = 0
        self._jobs_in_progress = [*self._jobs_in_progress, *waiting]
        uncommitted += waiting
        if uncommitted:
            self._commit(uncommitted)
            uncommitted.clear()

    def _scrub(self, jobs: list[_Job], outcomes: list[object]) -> None:
        """Take the bytes out of the file that jobs have removed from the record; a failure is their outcome."""
        if any(job.scrubs for job in jobs):
            self._working_since_ns = None  # as long as the file is large
        for number, job in enumerate(jobs):
            if job.scrubs and not isinstance(outcomes[number], MeterlinkError):
                try:
                    forgetting.scrub(self._path)
                except StoreError as error:
                    outcomes[number] = error

    def _abandon(self, fault: MeterlinkError) -> None:
        """Fail all waiting jobs; later calls raise StoreError."""
        self._report_alarm(f"Readings are not being saved any more; start the station again. {fault}")
        with self._wake:
            self._closing = True
            lost = [job for job in (*self._jobs_in_progress, *self._queue) if not job.future.done()]
            self._queue.clear()
            self._queued_rows = 0
        self._fail_jobs(lost, fault)

    def _as_error(self, error: Exception) -> MeterlinkError:
        return error if isinstance(error, MeterlinkError) else as_store_error(error, self._path)

    def _open(self) -> None:
        self._database.open()
        connection = self._database.connection
        try:
            self._stretches.forget()
            self._newest_connection_id = continuity.newest_connection_id(connection)
            self._boot = transactions.begin_boot(connection, self._boot_id, self._station, self._clock.now())
            self._database.watch_files(self._boot)
        except BaseException:
            self._database.close()
            raise

    def _wait_for_jobs(self) -> list[_Job] | None:
        """Wait for jobs, or until the files are to be checked; return all jobs, None when closed and all are done."""
        self._working_since_ns = None
        with self._wake:
            self._wake.wait_for(lambda: self._queue or self._closing or self._check_due)
            if not self._queue and self._closing:
                return None
            self._check_due = False
            self._jobs_in_progress = list(self._queue)
            self._queue.clear()
            # Together with the jobs, which may begin the connections of the dropped readings.
            self._dropped_before, self._dropped = _merge_gaps(self._dropped_before, self._dropped), {}
            self._queued_rows = 0
        self._working_since_ns = self._clock.now().monotonic_ns
        return self._jobs_in_progress

    def _commit(self, jobs: list[_Job]) -> list[object]:
        """Run all jobs in one transaction; return the result of each job, or its error if its data was refused.

        Raises:
            sqlite3.Error: the disk or a lock prevented the transaction; the file is unchanged.
        """
        connection = self._database.connection
        trim = self._messages_since_trim + sum(job.messages for job in jobs) > self._outbox_limit // 100
        connection.execute("BEGIN IMMEDIATE")
        try:
            outcomes = [self._run_job(connection, job) for job in jobs]
            if trim:  # not at every commit: COUNT(*) reads the whole index of a full outbox
                transactions.drop_excess(connection, "outbox", self._outbox_limit)
            if self._dropped_before:
                self._save_dropped(connection)
            self._sealer.seal_changed(connection)
            connection.execute("COMMIT")
        except sqlite3.Error:
            self._stretches.forget()
            if connection.in_transaction:
                with suppress(sqlite3.Error):  # the first error is the one to report
                    connection.execute("ROLLBACK")
            raise
        self._dropped_before = {}
        self._messages_since_trim = 0 if trim else self._messages_since_trim + sum(job.messages for job in jobs)
        return outcomes

    def _save_dropped(self, connection: sqlite3.Connection) -> None:
        gaps = self._dropped_before.values()
        transactions.increment_counter(connection, "readings_dropped", sum(gap.lost or 0 for gap in gaps))
        # As a job: a reading that was dropped may have had wrong data, which must not stop the others.
        self._run_job(connection, _Job(lambda connection: continuity.insert_gaps(connection, gaps), Future()))

    def _run_job(self, connection: sqlite3.Connection, job: _Job) -> object:
        connection.execute("SAVEPOINT job")
        try:
            outcome = job.work(connection)
        except Exception as error:  # a bad batch must not stop the batches after it
            if is_transient(error):
                raise
            connection.execute("ROLLBACK TO job")
            self._stretches.forget()
            outcome = self._as_error(error)
            if not isinstance(error, InputError | VisitError):  # those answer the sender of a command
                own_fault = not isinstance(error, MeterlinkError | sqlite3.Error)
                _log.error("a batch was refused: %s", outcome, exc_info=own_fault)
        connection.execute("RELEASE job")
        return outcome

    def _acknowledge(self, jobs: list[_Job], outcomes: list[object]) -> None:
        if self._failures:
            self._failures, self.fault = 0, None
            self._report_alarm("")
        for job, outcome in zip(jobs, outcomes, strict=True):
            if isinstance(outcome, MeterlinkError):
                job.future.set_exception(outcome)
            else:
                job.future.set_result(outcome)
        # After the results, so that `busy` is never false before every Future is done.
        with self._wake:
            self._unfinished -= len(jobs)

    def _requeue(self, jobs: list[_Job], error: sqlite3.Error) -> None:
        """Put the jobs back at the front and wait before the next try; fail them when closing."""
        self.fault = fault = as_store_error(error, self._path)
        if not self._failures:
            self._report_alarm(f"Readings are not being saved. {fault}")
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
        self._wait_after(self._failures - 1)

    def _wait_after(self, failures: int) -> None:
        """Wait before the next try after so many failures before the last one; not while the writer is closing."""
        first, longest = self._retry_delays
        self._working_since_ns = None
        with self._wake:
            self._wake.wait_for(lambda: self._closing, min(longest, first * 2.0 ** min(failures, 30)))

    def _fail_jobs(self, jobs: list[_Job], error: MeterlinkError) -> None:
        for job in jobs:
            job.future.set_exception(error)
        with self._wake:
            self._unfinished -= len(jobs)

    def _report_alarm(self, text: str) -> None:
        if text:
            _log.error(text)
        self._report(self._on_alarm, text)

    def _report(self, listener: Callable[[str], None], text: str) -> None:
        try:
            listener(text)
        except Exception:  # noqa: BLE001  # a listener's fault must not stop the writing
            _log.exception("the alarm could not be passed on")


def _merge_gaps(earlier: dict[int, NewGap], later: dict[int, NewGap]) -> dict[int, NewGap]:
    """Return the gaps of each connection as one gap, from the beginning of the earlier to the end of the later."""
    merged = earlier | later
    for connection_id in earlier.keys() & later.keys():
        before, after = earlier[connection_id], later[connection_id]
        merged[connection_id] = after._replace(began=before.began, lost=(before.lost or 0) + (after.lost or 0))
    return merged
