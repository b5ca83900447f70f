"""Recording a meter's packets, and entries read off its display meanwhile, to a capture file."""

import asyncio
import os
from collections import deque
from collections.abc import AsyncIterator, Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Self

from meterlink.ble.backends import ClientBackend, ScannerBackend
from meterlink.ble.capture_driver import CaptureDriverFactory
from meterlink.ble.connection import ReceivedPacket as RadioPacket
from meterlink.ble.radio import Radio
from meterlink.ble.states import RadioState
from meterlink.capture.capture_file import (
    ENTRY_WINDOW,
    CapturedMeter,
    CapturedPacket,
    ConnectionRequests,
    entry_line,
    make_display_entry,
    meter_line,
    packet_line,
)
from meterlink.capture.unit_questions import check_unit
from meterlink.core.clock import Clock, Timestamp
from meterlink.core.equipment import ConnectionState, Meter
from meterlink.core.errors import DriverError, InputError, MeterlinkError
from meterlink.core.text import clean_text
from meterlink.driver_api import Advertisement, DriverFactory
from meterlink.station.typed_lines import TypedLine

_TIMES_KEPT = 4096  # times of packets: minutes of a fast meter, so that no line takes longer to type
_LONGEST_ECHO = 80  # characters of a typed line that are repeated in a message


@dataclass(slots=True)
class CaptureCounts:
    """Numbers of recorded packets and entries; seconds from the start to the last of them."""

    packets: int = 0
    entries: int = 0
    seconds: float = 0.0


class CaptureFileWriter:
    """A new capture file. Every line is written whole and without a buffer; an empty file is removed at the end."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._size = 0
        self._file: IO[bytes] | None = None

    def __enter__(self) -> Self:
        try:
            self._file = self._path.open("xb", buffering=0)
        except FileExistsError as error:
            raise InputError(f"{self._path} exists already.", "Give the recording another name.") from error
        except OSError as error:
            raise InputError(f"{self._path} could not be created: {error.strerror}.", "Give another file.") from error
        return self

    def __exit__(self, *_: object) -> None:
        if self._file is not None:
            self._file.close()
            if not self._size:
                self._path.unlink(missing_ok=True)

    def write(self, line: str) -> None:
        """Append one line.

        Raises:
            MeterlinkError: writing failed; the lines before it are whole.
        """
        assert self._file is not None  # noqa: S101  # written only while open
        rest = line.encode()
        try:
            while rest:
                rest = rest[self._file.write(rest) :]
        except OSError as error:
            with suppress(OSError):
                os.ftruncate(self._file.fileno(), self._size)
            raise MeterlinkError(
                f"{self._path} could not be written: {error.strerror}.", "The recording up to now is in the file."
            ) from error
        self._size += len(line.encode())


class CaptureRecorder:
    """One recording. ``report`` receives every line for the person who records."""

    def __init__(self, file: CaptureFileWriter, clock: Clock, report: Callable[[str], None]) -> None:
        self._file = file
        self._clock = clock
        self._report = report
        self._started = clock.now()
        self._queue: asyncio.Queue[RadioPacket | TypedLine] = asyncio.Queue()
        self._advertisement = Advertisement()
        self._requests = ConnectionRequests()
        self._meter_line_written = False
        self._reported = ""
        self._packet_times: deque[float] = deque(maxlen=_TIMES_KEPT)
        self._unusable_meter: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self.counts = CaptureCounts()

    async def run(
        self,
        address: str,
        typed_lines: AsyncIterator[TypedLine],
        *,
        requests: ConnectionRequests | None = None,
        seconds: float | None = None,
        stop: asyncio.Event | None = None,
        scanner_backend: ScannerBackend | None = None,
        client_backend: ClientBackend | None = None,
        adapter: str = "",
    ) -> CaptureCounts:
        """Record the meter at ``address`` until ``typed_lines`` ends, or for ``seconds``, or until ``stop`` is set.

        A lost connection is made again. ``adapter`` is the address of the Bluetooth adapter, empty for any.

        Raises:
            DriverError: the meter has no value to record.
            MeterlinkError: the file could not be written.
        """
        self._requests = requests or ConnectionRequests()
        factory = CaptureDriverFactory(self._requests)

        def choose(advertisement: Advertisement, _services: object) -> DriverFactory:
            self._advertisement = advertisement
            return factory

        radio = Radio(
            clock=self._clock,
            choose_driver=choose,
            on_packet=self._queue.put_nowait,
            on_state_change=self._on_radio_state,
            known_meters=[Meter(address, "")],
            scanner_backend=scanner_backend,
            client_backend=client_backend,
            adapter=adapter,
        )
        lines = asyncio.create_task(self._enqueue_lines(typed_lines), name="capture-typed")
        ends: set[asyncio.Future[None]] = {
            asyncio.create_task(radio.run(), name="capture-radio"),
            asyncio.create_task(self._write_lines(), name="capture-keep"),
            self._unusable_meter,
        }
        if seconds is None:
            ends.add(lines)
        else:
            ends.add(asyncio.create_task(asyncio.sleep(seconds), name="capture-time"))
        if stop is not None:
            ends.add(asyncio.create_task(_wait_for(stop), name="capture-stop"))
        try:
            done, _ = await asyncio.wait(ends, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for task in (*ends, lines):
                task.cancel()
            await asyncio.gather(*ends, lines, return_exceptions=True)
        for task in done:
            task.result()
        while not self._queue.empty():
            self._write_line(self._queue.get_nowait())
        return self.counts

    async def _enqueue_lines(self, typed_lines: AsyncIterator[TypedLine]) -> None:
        async for line in typed_lines:
            self._queue.put_nowait(line)
        # The last entry describes packets that arrived before it. They are in the queue already.

    async def _write_lines(self) -> None:
        while True:
            self._write_line(await self._queue.get())

    def _write_line(self, item: RadioPacket | TypedLine) -> None:
        t = self._seconds(item.timestamp)
        if isinstance(item, TypedLine):
            self._write_entry(t, item.text.strip(), None if item.first_key is None else self._seconds(item.first_key))
        else:
            self._write_packet(t, item)

    def _seconds(self, timestamp: Timestamp) -> float:
        return (timestamp.monotonic_ns - self._started.monotonic_ns) * 1e-9

    def _write_packet(self, t: float, packet: RadioPacket) -> None:
        if not self._meter_line_written:
            self._meter_line_written = True
            meter = CapturedMeter(packet.session.name, self._advertisement.service_uuids, self._requests)
            self._file.write(meter_line(meter))
        self._file.write(packet_line(CapturedPacket(t, packet.channel, packet.data)))
        self.counts.packets += 1
        self.counts.seconds = t
        # Those from before the longest line that a person types: a first key is matched with the packet before it.
        self._packet_times.append(t)

    def _write_entry(self, t: float, text: str, first_key: float | None) -> None:
        if not text:
            return
        echo = clean_text(text, _LONGEST_ECHO)
        try:
            check_unit(text)
            entry = make_display_entry(t, text, first_key=first_key)
        except InputError as error:
            self._report(f"Not recorded, {echo!r}: {error}")
            return
        self._file.write(entry_line(entry))
        self.counts.entries += 1
        self.counts.seconds = t
        warning = (
            ""
            if any(entry.begin <= at <= entry.end for at in reversed(self._packet_times))
            else f", but no packet arrived in the {ENTRY_WINDOW:g} s before it"
        )
        self._report(f"{self.counts.entries}. {echo} at {entry.end:.1f} s{warning}.")

    def _on_radio_state(self, state: RadioState) -> None:
        if not state.meters:
            return
        (status,) = state.meters
        text = state.error or f"{status.name or status.address}: {status.state}. {status.detail}".rstrip()
        if text != self._reported:
            self._reported = text
            self._report(text)
        if status.state is ConnectionState.UNUSABLE and not self._unusable_meter.done():
            self._unusable_meter.set_exception(DriverError(f"{status.name or status.address}: {status.detail}"))


async def _wait_for(stop: asyncio.Event) -> None:
    await stop.wait()
