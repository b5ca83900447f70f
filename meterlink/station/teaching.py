"""Teaching a meter while the station runs: its packets, what somebody reads off its display, and what to show next."""

import asyncio
import logging
import re
from bisect import bisect_left
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

from meterlink.ble.capture_driver import Capturing, parse_read, parse_write
from meterlink.ble.connection import Packet as RadioPacket
from meterlink.ble.radio import Radio
from meterlink.ble.states import LinkState, MeterLink
from meterlink.capture.files import WINDOW, Capture, CapturedMeter, Label, Packet, label_at, write_capture
from meterlink.core.clock import Clock, Stamp
from meterlink.core.equipment import Meter
from meterlink.core.errors import InputError, MeterlinkError
from meterlink.core.text import clean_name
from meterlink.driver_api import DriverKind
from meterlink.link.messages import Message, TeachFunctionView, TeachLabelView, TeachView
from meterlink.profiles import FOLDER, kind_of, write_profile
from meterlink.station.discovery import Finder
from meterlink.station.drivers import Drivers

if TYPE_CHECKING:
    from meterlink.teach import TeachReport

log = logging.getLogger(__name__)

# Packets kept: half an hour of a meter that sends ten a second, learned from in seconds rather than minutes.
_MOST_PACKETS = 20_000
# Where more come, those this near to a label are kept, and those of the last moments, which may still get one.
_NEAR = 1.0  # s
_FRESH = 10.0  # s
# A display that is read off stands still, so a meter that sends slowly is labelled by its last packet, if it is no
# older than this: two refreshes of a slow one.
_SLOW = 2.0  # s
_SHOW_EVERY = 0.5  # s; a count of packets is all that changes by itself
_DROP = re.compile(r"drop(?:\s+(\d+))?", re.IGNORECASE)
_ASK = re.compile(r"(write|read)(?:\s+(.+))?", re.IGNORECASE)
_LONGEST_SAID = 80  # characters of what was typed, when it is said back
_HAS_DRIVER = {LinkState.CONNECTED, LinkState.SILENT}


@dataclass(slots=True)
class _Lesson:
    """One meter being taught. ``known`` and ``named`` are what the radio knew of it before."""

    meter: Meter
    name: str  # the profile's
    captured: CapturedMeter
    started: Stamp
    known: Meter | None
    named: DriverKind | None
    reconnected: bool  # with the kind that takes everything; else its own driver's packets are listened in on
    packets: list[Packet] = field(default_factory=list)
    labels: list[Label] = field(default_factory=list)
    came: int = 0
    full: bool = False
    report: "TeachReport | None" = None
    wanted: str = ""
    stale: bool = False  # something was added that the report does not know
    changed: asyncio.Event = field(default_factory=asyncio.Event)
    learning: asyncio.Lock = field(default_factory=asyncio.Lock)

    def seconds(self, stamp: Stamp) -> float:
        """Return the time since the lesson began, in s."""
        return (stamp.monotonic_ns - self.started.monotonic_ns) * 1e-9

    def take(self, packet: RadioPacket) -> None:
        """Keep a packet, thinning those between labels out where there are too many."""
        self.came += 1
        t = self.seconds(packet.stamp)
        if len(self.packets) >= _MOST_PACKETS and not self.full:
            ends = [label.end for label in self.labels]
            self.packets = [one for one in self.packets if t - one.t <= _FRESH or _is_near(one, self.labels, ends)]
            self.full = len(self.packets) > 0.9 * _MOST_PACKETS
        if not self.full:
            self.packets.append(Packet(t, packet.channel, packet.data))

    def label(self, text: str, stamp: Stamp) -> None:
        """Take what the display shows now; InputError, with nothing kept, where that says nothing."""
        t = self.seconds(stamp)
        newest = self.packets[-1].t if self.packets else -_SLOW
        if self.full:
            raise InputError("No more packets are kept.", "Say done, or stop and begin again.")
        if t - newest > _SLOW:
            raise InputError(
                f"No packet came in the last {_SLOW:g} s, so {clean_name(text, _LONGEST_SAID)!r} says nothing of any.",
                "Wake the meter, wait until packets come, and type it again.",
            )
        self.labels.append(label_at(t, text, min(t - WINDOW, newest)))
        self.note()

    def drop(self, number: int) -> None:
        """Forget a label, counted from 1; 0 is the last one."""
        if not self.labels or number > len(self.labels):
            raise InputError(f"There is no label {number or 'to drop'}.", "See the list of labels for its number.")
        del self.labels[number - 1]
        self.full = False
        self.note()

    def note(self) -> None:
        """Have the lesson worked out anew."""
        self.stale = True
        self.changed.set()


class Teaching:
    """Teaches one meter at a time, as watchers ask; what is learned is worked out in a thread.

    A meter whose driver works is listened in on; any other is connected with a kind that takes everything it sends.
    ``show`` is handed a `TeachView` whenever it may have changed.
    """

    def __init__(
        self,
        radio: Radio,
        finder: Finder,
        drivers: Drivers,
        folder: Path,
        *,
        clock: Clock,
        show: Callable[[Message], None],
    ) -> None:
        self._radio = radio
        self._finder = finder
        self._drivers = drivers
        self._folder = folder / FOLDER
        self._clock = clock
        self._show = show
        self._lesson: _Lesson | None = None
        self._task: asyncio.Task[None] | None = None

    def take(self, packet: RadioPacket) -> None:
        """Keep a packet if it is of the meter that is being taught; never blocks."""
        lesson = self._lesson
        if lesson is not None and packet.session.address.upper() == lesson.meter.address.upper():
            lesson.take(packet)

    def teaches(self, address: str) -> bool:
        """Return whether the meter at ``address`` is being taught."""
        return self._lesson is not None and self._lesson.meter.address.upper() == address.upper()

    async def carry_out(self, which: str, text: str) -> str:
        """Do what a watcher asks of the meter at an address, or of a name; return why not, in words, or nothing."""
        try:
            await self._carry_out(which, text.strip())
        except MeterlinkError as error:
            return str(error)
        return ""

    async def close(self) -> None:
        """Teach no longer."""
        self._lesson = None
        task, self._task = self._task, None
        if task is not None:
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)

    async def _carry_out(self, which: str, text: str) -> None:
        stamp = self._clock.stamp()  # what was typed describes what came before it, not while it is looked up
        if not text:
            await self._begin(which)
            return
        lesson = self._of(which)
        if text.lower() == "stop":
            await self._stop(lesson)
        elif text.lower() == "done":
            await self._done(lesson)
        elif drop := _DROP.fullmatch(text):
            lesson.drop(int(drop[1] or 0))
        elif ask := _ASK.fullmatch(text):
            await self._ask(lesson, ask[1].lower(), ask[2] or "")
        else:
            lesson.label(text, stamp)

    def _of(self, which: str) -> _Lesson:
        lesson = self._lesson
        if lesson is None or which.strip().upper() not in {lesson.meter.address.upper(), lesson.meter.name.upper()}:
            raise InputError(f"{clean_name(which) or 'No meter'} is not being taught.", "Begin with the meter alone.")
        return lesson

    async def _begin(self, which: str) -> None:
        address = await self._finder.address_of(which)
        if self._lesson is not None:
            if self._lesson.meter.address.upper() == address.upper():
                return
            raise InputError(f"{self._lesson.meter.name} is being taught already.", "Say stop or done there first.")
        link = self._link(address)
        heard = next((one for one in self._radio.heard() if one.address.upper() == address.upper()), None)
        advertised = heard.advertisement if heard else None
        known = self._radio.known(address)
        name = (advertised.name if advertised else "") or (link.name if link else "") or address
        meter = known or Meter(address, name)
        captured = CapturedMeter(clean_name(name), advertised.service_uuids if advertised else ())
        reads = link is not None and link.state in _HAS_DRIVER
        lesson = self._lesson = _Lesson(
            Meter(address, clean_name(name)), self._free_name(name), captured, self._clock.stamp(), known,
            self._radio.named(address), reconnected=not reads,
        )  # fmt: skip
        self._task = asyncio.create_task(self._follow(lesson), name="teaching")
        if lesson.reconnected:
            await self._connect(meter, Capturing(captured.asked))

    async def _ask(self, lesson: _Lesson, what: str, text: str) -> None:
        """Connect the meter anew and speak to it so from then on; with no text, no longer write or read anything."""
        if not lesson.reconnected:
            raise InputError(f"{lesson.meter.name} is spoken to by its driver.", "Label what its display shows.")
        asked = lesson.captured.asked
        if what == "write":
            asked = replace(asked, writes=(*asked.writes, parse_write(text)) if text else ())
        else:
            asked = replace(asked, reads=(*asked.reads, parse_read(text)) if text else ())
        lesson.captured = replace(lesson.captured, asked=asked)
        lesson.note()
        await self._connect(lesson.known or lesson.meter, Capturing(asked))

    async def _stop(self, lesson: _Lesson) -> None:
        await self.close()
        if lesson.reconnected:
            if lesson.known is not None:
                await self._connect(lesson.known, lesson.named)
            else:
                self._radio.name_driver(lesson.meter.address, lesson.named)
                await self._radio.forget(lesson.meter.address)
        self._show(_ended(lesson, ""))

    async def _done(self, lesson: _Lesson) -> None:
        """Write the profile, and read the meter by it from now on."""
        await self._learn(lesson)
        profile = lesson.report.profile if lesson.report else None
        if profile is None:
            why = lesson.report.reason if lesson.report else "nothing has been worked out"
            raise InputError(f"There is no profile yet: {why}.", lesson.wanted)
        path = self._folder / f"{profile.name}.toml"
        taught_from = Capture(tuple(lesson.packets), tuple(lesson.labels), lesson.captured)
        await asyncio.to_thread(_write, path, write_profile(profile))
        try:
            await asyncio.to_thread(_write, path.with_suffix(".jsonl"), write_capture(taught_from))
        except InputError as error:  # the profile is what counts
            log.warning("what %s was taught from is not kept: %s", profile.name, error)
        await self.close()
        kind = kind_of(profile)
        self._drivers.add(kind)
        await self._connect(lesson.known or lesson.meter, kind)
        self._show(_ended(lesson, str(path)))

    async def _connect(self, meter: Meter, kind: DriverKind | None) -> None:
        self._radio.name_driver(meter.address, kind)
        await self._radio.forget(meter.address)
        self._radio.know(meter)

    async def _follow(self, lesson: _Lesson) -> None:
        while True:
            self._show(self._view(lesson))
            try:
                async with asyncio.timeout(_SHOW_EVERY):
                    await lesson.changed.wait()
            except TimeoutError:
                continue
            lesson.changed.clear()
            self._show(self._view(lesson))
            await self._learn(lesson)

    async def _learn(self, lesson: _Lesson) -> None:
        async with lesson.learning:
            if not lesson.stale:
                return
            lesson.stale = False
            capture = Capture(tuple(lesson.packets), tuple(lesson.labels), lesson.captured)
            try:
                lesson.report, lesson.wanted = await asyncio.to_thread(_learned, capture, lesson.name)
            except Exception:
                # Whatever a strange meter's bytes bring to light: it costs the lesson's result, not the station.
                log.exception("teaching %s failed", lesson.meter.name)
                lesson.report, lesson.wanted = None, "What came of this meter could not be worked out: see the log."

    def _link(self, address: str) -> MeterLink | None:
        return next((one for one in self._radio.state.meters if one.address.upper() == address.upper()), None)

    def _free_name(self, name: str) -> str:
        """Return a profile name made of the meter's that no profile in the folder has."""
        stem = "-".join(re.findall("[a-z0-9]+", clean_name(name).lower())) or "taught"
        taken = {path.stem for path in self._folder.glob("*.toml")}
        number = 1
        while (free := stem if number == 1 else f"{stem}-{number}") in taken:
            number += 1
        return free

    def _view(self, lesson: _Lesson) -> TeachView:
        report = lesson.report
        return TeachView(
            topic="teach",
            meter=lesson.meter.address,
            name=lesson.meter.name,
            packets=lesson.came,
            labels=list(_labels(lesson)),
            working=lesson.stale or lesson.learning.locked(),
            wanted=self._wanted(lesson),
            accepted=report is not None and report.accepted,
            functions=[TeachFunctionView(function=one.function, sure=one.words) for one in report.functions]
            if report
            else [],
            error=report.reason if report and lesson.labels else "",
            written="",
        )

    def _wanted(self, lesson: _Lesson) -> str:
        if not lesson.came:
            link = self._link(lesson.meter.address)
            return f"Nothing has come from it yet. {link.detail if link else ''}".rstrip()
        if lesson.report is None:
            return lesson.wanted or "Show any reading, keep it still, and type what the display shows, with its unit."
        return lesson.wanted or "Nothing more would decide anything: say done."


def _is_near(packet: Packet, labels: list[Label], ends: list[float]) -> bool:
    """Return whether a packet is near a label's window; labels stand in the order of their ``ends``."""
    after = bisect_left(ends, packet.t - _NEAR)
    return after < len(labels) and labels[after].begin - _NEAR <= packet.t


def _learned(capture: Capture, name: str) -> "tuple[TeachReport, str]":
    # Imported here: it is large, and few stations ever teach.
    from meterlink.teach import Teacher  # noqa: PLC0415

    teacher = Teacher(name)
    teacher.add(capture)
    return teacher.result(), teacher.next_wanted()


def _labels(lesson: _Lesson) -> Iterator[TeachLabelView]:
    report = lesson.report
    against = {one.label: str(one) for one in report.contradictions} if report else {}
    unused = set(report.unused) if report else set()
    for label in lesson.labels:
        lost = "no whole packet came while it was shown" if label in unused else ""
        yield TeachLabelView(text=clean_name(label.text), trouble=against.get(label, lost))


def _ended(lesson: _Lesson, written: str) -> TeachView:
    return TeachView(
        topic="teach", meter="", name=lesson.meter.name, packets=lesson.came, labels=list(_labels(lesson)),
        working=False, wanted="", accepted=bool(written), functions=[], error="", written=written,
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
