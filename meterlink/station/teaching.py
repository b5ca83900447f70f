"""Teaching a meter while the station runs: its packets, what somebody reads off its display, and what to show next."""

import asyncio
import logging
import re
from bisect import bisect_left
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

from meterlink.ble.capture_driver import CaptureDriverFactory, parse_poll, parse_write
from meterlink.ble.connection import ReceivedPacket as RadioPacket
from meterlink.ble.radio import Radio
from meterlink.ble.states import ConnectionState, MeterStatus
from meterlink.capture.capture_file import (
    ENTRY_WINDOW,
    Capture,
    CapturedMeter,
    CapturedPacket,
    DisplayEntry,
    format_capture,
    make_display_entry,
)
from meterlink.core.clock import Clock, Timestamp
from meterlink.core.equipment import Meter
from meterlink.core.errors import InputError, MeterlinkError
from meterlink.core.text import clean_text
from meterlink.driver_api import DriverFactory
from meterlink.link.messages import Message, TeachEntryView, TeachFunctionView, TeachView
from meterlink.profiles import PROFILES_FOLDER, compile_profile, write_profile
from meterlink.station.discovery import MeterDiscovery
from meterlink.station.drivers import Drivers

if TYPE_CHECKING:
    from meterlink.teach import TeachReport

log = logging.getLogger(__name__)

# Packets kept: half an hour of a meter that sends ten a second, learned from in seconds rather than minutes.
_MAX_PACKETS = 20_000
# Where more come, those this near to a label are kept, and those of the last moments, which may still get one.
_NEAR_ENTRY = 1.0  # s
_RECENT = 10.0  # s
# A display that is read off stands still, so a meter that sends slowly is labelled by its last packet, if it is no
# older than this: two refreshes of a slow one.
_LONGEST_PACKET_AGE = 2.0  # s
_VIEW_PERIOD = 0.5  # s; a count of packets is all that changes by itself
_DROP = re.compile(r"drop(?:\s+(\d+))?", re.IGNORECASE)
_REQUEST = re.compile(r"(write|read)(?:\s+(.+))?", re.IGNORECASE)
_LONGEST_ECHO = 80  # characters of what was typed, when it is said back
_HAS_DRIVER = {ConnectionState.CONNECTED, ConnectionState.SILENT}


@dataclass(slots=True)
class _TeachingSession:
    """One meter being taught. ``known`` and ``named`` are what the radio knew of it before."""

    meter: Meter
    profile_name: str  # the profile's
    captured_meter: CapturedMeter
    started: Timestamp
    known_meter: Meter | None
    configured_driver: DriverFactory | None
    reconnected: bool  # with the kind that takes everything; else its own driver's packets are listened in on
    packets: list[CapturedPacket] = field(default_factory=list)
    labels: list[DisplayEntry] = field(default_factory=list)
    packet_count: int = 0
    full: bool = False
    report: "TeachReport | None" = None
    next_request: str = ""
    outdated: bool = False  # something was added that the report does not know
    changed: asyncio.Event = field(default_factory=asyncio.Event)
    analysis_lock: asyncio.Lock = field(default_factory=asyncio.Lock)

    def seconds(self, stamp: Timestamp) -> float:
        """Return the time since the lesson began, in s."""
        return (stamp.monotonic_ns - self.started.monotonic_ns) * 1e-9

    def add_packet(self, packet: RadioPacket) -> None:
        """Keep a packet, thinning those between labels out where there are too many."""
        self.packet_count += 1
        t = self.seconds(packet.stamp)
        if len(self.packets) >= _MAX_PACKETS and not self.full:
            ends = [label.end for label in self.labels]
            self.packets = [
                one for one in self.packets if t - one.seconds <= _RECENT or _is_near(one, self.labels, ends)
            ]
            self.full = len(self.packets) > 0.9 * _MAX_PACKETS
        if not self.full:
            self.packets.append(CapturedPacket(t, packet.channel, packet.data))

    def add_entry(self, text: str, stamp: Timestamp) -> None:
        """Take what the display shows now; InputError, with nothing kept, where that says nothing."""
        t = self.seconds(stamp)
        newest = self.packets[-1].seconds if self.packets else -_LONGEST_PACKET_AGE
        if self.full:
            raise InputError("No more packets are kept.", "Say done, or stop and begin again.")
        if t - newest > _LONGEST_PACKET_AGE:
            raise InputError(
                f"No packet came in the last {_LONGEST_PACKET_AGE:g} s, so {clean_text(text, _LONGEST_ECHO)!r} says nothing of any.",
                "Wake the meter, wait until packets come, and type it again.",
            )
        self.labels.append(make_display_entry(t, text, min(t - ENTRY_WINDOW, newest)))
        self.request_analysis()

    def drop_entry(self, number: int) -> None:
        """Forget a label, counted from 1; 0 is the last one."""
        if not self.labels or number > len(self.labels):
            raise InputError(f"There is no label {number or 'to drop'}.", "See the list of labels for its number.")
        del self.labels[number - 1]
        self.full = False
        self.request_analysis()

    def request_analysis(self) -> None:
        """Have the lesson worked out anew."""
        self.outdated = True
        self.changed.set()


class Teaching:
    """Teaches one meter at a time, as watchers ask; what is learned is worked out in a thread.

    A meter whose driver works is listened in on; any other is connected with a kind that takes everything it sends.
    ``show`` is handed a `TeachView` whenever it may have changed.
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
    ) -> None:
        self._radio = radio
        self._discovery = discovery
        self._drivers = drivers
        self._folder = folder / PROFILES_FOLDER
        self._clock = clock
        self._send_view = send_view
        self._session: _TeachingSession | None = None
        self._task: asyncio.Task[None] | None = None

    def add_packet(self, packet: RadioPacket) -> None:
        """Keep a packet if it is of the meter that is being taught; never blocks."""
        lesson = self._session
        if lesson is not None and packet.session.address.upper() == lesson.meter.address.upper():
            lesson.add_packet(packet)

    def is_teaching(self, address: str) -> bool:
        """Return whether the meter at ``address`` is being taught."""
        return self._session is not None and self._session.meter.address.upper() == address.upper()

    async def execute(self, address_or_name: str, text: str) -> str:
        """Do what a watcher asks of the meter at an address, or of a name; return why not, in words, or nothing."""
        try:
            await self._execute(address_or_name, text.strip())
        except MeterlinkError as error:
            return str(error)
        return ""

    async def close(self) -> None:
        """Teach no longer."""
        self._session = None
        task, self._task = self._task, None
        if task is not None:
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)

    async def _execute(self, address_or_name: str, text: str) -> None:
        stamp = self._clock.now()  # what was typed describes what came before it, not while it is looked up
        if not text:
            await self._begin(address_or_name)
            return
        lesson = self._session_of(address_or_name)
        if text.lower() == "stop":
            await self._stop(lesson)
        elif text.lower() == "done":
            await self._write_profile(lesson)
        elif drop := _DROP.fullmatch(text):
            lesson.drop_entry(int(drop[1] or 0))
        elif ask := _REQUEST.fullmatch(text):
            await self._add_request(lesson, ask[1].lower(), ask[2] or "")
        else:
            lesson.add_entry(text, stamp)

    def _session_of(self, address_or_name: str) -> _TeachingSession:
        lesson = self._session
        if lesson is None or address_or_name.strip().upper() not in {
            lesson.meter.address.upper(),
            lesson.meter.name.upper(),
        }:
            raise InputError(
                f"{clean_text(address_or_name) or 'No meter'} is not being taught.", "Begin with the meter alone."
            )
        return lesson

    async def _begin(self, address_or_name: str) -> None:
        address = await self._discovery.address_of(address_or_name)
        if self._session is not None:
            if self._session.meter.address.upper() == address.upper():
                return
            raise InputError(f"{self._session.meter.name} is being taught already.", "Say stop or done there first.")
        link = self._meter_status(address)
        heard = next((one for one in self._radio.devices() if one.address.upper() == address.upper()), None)
        advertised = heard.advertisement if heard else None
        known = self._radio.known_meter(address)
        name = (advertised.name if advertised else "") or (link.name if link else "") or address
        meter = known or Meter(address, name)
        captured = CapturedMeter(clean_text(name), advertised.service_uuids if advertised else ())
        reads = link is not None and link.state in _HAS_DRIVER
        lesson = self._session = _TeachingSession(
            Meter(address, clean_text(name)), self._unused_profile_name(name), captured, self._clock.now(), known,
            self._radio.configured_driver(address), reconnected=not reads,
        )  # fmt: skip
        self._task = asyncio.create_task(self._run_session(lesson), name="teaching")
        if lesson.reconnected:
            await self._connect(meter, CaptureDriverFactory(captured.requests))

    async def _add_request(self, session: _TeachingSession, kind: str, text: str) -> None:
        """Connect the meter anew and speak to it so from then on; with no text, no longer write or read anything."""
        if not session.reconnected:
            raise InputError(f"{session.meter.name} is spoken to by its driver.", "Label what its display shows.")
        asked = session.captured_meter.requests
        if kind == "write":
            asked = replace(asked, writes=(*asked.writes, parse_write(text)) if text else ())
        else:
            asked = replace(asked, reads=(*asked.reads, parse_poll(text)) if text else ())
        session.captured_meter = replace(session.captured_meter, requests=asked)
        session.request_analysis()
        await self._connect(session.known_meter or session.meter, CaptureDriverFactory(asked))

    async def _stop(self, session: _TeachingSession) -> None:
        await self.close()
        if session.reconnected:
            if session.known_meter is not None:
                await self._connect(session.known_meter, session.configured_driver)
            else:
                self._radio.set_driver(session.meter.address, session.configured_driver)
                await self._radio.remove_meter(session.meter.address)
        self._send_view(_ended_view(session, ""))

    async def _write_profile(self, session: _TeachingSession) -> None:
        """Write the profile, and read the meter by it from now on."""
        await self._analyze(session)
        profile = session.report.profile if session.report else None
        if profile is None:
            why = session.report.reason if session.report else "nothing has been worked out"
            raise InputError(f"There is no profile yet: {why}.", session.next_request)
        path = self._folder / f"{profile.name}.toml"
        taught_from = Capture(tuple(session.packets), tuple(session.labels), session.captured_meter)
        await asyncio.to_thread(_write, path, write_profile(profile))
        try:
            await asyncio.to_thread(_write, path.with_suffix(".jsonl"), format_capture(taught_from))
        except InputError as error:  # the profile is what counts
            log.warning("what %s was taught from is not kept: %s", profile.name, error)
        await self.close()
        kind = compile_profile(profile)
        self._drivers.add(kind)
        await self._connect(session.known_meter or session.meter, kind)
        self._send_view(_ended_view(session, str(path)))

    async def _connect(self, meter: Meter, kind: DriverFactory | None) -> None:
        self._radio.set_driver(meter.address, kind)
        await self._radio.remove_meter(meter.address)
        self._radio.add_meter(meter)

    async def _run_session(self, session: _TeachingSession) -> None:
        while True:
            self._send_view(self._view(session))
            try:
                async with asyncio.timeout(_VIEW_PERIOD):
                    await session.changed.wait()
            except TimeoutError:
                continue
            session.changed.clear()
            self._send_view(self._view(session))
            await self._analyze(session)

    async def _analyze(self, session: _TeachingSession) -> None:
        async with session.analysis_lock:
            if not session.outdated:
                return
            session.outdated = False
            capture = Capture(tuple(session.packets), tuple(session.labels), session.captured_meter)
            try:
                session.report, session.next_request = await asyncio.to_thread(
                    _analyze_capture, capture, session.profile_name
                )
            except Exception:
                # Whatever a strange meter's bytes bring to light: it costs the lesson's result, not the station.
                log.exception("teaching %s failed", session.meter.name)
                session.report, session.next_request = (
                    None,
                    "What came of this meter could not be worked out: see the log.",
                )

    def _meter_status(self, address: str) -> MeterStatus | None:
        return next((one for one in self._radio.state.meters if one.address.upper() == address.upper()), None)

    def _unused_profile_name(self, name: str) -> str:
        """Return a profile name made of the meter's that no profile in the folder has."""
        stem = "-".join(re.findall("[a-z0-9]+", clean_text(name).lower())) or "taught"
        taken = {path.stem for path in self._folder.glob("*.toml")}
        number = 1
        while (free := stem if number == 1 else f"{stem}-{number}") in taken:
            number += 1
        return free

    def _view(self, session: _TeachingSession) -> TeachView:
        report = session.report
        return TeachView(
            topic="teach",
            meter=session.meter.address,
            name=session.meter.name,
            packets=session.packet_count,
            entries=list(_entry_views(session)),
            analyzing=session.outdated or session.analysis_lock.locked(),
            suggested_reading=self._next_request_text(session),
            has_profile=report is not None and report.has_profile,
            functions=[TeachFunctionView(function=one.function, confidence=one.confidence) for one in report.functions]
            if report
            else [],
            error=report.reason if report and session.labels else "",
            profile_path="",
        )

    def _next_request_text(self, session: _TeachingSession) -> str:
        if not session.packet_count:
            link = self._meter_status(session.meter.address)
            return f"Nothing has come from it yet. {link.detail if link else ''}".rstrip()
        if session.report is None:
            return (
                session.next_request
                or "Show any reading, keep it still, and type what the display shows, with its unit."
            )
        return session.next_request or "Nothing more would decide anything: say done."


def _is_near(packet: CapturedPacket, labels: list[DisplayEntry], ends: list[float]) -> bool:
    """Return whether a packet is near a label's window; labels stand in the order of their ``ends``."""
    after = bisect_left(ends, packet.seconds - _NEAR_ENTRY)
    return after < len(labels) and labels[after].begin - _NEAR_ENTRY <= packet.seconds


def _analyze_capture(capture: Capture, name: str) -> "tuple[TeachReport, str]":
    # Imported here: it is large, and few stations ever teach.
    from meterlink.teach import Teacher  # noqa: PLC0415

    teacher = Teacher(name)
    teacher.add_capture(capture)
    return teacher.result(), teacher.next_suggestion()


def _entry_views(session: _TeachingSession) -> Iterator[TeachEntryView]:
    report = session.report
    against = {one.entry: str(one) for one in report.contradictions} if report else {}
    unused = set(report.unused_entries) if report else set()
    for label in session.labels:
        lost = "no whole packet came while it was shown" if label in unused else ""
        yield TeachEntryView(text=clean_text(label.text), problem=against.get(label, lost))


def _ended_view(session: _TeachingSession, profile_path: str) -> TeachView:
    return TeachView(
        topic="teach", meter="", name=session.meter.name, packets=session.packet_count, entries=list(_entry_views(session)),
        analyzing=False, suggested_reading="", has_profile=bool(profile_path), functions=[], error="", profile_path=profile_path,
    )  # fmt: skip


def _write(path: Path, text: str) -> None:
    try:
        path.parent.mkdir(exist_ok=True)
        with path.open("x", encoding="utf-8") as file:
            file.write(text)
    except OSError as error:
        raise InputError(
            f"{path} cannot be written: {error.strerror}.", "Make room for it, and say done again."
        ) from error
