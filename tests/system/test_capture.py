"""`meterlink capture` on virtual radio, in virtual time: the recording, the messages, the end."""

import asyncio
import errno
import json
import os
from collections.abc import AsyncIterator, Awaitable, Callable
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from meterlink.capture.capture_file import ConnectionRequests
from meterlink.cli import capture as capture_module
from meterlink.core.clock import SystemClock, Timestamp
from meterlink.core.errors import DriverError, InputError, LinkError, MeterlinkError
from meterlink.core.units import Quantity
from meterlink.driver_api import Channel, CharacteristicWrite, uuid16
from meterlink.link.messages import CommandResult
from meterlink.link.server import LinkServer
from meterlink.station.capture_files import read_capture
from meterlink.station.recording import CaptureCounts, CaptureFileWriter, CaptureRecorder
from meterlink.station.typed_lines import LineEditor, TypedLine, read_typed_lines
from meterlink_simulators.air import Air
from meterlink_simulators.display import DisplayState
from meterlink_simulators.encoders import CharacteristicDefinition
from meterlink_simulators.peripheral import Peripheral
from meterlink_simulators.virtual_time import VirtualClock, run_in_virtual_time

ADDRESS = "C0:00:5E:00:53:01"
SERVICE, SPEAKS, HEARS, ASIDE = (f"a1b2c3d4-0000-4000-8000-00000000000{n}" for n in range(4))


class Counting:
    """An instrument whose display counts up."""

    name = "Birch"
    rate = 4.0

    def __init__(self) -> None:
        self.count = 0

    def show(self, _now: float) -> DisplayState:
        self.count += 1
        return DisplayState(Quantity.VOLTAGE, Decimal(self.count).scaleb(-2), "V")


class UnknownMeter:
    """The encoder of an unknown meter; a ``shy`` one sends packets only after a write."""

    def __init__(self, *, shy: bool = False, properties: str = "notify") -> None:
        self.woken = not shy
        self.written: list[bytes] = []
        self._properties = frozenset({properties})

    def services(self) -> list[tuple[str, list[CharacteristicDefinition]]]:
        return [
            (
                SERVICE,
                [
                    CharacteristicDefinition(SPEAKS, SPEAKS, self._properties),
                    CharacteristicDefinition(HEARS, HEARS, frozenset({"write"}), on_write=self._hear),
                    CharacteristicDefinition(ASIDE, ASIDE, frozenset({"read"})),
                ],
            )
        ]

    def _hear(self, data: bytes) -> None:
        self.written.append(data)
        self.woken = True

    def encode(self, shown: DisplayState) -> list[tuple[str, bytes]]:
        packet = str(shown.digits).encode()
        return [(SPEAKS, packet), (ASIDE, packet)] if self.woken else []


Body = Callable[[Air, Peripheral], Awaitable[Any]]


def on_air(body: Body, encoder: UnknownMeter | None = None) -> None:
    async def run() -> None:
        async with Air() as air:
            await body(air, await air.add_meter(Counting(), encoder=encoder or UnknownMeter(), address=ADDRESS))
            await asyncio.sleep(0)
            assert air.device_count == 1  # the meter alone: every scanner and central has left

    run_in_virtual_time(run())


async def typing(*lines: tuple[float, str]) -> AsyncIterator[TypedLine]:
    """Yield ``(pause in s, text)`` as lines, each after its pause; then the input ends."""
    clock = VirtualClock()
    for pause, text in lines:
        await asyncio.sleep(pause)
        yield TypedLine(text, clock.now())


async def never() -> AsyncIterator[TypedLine]:
    await asyncio.Event().wait()
    yield TypedLine("", Timestamp(0, 0))


async def record(
    path: Path, air: Air, lines: AsyncIterator[TypedLine], messages: list[str], **more: Any
) -> CaptureCounts:
    with CaptureFileWriter(path) as file:
        recorder = CaptureRecorder(file, VirtualClock(), messages.append)
        return await recorder.run(
            ADDRESS, lines, scanner_backend=air.scanner_backend, client_backend=air.client_backend, **more
        )


def test_packets_and_entries_in_order_with_their_times(tmp_path: Path) -> None:
    messages: list[str] = []

    async def body(air: Air, _meter: Peripheral) -> None:
        lines = typing((10.0, "0.35 V DC\n"), (1.0, "\n"), (1.0, "banana"), (1.0, "OL Mohm"), (1.0, "-12.34 mV dc\r"))
        counts = await record(tmp_path / "a.jsonl", air, lines, messages)
        assert (counts.packets > 40, counts.entries) == (True, 3)

    on_air(body)
    capture = read_capture(tmp_path / "a.jsonl")
    assert capture.meter is not None
    assert (capture.meter.name, capture.meter.service_uuids) == ("Birch", (SERVICE,))
    assert [(entry.seconds, entry.text) for entry in capture.entries] == [
        (10.0, "0.35 V DC"), (13.0, "OL Mohm"), (14.0, "-12.34 mV dc"),
    ]  # fmt: skip
    assert {packet.channel for packet in capture.packets} == {SPEAKS}
    counts = [int(float(packet.data) * 100 + 0.5) for packet in capture.packets]
    assert counts == list(range(counts[0], counts[0] + len(counts)))
    times = [json.loads(line)["t"] for line in (tmp_path / "a.jsonl").read_text().splitlines()[1:]]
    assert times == sorted(times)
    assert "1. 0.35 V DC at 10.0 s." in messages
    assert any(line.startswith("Not recorded, 'banana': ") for line in messages)
    assert "Birch: connected." in messages


def test_an_entry_without_packets_before_it_is_kept_with_a_warning(tmp_path: Path) -> None:
    messages: list[str] = []

    async def body(air: Air, meter: Peripheral) -> None:
        meter.set_muted(True)
        await record(tmp_path / "a.jsonl", air, typing((4.0, "4.70 uF")), messages)

    on_air(body)
    assert "1. 4.70 uF at 4.0 s, but no packet arrived in the 0.4 s before it." in messages
    assert len(read_capture(tmp_path / "a.jsonl").entries) == 1


def test_an_entry_has_the_time_of_its_first_key(tmp_path: Path) -> None:
    messages: list[str] = []

    async def slow() -> AsyncIterator[TypedLine]:
        clock = VirtualClock()
        await asyncio.sleep(10.0)
        first_key = clock.now()
        await asyncio.sleep(5.0)
        yield TypedLine("0.35 V DC", clock.now(), first_key)

    async def body(air: Air, _meter: Peripheral) -> None:
        await record(tmp_path / "a.jsonl", air, slow(), messages)

    on_air(body)
    (entry,) = read_capture(tmp_path / "a.jsonl").entries
    assert (entry.seconds, entry.first_key, entry.end) == (15.0, 10.0, 10.0)
    assert "1. 0.35 V DC at 10.0 s." in messages


def test_a_meter_that_must_be_written_to(tmp_path: Path) -> None:
    shy = UnknownMeter(shy=True)

    async def body(air: Air, meter: Peripheral) -> None:
        requests = ConnectionRequests(writes=(CharacteristicWrite(HEARS, b"\xa5\x01"),))
        counts = await record(tmp_path / "a.jsonl", air, never(), [], requests=requests, seconds=5)
        assert counts.packets > 10
        assert shy.written == [b"\xa5\x01"]

    on_air(body, shy)
    captured_meter = read_capture(tmp_path / "a.jsonl").meter
    assert captured_meter is not None
    assert captured_meter.requests == ConnectionRequests(writes=(CharacteristicWrite(HEARS, b"\xa5\x01"),))


def test_a_meter_that_must_be_written_to_periodically(tmp_path: Path) -> None:
    shy = UnknownMeter(shy=True)

    async def body(air: Air, _meter: Peripheral) -> None:
        requests = ConnectionRequests(writes=(CharacteristicWrite(HEARS, b"\xa5\x02", 2.0),))
        await record(tmp_path / "a.jsonl", air, never(), [], requests=requests, seconds=15)
        assert 5 <= len(shy.written) <= 8

    on_air(body, shy)
    captured_meter = read_capture(tmp_path / "a.jsonl").meter
    assert captured_meter is not None
    assert captured_meter.requests.writes[0].period == 2.0


def test_a_requested_value_is_polled(tmp_path: Path) -> None:
    async def body(air: Air, _meter: Peripheral) -> None:
        requests = ConnectionRequests(reads=(Channel(ASIDE, "read", 0.5),))
        await record(tmp_path / "a.jsonl", air, never(), [], requests=requests, seconds=10)

    on_air(body)
    polled = [packet for packet in read_capture(tmp_path / "a.jsonl").packets if packet.channel == ASIDE]
    assert 15 <= len(polled) <= 20


def test_a_lost_connection_is_made_again(tmp_path: Path) -> None:
    messages: list[str] = []

    async def body(air: Air, meter: Peripheral) -> None:
        recording = asyncio.create_task(record(tmp_path / "a.jsonl", air, never(), messages, seconds=60))
        await asyncio.sleep(20)
        meter.drop_connection()
        await recording

    on_air(body)
    times = [packet.seconds for packet in read_capture(tmp_path / "a.jsonl").packets]
    assert times[0] < 20 < times[-1]
    assert times[-1] > 50
    assert any("lost" in line for line in messages)


@pytest.mark.parametrize(
    ("encoder", "requests", "message"),
    [
        (UnknownMeter(properties="read"), ConnectionRequests(), "sends no notifications.*--poll"),
        (
            UnknownMeter(),
            ConnectionRequests(writes=(CharacteristicWrite(uuid16(0xFFF2), b"x"),)),
            "no 0000fff2-.* to write.*It has: " + HEARS,
        ),
        (UnknownMeter(), ConnectionRequests(reads=(Channel(SPEAKS, "read", 1.0),)), "to read.*It has: .*" + ASIDE),
    ],
)
def test_missing_channels_are_an_error(
    tmp_path: Path, encoder: UnknownMeter, requests: ConnectionRequests, message: str
) -> None:
    async def body(air: Air, _meter: Peripheral) -> None:
        with pytest.raises(DriverError, match=f"Birch: .*{message}"):
            await record(tmp_path / "a.jsonl", air, never(), [], requests=requests)

    on_air(body, encoder)


def test_a_recording_ends_on_request_and_when_cancelled(tmp_path: Path) -> None:
    async def body(air: Air, _meter: Peripheral) -> None:
        stop = asyncio.Event()
        asyncio.get_running_loop().call_later(7, stop.set)
        counts = await record(tmp_path / "a.jsonl", air, never(), [], stop=stop)
        assert 15 < counts.packets < 30
        cancelled = asyncio.create_task(record(tmp_path / "b.jsonl", air, never(), []))
        await asyncio.sleep(5)
        cancelled.cancel()
        with pytest.raises(asyncio.CancelledError):
            await cancelled

    on_air(body)
    assert read_capture(tmp_path / "b.jsonl").packets


def test_a_full_disk_is_an_error_and_leaves_whole_lines(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    class Full:
        """A file on a disk with ``room`` bytes; the write across the end writes a part."""

        def __init__(self, inner: Any, room: int) -> None:
            self.inner, self.room = inner, room

        def write(self, data: bytes) -> int:
            written: int = self.inner.write(data[: self.room])
            self.room -= written
            if not written:
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
            return written

        def __getattr__(self, name: str) -> Any:
            return getattr(self.inner, name)

    async def body(air: Air, _meter: Peripheral) -> None:
        with CaptureFileWriter(tmp_path / "a.jsonl") as file:
            monkeypatch.setattr(file, "_file", Full(file._file, 1000))
            recorder = CaptureRecorder(file, VirtualClock(), lambda _: None)
            with pytest.raises(MeterlinkError, match=r"a\.jsonl could not be written: No space left.*is in the file"):
                await recorder.run(
                    ADDRESS, never(), scanner_backend=air.scanner_backend, client_backend=air.client_backend
                )

    on_air(body)
    assert 800 < (tmp_path / "a.jsonl").stat().st_size <= 1000
    assert len(read_capture(tmp_path / "a.jsonl").packets) > 5


def test_a_recording_is_never_overwritten(tmp_path: Path) -> None:
    (tmp_path / "a.jsonl").write_text("mine")
    with pytest.raises(InputError, match="exists already"), CaptureFileWriter(tmp_path / "a.jsonl"):
        pass
    assert (tmp_path / "a.jsonl").read_text() == "mine"
    with CaptureFileWriter(tmp_path / "nothing.jsonl"):
        pass
    assert not (tmp_path / "nothing.jsonl").exists()
    with pytest.raises(InputError, match="could not be created"), CaptureFileWriter(tmp_path / "nowhere" / "a.jsonl"):
        pass


async def test_lines_are_read_from_a_pipe_as_they_are_typed() -> None:
    reading, writing = os.pipe()
    try:
        lines = read_typed_lines(reading, SystemClock())
        os.write(writing, b"4.70 uF\nOL M")
        assert (await anext(lines)).text == "4.70 uF"
        os.write(writing, b"ohm\n\xff\xfe\nlast")
        assert [(await anext(lines)).text, (await anext(lines)).text] == ["OL Mohm", "\ufffd\ufffd"]
        os.close(writing)
        assert [line.text async for line in lines] == ["last"]
    finally:
        os.close(reading)


def at(seconds: float) -> Timestamp:
    return Timestamp(0, round(seconds * 1e9))


def test_keys_make_lines_with_the_time_of_their_first_key() -> None:
    editor = LineEditor()
    assert editor.type_keys(b"4", at(1)) == ([], b"4")
    assert editor.type_keys(b"8\x7f.7\x1b[D uF", at(2)) == ([], b"8\b \b.7 uF")  # Backspace; an arrow does nothing
    assert editor.type_keys(b"\r", at(3)) == ([TypedLine("4.7 uF", at(3), at(1))], b"\r\n")
    editor.type_keys(b"9.99\x15", at(4))  # all erased: the next key begins a new reading
    (lines, _) = editor.type_keys(b"1.2 V D\x17AC\n", at(5))
    assert lines == [TypedLine("1.2 V AC", at(5), at(5))]
    assert editor.type_keys("µ\x7f".encode(), at(6))[1] == "µ".encode() + b"\b \b"
    assert editor.type_keys(b"\x7f\x04", at(7)) == ([], b"")
    assert editor.ended
    assert LineEditor().type_keys(b"\n", at(1)) == ([TypedLine("", at(1))], b"\r\n")
    assert len(LineEditor().type_keys(b"1" * 5000 + b"\n", at(1))[0][0].text) == 1024


@pytest.mark.skipif(not hasattr(os, "openpty"), reason="no terminals")
async def test_a_terminal_gives_the_first_key_and_is_left_as_it_was(capfd: pytest.CaptureFixture[str]) -> None:
    termios = pytest.importorskip("termios")
    person, program = os.openpty()
    try:
        before = termios.tcgetattr(program)
        lines = read_typed_lines(program, SystemClock())
        waiting = asyncio.ensure_future(anext(lines))
        await asyncio.sleep(0)
        assert not termios.tcgetattr(program)[3] & (termios.ICANON | termios.ECHO)
        os.write(person, b"4.7")
        await asyncio.sleep(0.01)
        os.write(person, b"0 uF\n")
        line = await waiting
        assert line.text == "4.70 uF"
        assert line.first_key is not None
        assert line.first_key.monotonic_ns < line.timestamp.monotonic_ns
        os.write(person, b"\x04")
        assert [more async for more in lines] == []
        assert termios.tcgetattr(program) == before
        assert "4.70 uF" in capfd.readouterr().err
    finally:
        os.close(person)
        os.close(program)


def test_the_command_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    calls: list[Any] = []

    async def fake_record(*args: Any) -> CaptureCounts:
        calls.append(args)
        return CaptureCounts(3, 1, 2.5)

    monkeypatch.setattr(capture_module, "_record", fake_record)
    run = CliRunner().invoke
    output = str(tmp_path / "a.jsonl")
    result = run(
        capture_module.command,
        [ADDRESS, "-o", output, "--write", "fff2=a5 01@2", "--poll", "fff1", "--data", str(tmp_path)],
    )
    assert result.exit_code == 0
    assert result.stderr == f"Recorded 3 packets and 1 entry in 2.5 s to {output}.\n"
    requests = ConnectionRequests(
        (CharacteristicWrite(uuid16(0xFFF2), b"\xa5\x01", 2.0),), (Channel(uuid16(0xFFF1), "read", 0.5),)
    )
    assert calls == [(tmp_path, ADDRESS, "", Path(output), requests, None)]
    for wrong in (
        [], [ADDRESS, "--meter", "Birch"], [ADDRESS, "--write", "fff2"], [ADDRESS, "--write", "fff2=zz"],
        [ADDRESS, "--write", "xyz=00"], [ADDRESS, "--write", "fff2=00@"], [ADDRESS, "--write", "fff2=00@0"],
        [ADDRESS, "--poll", "fff1=0"], [ADDRESS, "--poll", "fff1=nan"],
    ):  # fmt: skip
        result = run(capture_module.command, [*wrong, "-o", output])
        assert result.exit_code != 0, wrong
        assert isinstance(result.exception, InputError | SystemExit), wrong
    assert len(calls) == 1


async def test_a_running_station_keeps_the_adapter(tmp_path: Path) -> None:
    async def nothing(_command: Any) -> CommandResult:
        return CommandResult()

    async with LinkServer(tmp_path, "van-3", "1", nothing):
        with pytest.raises(LinkError, match="Stop the station"):
            await capture_module._record(tmp_path, ADDRESS, "", tmp_path / "a.jsonl", ConnectionRequests(), None)
    assert not (tmp_path / "a.jsonl").exists()
