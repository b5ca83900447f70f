"""Recording what a meter sends, and what somebody reads off its display meanwhile, to a capture file."""

import asyncio
import os
import threading
from collections.abc import AsyncIterator, Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Self

from meterlink.ble.backends import ClientBackend, ScannerBackend
from meterlink.ble.capture_driver import Capturing
from meterlink.ble.connection import Packet as RadioPacket
from meterlink.ble.radio import Radio
from meterlink.ble.states import LinkState, RadioState
from meterlink.capture.files import WINDOW, Asked, CapturedMeter, Packet, label_at, label_line, meter_line, packet_line
from meterlink.core.clock import Clock, Stamp
from meterlink.core.equipment import Meter
from meterlink.core.errors import DriverError, InputError, MeterlinkError
from meterlink.core.text import clean_name
from meterlink.driver_api import Advertisement, DriverKind

_LONGEST_SAID = 80  # characters of a line that was typed, when it is said back
_LONGEST_LINE = 1024  # bytes kept of a line that does not end


@dataclass(frozen=True, slots=True)
class Typed:
    """A line somebody typed, and when they pressed Enter."""

    text: str
    stamp: Stamp


@dataclass(slots=True)
class Tally:
    """What has been recorded: counts, and seconds from the start to the last of it."""

    packets: int = 0
    labels: int = 0
    seconds: float = 0.0


class CaptureFile:
    """A new capture file that is written line by line; every line is whole and on its way to the disk at once.

    Where nothing is written, no file is left.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._size = 0
        self._file: IO[bytes] | None = None

    def __enter__(self) -> Self:
        try:
            self._file = self._path.open("xb", buffering=0)
        except FileExistsError as error:
            raise InputError(f"{self._path} is there already.", "Give the recording a name of its own.") from error
        except OSError as error:
            raise InputError(f"{self._path} cannot be made: {error.strerror}.", "Give another file.") from error
        return self

    def __exit__(self, *_: object) -> None:
        if self._file is not None:
            self._file.close()
            if not self._size:
                self._path.unlink(missing_ok=True)

    def write(self, line: str) -> None:
        """Append one line. MeterlinkError where the disk takes no more; the lines before it are whole."""
        assert self._file is not None  # noqa: S101  # written to only while open
        rest = line.encode()
        try:
            while rest:
                rest = rest[self._file.write(rest) :]
        except OSError as error:
            with suppress(OSError):
                os.ftruncate(self._file.fileno(), self._size)
            raise MeterlinkError(
                f"{self._path} takes no more: {error.strerror}.", "What was recorded until then is in it."
            ) from error
        self._size += len(line.encode())


class Capture:
    """One recording. ``say`` is handed every line for the person who records."""

    def __init__(self, file: CaptureFile, clock: Clock, say: Callable[[str], None]) -> None:
        self._file = file
        self._clock = clock
        self._say = say
        self._started = clock.stamp()
        self._queue: asyncio.Queue[RadioPacket | Typed] = asyncio.Queue()
        self._advertisement = Advertisement()
        self._asked = Asked()
        self._introduced = False
        self._said = ""
        self._newest = float("-inf")
        self._unusable: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self.tally = Tally()

    async def run(
        self,
        address: str,
        typed: AsyncIterator[Typed],
        *,
        asked: Asked | None = None,
        seconds: float | None = None,
        stop: asyncio.Event | None = None,
        scanner_backend: ScannerBackend | None = None,
        client_backend: ClientBackend | None = None,
    ) -> Tally:
        """Record the meter at ``address`` until ``typed`` ends, or for ``seconds``, or until ``stop`` is set.

        A lost link is taken up again. DriverError where the meter offers nothing to record; MeterlinkError where the
        file cannot be written any more.
        """
        self._asked = asked or Asked()
        kind = Capturing(self._asked)

        def choose(advertisement: Advertisement, _services: object) -> DriverKind:
            self._advertisement = advertisement
            return kind

        radio = Radio(
            clock=self._clock,
            choose=choose,
            on_packet=self._queue.put_nowait,
            on_change=self._radio_changed,
            known=[Meter(address, "")],
            scanner_backend=scanner_backend,
            client_backend=client_backend,
        )
        lines = asyncio.create_task(self._take_lines(typed), name="capture-typed")
        ends: set[asyncio.Future[None]] = {
            asyncio.create_task(radio.run(), name="capture-radio"),
            asyncio.create_task(self._keep(), name="capture-keep"),
            self._unusable,
        }
        if seconds is None:
            ends.add(lines)
        else:
            ends.add(asyncio.create_task(asyncio.sleep(seconds), name="capture-time"))
        if stop is not None:
            ends.add(asyncio.create_task(_until(stop), name="capture-stop"))
        try:
            done, _ = await asyncio.wait(ends, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for task in (*ends, lines):
                task.cancel()
            await asyncio.gather(*ends, lines, return_exceptions=True)
        for task in done:
            task.result()
        while not self._queue.empty():
            self._write(self._queue.get_nowait())
        return self.tally

    async def _take_lines(self, typed: AsyncIterator[Typed]) -> None:
        async for line in typed:
            self._queue.put_nowait(line)
        # What was typed last describes packets that came before it: those are in the queue already.

    async def _keep(self) -> None:
        while True:
            self._write(await self._queue.get())

    def _write(self, entry: RadioPacket | Typed) -> None:
        t = (entry.stamp.monotonic_ns - self._started.monotonic_ns) * 1e-9
        if isinstance(entry, Typed):
            self._label(t, entry.text.strip())
        else:
            self._packet(t, entry)

    def _packet(self, t: float, packet: RadioPacket) -> None:
        if not self._introduced:
            self._introduced = True
            meter = CapturedMeter(packet.session.name, self._advertisement.service_uuids, self._asked)
            self._file.write(meter_line(meter))
        self._file.write(packet_line(Packet(t, packet.channel, packet.data)))
        self.tally.packets += 1
        self.tally.seconds = self._newest = t

    def _label(self, t: float, text: str) -> None:
        if not text:
            return
        shown = clean_name(text, _LONGEST_SAID)
        try:
            label = label_at(t, text)
        except InputError as error:
            self._say(f"Not noted, {shown!r}: {error}")
            return
        self._file.write(label_line(label))
        self.tally.labels += 1
        self.tally.seconds = t
        late = "" if t - self._newest <= WINDOW else f", but no packet came in the {WINDOW:g} s before it"
        self._say(f"{self.tally.labels}. {shown} at {t:.1f} s{late}.")

    def _radio_changed(self, state: RadioState) -> None:
        if not state.meters:
            return
        (link,) = state.meters
        said = state.problem or f"{link.name or link.address}: {link.state}. {link.detail}".rstrip()
        if said != self._said:
            self._said = said
            self._say(said)
        if link.state is LinkState.UNUSABLE and not self._unusable.done():
            self._unusable.set_exception(DriverError(f"{link.name or link.address}: {link.detail}"))


async def _until(stop: asyncio.Event) -> None:
    await stop.wait()


async def typed_lines(descriptor: int, clock: Clock) -> AsyncIterator[Typed]:
    """Yield the lines of a file descriptor (0: standard input) as they are typed; ends with it."""
    loop = asyncio.get_running_loop()
    lines: asyncio.Queue[Typed | None] = asyncio.Queue()

    def read() -> None:
        rest = b""
        with suppress(RuntimeError):  # the loop is closed meanwhile
            while chunk := _read(descriptor):
                *whole, rest = (rest + chunk).split(b"\n")
                rest = rest[-_LONGEST_LINE:]
                stamp = clock.stamp()
                for line in whole:
                    loop.call_soon_threadsafe(lines.put_nowait, Typed(line.decode(errors="replace"), stamp))
            if rest:
                loop.call_soon_threadsafe(lines.put_nowait, Typed(rest.decode(errors="replace"), clock.stamp()))
            loop.call_soon_threadsafe(lines.put_nowait, None)

    # Reading blocks, so a thread does it: a daemon, since one that waits for a key must not keep the program from
    # ending, and below Python's buffered streams, whose locks such a thread would hold at the end.
    threading.Thread(target=read, name="capture-read", daemon=True).start()
    while (line := await lines.get()) is not None:
        yield line


def _read(descriptor: int) -> bytes:
    try:
        return os.read(descriptor, 4096)
    except OSError:  # a terminal that was closed
        return b""
