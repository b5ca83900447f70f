"""Teaching a meter while the station runs: its packets, the entries off its display, and the next reading to show."""

import asyncio
import logging
from bisect import bisect_left
from collections.abc import Awaitable, Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from threading import Event
from typing import TYPE_CHECKING

from meterlink.ble.capture_driver import CaptureDriverFactory, parse_poll, parse_write
from meterlink.ble.connection import ReceivedPacket as RadioPacket
from meterlink.ble.radio import Radio
from meterlink.ble.states import MeterStatus
from meterlink.capture.capture_file import (
    ENTRY_WINDOW,
    Capture,
    CapturedMeter,
    CapturedPacket,
    ConnectionRequests,
    DisplayEntry,
    format_capture,
    make_display_entry,
)
from meterlink.capture.unit_questions import check_unit
from meterlink.core.clock import Clock, Timestamp
from meterlink.core.equipment import ConnectionState, Meter
from meterlink.core.errors import InputError
from meterlink.core.text import clean_text
from meterlink.driver_api import DriverFactory
from meterlink.link.messages import Message, TeachEntryView, TeachFunctionView, TeachView, Topic
from meterlink.link.pacing import PacedAction
from meterlink.station.discovery import MeterDiscovery
from meterlink.station.drivers import Drivers
from meterlink.station.profile_files import PROFILES_FOLDER

if TYPE_CHECKING:
    from meterlink.teach import TeachProgress, TeachReport

log = logging.getLogger(__name__)

# Half an hour of a meter that sends ten packets a second; the analysis of so many needs seconds, not minutes.
_MAX_PACKETS = 20_000
# Above that number, packets this near to an entry are kept, and the recent ones, which may still get an entry.
_NEAR_ENTRY = 1.0  # s
_RECENT = 10.0  # s
# A display does not change while somebody reads it, so the last packet of a slow meter has the displayed value if it
# is no older at the first key than this: two refreshes of a slow display.
_LONGEST_PACKET_AGE = 2.0  # s
_VIEW_INTERVAL = 0.5  # s at least between two views of packets: their number need not be followed more closely
_LONGEST_NUMBER = 6  # digits of an entry's number; nobody types a million entries
_LONGEST_ECHO = 80  # characters of a typed line that are repeated in a message
_HAS_DRIVER = {ConnectionState.CONNECTED, ConnectionState.SILENT}


@dataclass(slots=True)
class _TeachingSession:
    """One meter being taught. ``known_meter`` and ``configured_driver`` are restored if it ends without a profile."""

    meter: Meter
    profile_name: str
    captured_meter: CapturedMeter
    started: Timestamp
    known_meter: Meter | None
    configured_driver: DriverFactory | None
    reconnected: bool  # with the capture driver; else the packets of its own driver are used
    packets: list[CapturedPacket] = field(default_factory=list)
    entries: list[DisplayEntry] = field(default_factory=list)
    packet_count: int = 0
    full: bool = False
    report: "TeachReport | None" = None
    progress: "TeachProgress | None" = None
    next_suggestion: str = ""
    outdated: bool = False  # an entry or a request is newer than the report
    changed: asyncio.Event = field(default_factory=asyncio.Event)
    analysis_lock: asyncio.Lock = field(default_factory=asyncio.Lock)
    ended: Event = field(default_factory=Event)  # ends an analysis, which takes up to half a minute, in its thread

    def seconds(self, timestamp: Timestamp) -> float:
        """Return the time since the session began, in s."""
        return (timestamp.monotonic_ns - self.started.monotonic_ns) * 1e-9

    def add_packet(self, packet: RadioPacket) -> None:
        """Keep a packet; above `_MAX_PACKETS`, drop old packets that are far from every entry."""
        self.packet_count += 1
        t = self.seconds(packet.timestamp)
        if len(self.packets) >= _MAX_PACKETS and not self.full:
            ends = [entry.end for entry in self.entries]
            self.packets = [
                kept for kept in self.packets if t - kept.seconds <= _RECENT or _is_near(kept, self.entries, ends)
            ]
            self.full = len(self.packets) > 0.9 * _MAX_PACKETS
        if not self.full:
            self.packets.append(CapturedPacket(t, packet.channel, packet.data))

    def add_entry(self, text: str, timestamp: Timestamp, first_key: Timestamp) -> None:
        """Add the value that the display showed when the person pressed ``first_key``.

        Raises:
            InputError: the text is no display value, or its unit has two meanings; no packet came shortly before that
                key; or the packets are full.
        """
        check_unit(text)
        key = self.seconds(first_key)
        newest = next((packet.seconds for packet in reversed(self.packets) if packet.seconds <= key), None)
        if self.full:
            raise InputError("No more packets can be kept.", "Type done, or stop and begin again.")
        if newest is None or key - newest > _LONGEST_PACKET_AGE:
            raise InputError(
                f"No packet arrived in the {_LONGEST_PACKET_AGE:g} s before you typed it, "
                f"so {clean_text(text, _LONGEST_ECHO)!r} belongs to none.",
                "Wake the meter, wait until packets arrive, and type it again.",
            )
        begin = min(key - ENTRY_WINDOW, newest)
        self.entries.append(make_display_entry(self.seconds(timestamp), text, begin, first_key=key))
        self.request_analysis()

    def drop_entries(self, numbers: Sequence[int]) -> None:
        """Remove the entries with these numbers, counted from 1; without a number, the last one.

        Raises:
            InputError: there is no such entry; then none is removed.
        """
        numbers = numbers or (len(self.entries),)
        for number in numbers:
            if not 0 < number <= len(self.entries):
                raise InputError(f"There is no entry {number or 'to drop'}.", "See the list of entries for its number.")
        self.entries = [entry for number, entry in enumerate(self.entries, 1) if number not in numbers]
        self.full = False
        self.request_analysis()

    def place_of(self, entry: DisplayEntry) -> str:
        """Return the number by which ``drop`` removes an entry: ``entry 7``; empty if it was removed meanwhile."""
        return f"entry {self.entries.index(entry) + 1}" if entry in self.entries else ""

    def request_analysis(self) -> None:
        """Start a new analysis."""
        self.outdated = True
        self.changed.set()


class Teaching:
    """Teaches one meter at a time, by watchers' commands; a thread analyzes the packets and entries.

    A meter with a working driver keeps it. Another meter is connected with the capture driver. ``send_view`` receives a
    `TeachView` each time it may have changed. ``keep_driver`` receives the address of a meter that was taught, and the
    name of its profile.
    """

    def __init__(
        self,
        radio: Radio,
        discovery: MeterDiscovery,
        drivers: Drivers,
        folder: Path,
        *,
        clock: Clock,
        send_view: Callable[[Message], None],
        keep_driver: Callable[[str, str], Awaitable[None]],
    ) -> None:
        self._radio = radio
        self._discovery = discovery
        self._drivers = drivers
        self._folder = folder / PROFILES_FOLDER
        self._clock = clock
        self._send_view = send_view
        self._keep_driver = keep_driver
        self._session: _TeachingSession | None = None
        self._task: asyncio.Task[None] | None = None
        self._pace = PacedAction(self._send_session, _VIEW_INTERVAL)

    def add_packet(self, packet: RadioPacket) -> None:
        """Keep a packet of the meter that is being taught, ignore others; never blocks."""
        session = self._session
        if session is not None and packet.session.address.upper() == session.meter.address.upper():
            session.add_packet(packet)
            self._pace.request()

    def request_view(self) -> None:
        """Send the view of the present session soon, because the state of its meter may have changed."""
        self._pace.request()

    def is_teaching(self, address: str) -> bool:
        """Return whether the meter at ``address`` is being taught."""
        return self._session is not None and self._session.meter.address.upper() == address.upper()

    async def close(self) -> None:
        """End the session, and an analysis that runs."""
        if self._session is not None:
            self._session.ended.set()
        self._session = None
        self._pace.cancel()
        task, self._task = self._task, None
        if task is not None:
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)

    async def add_entry(self, meter: str, text: str, typed_ms: int = 0) -> None:
        """Add the value that the display showed when the person began to type it, ``typed_ms`` (ms) ago.

        Raises:
            InputError: the meter is not being taught, or the text is no display value with a packet before it.
        """
        now = self._clock.now()
        age = 1_000_000 * typed_ms
        first_key = Timestamp(now.utc_ns - age, now.monotonic_ns - age)
        self._session_of(meter).add_entry(text.strip(), now, first_key)

    async def drop_entries(self, meter: str, text: str) -> None:
        """Remove the entries with the numbers in ``text`` (``3 7``), counted from 1; without one, the last entry.

        Raises:
            InputError: the meter is not being taught, or there is no such entry.
        """
        words = text.split()
        if not all(word.isdecimal() and len(word) <= _LONGEST_NUMBER for word in words):
            raise InputError(
                f"{clean_text(text, _LONGEST_ECHO)!r} is no list of entries.", "Type, for example, drop 3 7."
            )
        self._session_of(meter).drop_entries([int(word) for word in words])

    async def add_write(self, meter: str, text: str) -> None:
        """Write ``UUID=HEX`` to the meter after every connection; without a text, write no more."""
        await self._change_requests(
            meter,
            lambda requests: replace(requests, writes=(*requests.writes, parse_write(text)) if text else ()),
        )

    async def add_read(self, meter: str, text: str) -> None:
        """Poll the value of a UUID; without a text, poll no more."""
        await self._change_requests(
            meter,
            lambda requests: replace(requests, reads=(*requests.reads, parse_poll(text)) if text else ()),
        )

    def _session_of(self, address_or_name: str) -> _TeachingSession:
        session = self._session
        if session is None or address_or_name.strip().upper() not in {
            session.meter.address.upper(),
            session.meter.name.upper(),
        }:
            name = clean_text(address_or_name)
            raise InputError(
                f"{name} is not being taught." if name else "No meter is being taught.",
                "Begin with the meter alone.",
            )
        return session

    async def begin(self, meter: str) -> None:
        """Begin to teach the meter with this address or name.

        Raises:
            RadioError: there is no such meter.
            InputError: several meters have the name, or another one is being taught.
        """
        address = await self._discovery.address_of(meter)
        if self._session is not None:
            if self._session.meter.address.upper() == address.upper():
                return
            raise InputError(
                f"{self._session.meter.name} is being taught already.", "Type stop or done for that meter first."
            )
        status = self._meter_status(address)
        device = next((heard for heard in self._radio.devices() if heard.address.upper() == address.upper()), None)
        advertisement = device.advertisement if device else None
        known = self._radio.known_meter(address)
        name = (advertisement.name if advertisement else "") or (status.name if status else "") or address
        taught_meter = known or Meter(address, name)
        captured = CapturedMeter(clean_text(name), advertisement.service_uuids if advertisement else ())
        has_driver = status is not None and status.state in _HAS_DRIVER
        session = self._session = _TeachingSession(
            Meter(address, clean_text(name)), self._unused_profile_name(name), captured, self._clock.now(), known,
            self._radio.configured_driver(address), reconnected=not has_driver,
        )  # fmt: skip
        self._task = asyncio.create_task(self._run_session(session), name="teaching")
        if session.reconnected:
            await self._connect(taught_meter, CaptureDriverFactory(captured.requests))

    async def _change_requests(self, meter: str, change: Callable[[ConnectionRequests], ConnectionRequests]) -> None:
        """Connect the meter again with changed requests.

        Raises:
            InputError: the meter is not being taught, has a driver of its own, or the text is no such request.
        """
        session = self._session_of(meter)
        if not session.reconnected:
            raise InputError(
                f"{session.meter.name} has a driver, which sends its requests.",
                "Type the values that its display shows.",
            )
        requests = change(session.captured_meter.requests)
        session.captured_meter = replace(session.captured_meter, requests=requests)
        session.request_analysis()
        await self._connect(session.known_meter or session.meter, CaptureDriverFactory(requests))

    async def stop(self, meter: str) -> None:
        """End teaching without a profile.

        Raises:
            InputError: the meter is not being taught.
        """
        session = self._session_of(meter)
        await self.close()
        if session.reconnected:
            if session.known_meter is not None:
                await self._connect(session.known_meter, session.configured_driver)
            else:
                self._radio.set_driver(session.meter.address, session.configured_driver)
                await self._radio.remove_meter(session.meter.address)
        self._send_view(_ended_view(session, ""))

    async def write_profile(self, meter: str) -> None:
        """Write the profile, and use it for the meter from now on.

        Raises:
            InputError: the meter is not being taught, or no more; there is no profile yet, or its file could not be
                written.
        """
        session = self._session_of(meter)
        from meterlink.profiles import compile_profile  # noqa: PLC0415  # loaded while a meter is taught
        from meterlink.teach import write_taught_profile  # noqa: PLC0415  # likewise

        await self._analyze(session)
        if session.ended.is_set():
            raise InputError(f"Teaching {session.meter.name} was stopped meanwhile.", "Begin again with the meter.")
        report = session.report
        if report is None or report.profile is None:
            reason = report.reason if report else "no entry has been analyzed"
            raise InputError(f"There is no profile yet: {reason}.", session.next_suggestion)
        profile = report.profile
        path = self._folder / f"{profile.name}.toml"
        capture = Capture(tuple(session.packets), tuple(session.entries), session.captured_meter)
        await asyncio.to_thread(_write, path, write_taught_profile(report, capture))
        try:
            await asyncio.to_thread(_write, path.with_suffix(".jsonl"), format_capture(capture))
        except InputError as error:  # the profile is complete without it
            log.warning("the capture of %s is not kept: %s", profile.name, error)
        await self.close()
        factory = compile_profile(profile)
        self._drivers.add(factory)
        await self._connect(session.known_meter or session.meter, factory)
        self._send_view(_ended_view(session, str(path)))
        await self._keep_driver(session.meter.address, profile.name)

    async def _connect(self, meter: Meter, factory: DriverFactory | None) -> None:
        self._radio.set_driver(meter.address, factory)
        await self._radio.remove_meter(meter.address)
        self._radio.add_meter(meter)

    async def _run_session(self, session: _TeachingSession) -> None:
        while True:
            self._send_view(self._view(session))
            await session.changed.wait()
            session.changed.clear()
            self._send_view(self._view(session))
            await self._analyze(session)

    def _send_session(self) -> None:
        if self._session is not None:
            self._send_view(self._view(self._session))

    async def _analyze(self, session: _TeachingSession) -> None:
        async with session.analysis_lock:
            if not session.outdated:
                return
            session.outdated = False
            capture = Capture(tuple(session.packets), tuple(session.entries), session.captured_meter)
            try:
                session.report, session.progress, session.next_suggestion = await asyncio.to_thread(
                    _analyze_capture, capture, session.profile_name, session.progress, session.ended.is_set
                )
            except Exception:
                # An unknown meter's bytes may trigger any error: it ends the analysis, not the station.
                log.exception("teaching %s failed", session.meter.name)
                session.report, session.next_suggestion = (
                    None,
                    "The analysis of this meter failed: see the log.",
                )
            self._pace.request()

    def _meter_status(self, address: str) -> MeterStatus | None:
        statuses = self._radio.state.meters
        return next((status for status in statuses if status.address.upper() == address.upper()), None)

    def _unused_profile_name(self, name: str) -> str:
        """Return a profile name made from the meter's name; no profile in the folder has it."""
        from meterlink.profiles.model import make_profile_name  # noqa: PLC0415  # loaded while a meter is taught

        return make_profile_name(clean_text(name), {path.stem for path in self._folder.glob("*.toml")})

    def _view(self, session: _TeachingSession) -> TeachView:
        report = session.report
        return TeachView(
            topic=Topic.TEACH,
            meter=session.meter.address,
            name=session.meter.name,
            packets=session.packet_count,
            entries=list(_entry_views(session)),
            analyzing=session.outdated or session.analysis_lock.locked(),
            suggested_reading=self._suggestion_text(session),
            has_profile=report is not None and report.has_profile,
            functions=[
                TeachFunctionView(function=function.function, confidence=function.confidence)
                for function in (report.functions if report else ())
            ],
            error=report.reason if report and session.entries else "",
            profile_path="",
            progress=str(session.progress or ""),
        )

    def _suggestion_text(self, session: _TeachingSession) -> str:
        status = self._meter_status(session.meter.address)
        if not session.packet_count:
            return f"No packet has arrived yet. {status.detail if status else ''}".rstrip()
        if status is not None and status.state is not ConnectionState.CONNECTED:
            return f"No packets arrive now: an entry would belong to none. {status.detail}".rstrip()
        if session.report is None:
            return (
                session.next_suggestion
                or "Show any reading, keep it still, and type the displayed value, with its unit."
            )
        for wrong in session.report.contradictions:
            if place := session.place_of(wrong.entry):
                named = f"{place}, {clean_text(wrong.entry.text)}: it {wrong.objection(session.place_of)}"
                return f"Check {named}. To remove it, type drop {place.removeprefix('entry ')}."
        if not session.report.has_profile:
            return session.next_suggestion or f"There is no profile yet: {session.report.reason}."
        return session.next_suggestion or "No further reading is needed: type done. More entries make it surer."


def _is_near(packet: CapturedPacket, entries: list[DisplayEntry], ends: list[float]) -> bool:
    """Return whether a packet is near the window of an entry; ``entries`` are in the order of their ``ends``."""
    index = bisect_left(ends, packet.seconds - _NEAR_ENTRY)
    return index < len(entries) and entries[index].begin - _NEAR_ENTRY <= packet.seconds


def _analyze_capture(
    capture: Capture, name: str, before: "TeachProgress | None", is_stopped: Callable[[], bool]
) -> "tuple[TeachReport, TeachProgress, str]":
    # Imported here because it is large, and few stations teach.
    from meterlink.teach import Teacher, find_progress  # noqa: PLC0415

    teacher = Teacher(name, is_stopped=is_stopped)
    teacher.add_capture(capture)
    report = teacher.result()
    progress = find_progress(capture.entries, report, before)
    if report.has_profile:
        # An end: a greater number or a longer recording would always widen the profile further.
        return report, progress, progress.next_reading and f"Most useful now: {progress.next_reading}."
    return report, progress, teacher.next_suggestion()


def _entry_views(session: _TeachingSession) -> Iterator[TeachEntryView]:
    report = session.report
    objections = {one.entry: one.objection(session.place_of) for one in report.contradictions} if report else {}
    unused = set(report.unused_entries) if report else set()
    for entry in session.entries:
        no_packet = "no whole packet arrived while it was displayed" if entry in unused else ""
        yield TeachEntryView(text=clean_text(entry.text), problem=objections.get(entry, no_packet))


def _ended_view(session: _TeachingSession, profile_path: str) -> TeachView:
    return TeachView(
        topic=Topic.TEACH,
        meter="",
        name=session.meter.name,
        packets=session.packet_count,
        entries=list(_entry_views(session)),
        analyzing=False,
        suggested_reading="",
        has_profile=bool(profile_path),
        functions=[],
        error="",
        profile_path=profile_path,
        progress=str(session.progress or ""),
    )


def _write(path: Path, text: str) -> None:
    try:
        path.parent.mkdir(exist_ok=True)
        with path.open("x", encoding="utf-8") as file:
            file.write(text)
    except OSError as error:
        raise InputError(
            f"{path} could not be written: {error.strerror}.", "Make room for it, and type done again."
        ) from error
