"""The state of a station: of the running daemon, or of a data folder where none runs."""

import asyncio
import os
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import suppress
from pathlib import Path

from meterlink.core.clock import Clock, SystemClock, Timestamp, clock_is_set, format_rfc3339
from meterlink.core.equipment import ConnectionState
from meterlink.core.errors import NoDatabaseError
from meterlink.core.notices import NoticeLevel
from meterlink.core.version import VERSION
from meterlink.link.messages import MeterStatusView, MetersView, MeterView, NoticeView, ProblemView, StatusView
from meterlink.settings import DATABASE_FILE, load_settings
from meterlink.station.free_space import free_bytes
from meterlink.station.known_meters import KnownMeters
from meterlink.store.reader import Reader
from meterlink.store.status import StoredMeterStatus, StoredStatus
from meterlink.store.writer import OUTBOX_LIMIT

_DAY_NS = 86_400 * 10**9

# A week: time to thin old readings or to free some space between two calls; common practice, no source.
FEWEST_DAYS_LEFT = 7.0
# Bytes. SQLite needs room for its log beside the rows: with less free, commits fail within a day of a fast meter.
LEAST_FREE = 100_000_000
# s. A meter's packets wait in the Bluetooth service meanwhile, which drops some after seconds; no source.
_LONG_PAUSE = 5.0
# Of the outbox's limit, beyond which the oldest raw readings are not published any more.
_FULL_OUTBOX = 0.9

# Notices that ask the technician at the unit; they name the site, and nobody far away can answer them.
_QUESTIONS = frozenset({"visit"})

_EMPTY = StoredStatus((), 0, 0, 0, 0, 0, 0)


def problems(view: StatusView, notices: Mapping[str, NoticeView]) -> list[ProblemView]:
    """Return the problems of a station, the most severe first; ``notices`` are its notices by their source."""
    found: list[tuple[str, NoticeLevel, str]] = [
        (source, notice["level"], notice["text"])
        for source, notice in notices.items()
        if notice["text"] and notice["level"] is not NoticeLevel.INFO and source not in _QUESTIONS
    ]
    if view["radio_error"]:
        found.append(("radio", NoticeLevel.ALARM, view["radio_error"]))
    found += [
        ("meter", NoticeLevel.WARNING, f"{meter['name'] or meter['address']}: {meter['detail']}")
        for meter in view["meters"]
        if meter["state"] in {ConnectionState.NEEDS_ATTENTION, ConnectionState.UNUSABLE}
    ]
    if view["longest_pause"] is not None and view["longest_pause"] >= _LONG_PAUSE:
        text = f"The daemon stood still for {view['longest_pause']:.0f} s within the last hour."
        found.append(("daemon", NoticeLevel.WARNING, f"{text} The machine is overloaded: end other programs on it."))
    found += _disk_problem(view["disk_free_bytes"], view["days_left"])
    if view["clock_set"] is False:
        text = "The clock of this machine is not set: readings get a wrong time. Set it, or connect it to a network."
        found.append(("clock", NoticeLevel.WARNING, text))
    if view["outbox"] >= _FULL_OUTBOX * OUTBOX_LIMIT:
        text = f"{view['outbox']:,} messages wait for the broker; beyond {OUTBOX_LIMIT:,} the oldest raw readings go."
        found.append(("outbox", NoticeLevel.WARNING, f"{text} Check the connection to the broker."))
    order = (NoticeLevel.ALARM, NoticeLevel.WARNING)
    found.sort(key=lambda problem: order.index(problem[1]))
    return [ProblemView(source=source, level=level, text=text) for source, level, text in found]


def _disk_problem(free: int, days_left: float | None) -> Iterable[tuple[str, NoticeLevel, str]]:
    remedy = "Free some space, or delete old raw readings: meterlink thin --older-than 90d --compact"
    if free < LEAST_FREE:
        yield "disk", NoticeLevel.ALARM, f"The disk of the database has {free / 1e6:,.0f} MB left. {remedy}"
    elif days_left is not None and days_left < FEWEST_DAYS_LEFT:
        yield "disk", NoticeLevel.WARNING, f"At today's rate the disk is full in {days_left:.1f} days. {remedy}"


class StationStatus:
    """The state of a running station; `status` may be asked for at any time.

    ``meters`` returns the present view of the meters, ``waiting`` the packets and the commits that wait, ``broker`` the
    state of the publisher (empty without one), ``notices`` the station's notices by their source, ``longest_pause`` the
    longest pause of the event loop in about the last hour, in s.
    """

    def __init__(
        self,
        folder: Path,
        station: str,
        clock: Clock,
        known: KnownMeters,
        *,
        meters: Callable[[], MetersView],
        waiting: Callable[[], tuple[int, int]],
        broker: Callable[[], str],
        notices: Callable[[], Mapping[str, NoticeView]],
        longest_pause: Callable[[], float],
    ) -> None:
        self._folder = folder
        self._station = station
        self._clock = clock
        self._known = known
        self._meters = meters
        self._waiting = waiting
        self._broker = broker
        self._notices = notices
        self._longest_pause = longest_pause
        self._started = clock.now()

    def present_problems(self, view: StatusView | None) -> list[ProblemView]:
        """Return the problems of this moment; disk, clock and outbox are those of ``view``, an earlier `status`.

        Without one they are left out: the database cannot be read.
        """
        present = self._meters()
        if view is None:
            view = _view_of(self._folder, self._clock.now(), self._known, _EMPTY)
        renewed = StatusView(**view)
        renewed["meters"] = self._with_present(view["meters"], present["meters"])
        renewed["radio_error"] = present["radio_error"]
        renewed["longest_pause"] = self._longest_pause()
        return problems(renewed, self._notices())

    async def status(self) -> StatusView:
        """Return the present state.

        Raises:
            StoreError: the database cannot be read.
        """
        present, notices, now = self._meters(), dict(self._notices()), self._clock.now()
        packets, commits = self._waiting()
        view = await asyncio.to_thread(_stored_view, self._folder, now, self._known)
        view.update(
            {
                "running": True,
                "version": VERSION,
                "process": os.getpid(),
                "station": self._station,
                "since": format_rfc3339(self._started.utc_ns),
                "uptime": (now.monotonic_ns - self._started.monotonic_ns) / 1e9,
                "meters": self._with_present(view["meters"], present["meters"]),
                "radio_error": present["radio_error"],
                "packets_waiting": packets,
                "commits_waiting": commits,
                "broker": self._broker(),
                "longest_pause": round(self._longest_pause(), 2),
            }
        )
        view["problems"] = problems(view, notices)
        return view

    def _with_present(self, stored: Sequence[MeterStatusView], present: Sequence[MeterView]) -> list[MeterStatusView]:
        """Return the stored meters with their present state, and those of the radio that have no reading yet."""
        meters = {meter["address"]: meter for meter in stored}
        for meter in present:
            first = self._known.at(meter["address"]).first_address or meter["address"]
            status = meters.setdefault(first, _meter_view(meter["name"], first))
            status.update(
                {
                    "name": meter["name"],
                    "address": meter["address"],
                    "state": meter["state"],
                    "detail": meter["detail"],
                    "at": meter["at"] or status["at"],
                    "dropped_packets": meter["dropped_packets"],
                }
            )
        return list(meters.values())


def status_without_daemon(folder: Path) -> StatusView:
    """Return the state of a data folder on which no daemon runs.

    Raises:
        StoreError: the database cannot be read.
        SettingsError: the settings cannot be read.
    """
    database = folder / DATABASE_FILE
    rows = Reader(database).known_meters() if database.exists() else []
    view = _stored_view(folder, SystemClock().now(), KnownMeters(load_settings(folder), rows))
    view["problems"] = problems(view, {})
    return view


def _stored_view(folder: Path, now: Timestamp, known: KnownMeters) -> StatusView:
    try:
        stored = Reader(folder / DATABASE_FILE).status(now.utc_ns - _DAY_NS)
    except NoDatabaseError:  # no station has run yet
        stored = _EMPTY
    return _view_of(folder, now, known, stored)


def _view_of(folder: Path, now: Timestamp, known: KnownMeters, stored: StoredStatus) -> StatusView:
    free = free_bytes(folder)
    rate = stored.recent_bytes
    return StatusView(
        running=False,
        version=None,
        process=None,
        station=None,
        data=str(folder),
        since=None,
        uptime=None,
        meters=[_stored_meter_view(meter, known) for meter in stored.meters],
        radio_error=None,
        packets_waiting=None,
        commits_waiting=None,
        broker=None,
        longest_pause=None,
        outbox=stored.outbox,
        set_aside=stored.set_aside,
        messages_dropped=stored.messages_dropped,
        readings_dropped=stored.readings_dropped,
        database_bytes=_database_bytes(folder),
        disk_free_bytes=free,
        bytes_per_day=rate,
        days_left=round(free / rate, 1) if rate else None,
        clock_set=clock_is_set(now.utc_ns),
        clock_steps=stored.clock_steps,
        problems=[],
    )


def _stored_meter_view(stored: StoredMeterStatus, known: KnownMeters) -> MeterStatusView:
    address = stored.meter.address
    view = _meter_view(known.name_at(address) or stored.meter.name, address)
    view["at"] = None if stored.newest_utc_ns is None else format_rfc3339(stored.newest_utc_ns)
    view.update({"gaps": stored.gaps, "gap_seconds": round(stored.gap_seconds, 1), "lost": stored.lost})
    return view


def _meter_view(name: str, address: str) -> MeterStatusView:
    return MeterStatusView(
        name=name,
        address=address,
        state=None,
        detail="",
        at=None,
        gaps=0,
        gap_seconds=0.0,
        lost=0,
        dropped_packets=None,
    )


def _database_bytes(folder: Path) -> int:
    size = 0
    for name in (DATABASE_FILE, f"{DATABASE_FILE}-wal"):
        with suppress(OSError):  # it may be removed at this moment
            size += (folder / name).stat().st_size
    return size
