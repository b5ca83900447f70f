"""``meterlink gaps``: the missing readings, their times and causes; and the readings around a step of the clock."""

import json
import logging
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any, cast

import pytest

from meterlink.ble.connection import MeterSession, ReceivedPacket
from meterlink.ble.states import MeterStatus, RadioState
from meterlink.core.clock import Timestamp
from meterlink.core.equipment import ConnectionState, Meter
from meterlink.core.text import length_text
from meterlink.station.continuity import ContinuityLog
from meterlink.station.packet_queue import PacketQueue
from meterlink.store.rows import GapCause
from meterlink.store.writer import Writer
from support.commands import run_command, run_for_json

OUTER = 60  # s
SECOND = 10**9
NOON = 1_798_459_200 * SECOND  # 2026-12-28T12:00:00Z
BIRCH, CEDAR = Meter("00:00:5E:00:53:0A", "Birch"), Meter("00:00:5E:00:53:0B", "Cedar")


class Station:
    """A station's log of continuity on a clock that is set by hand; every command waits until all is saved."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.at, self.step = timedelta(), timedelta()
        self.writer = Writer(folder / "meterlink.db", station="van-3", clock=self, boot_id="a", on_alarm=lambda _: None)
        self.writer.start()
        self.ids = {meter: self.writer.register_meter(meter).result(OUTER) for meter in (BIRCH, CEDAR)}
        self.log = ContinuityLog(self.writer, self, slept_ns=lambda: 0)

    def now(self) -> Timestamp:
        monotonic_ns = round(self.at.total_seconds() * SECOND)
        return Timestamp(NOON + monotonic_ns + round(self.step.total_seconds() * SECOND), monotonic_ns)

    def wait(self, **time: float) -> None:
        self.at += timedelta(**time)

    def connect(self, meter: Meter) -> MeterSession:
        session = MeterSession(1, meter.address, meter.name, "", "presented", cast("Any", None), self.now())
        self.log.open_connection(session, self.ids[meter])
        self.show(meter, ConnectionState.CONNECTED)
        return session

    def show(self, meter: Meter, state: ConnectionState) -> None:
        others = tuple(
            MeterStatus(each.address, each.name, ConnectionState.CONNECTED) for each in self.ids if each != meter
        )
        self.log.set_radio_state(RadioState((MeterStatus(meter.address, meter.name, state), *others)))

    def set_clock(self, step: timedelta) -> None:
        for _ in range(2):
            self.log.check_clock()
            self.wait(seconds=1)
        self.step += step
        for _ in range(2):
            self.log.check_clock()
            self.wait(seconds=1)

    def run(self, *options: str) -> tuple[int, str, str]:
        self.writer.register_meter(BIRCH).result(OUTER)
        return run_command("gaps", "--data", str(self.folder), *options)

    def causes(self, *options: str) -> list[tuple[str | None, str]]:
        self.writer.register_meter(BIRCH).result(OUTER)
        records = run_for_json("gaps", "--data", str(self.folder), *options)
        return [(record["meter"], record["cause"]) for record in records]


@pytest.fixture
def station(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Station]:
    monkeypatch.setenv("TZ", "UTC")
    station = Station(tmp_path)
    yield station
    station.writer.close()


def flood(station: Station, session: MeterSession) -> None:
    queue = PacketQueue(capacity=3, rate=2.0, burst=4.0)
    for number in range(10):
        if number == 5:
            queue.drain_nowait()
        queue.put(ReceivedPacket(session, "c", b"", station.now()))
        station.wait(milliseconds=100)
    station.log.add_drops(queue.drain_drops())


@pytest.mark.fault("lost-packets")
def test_each_gap_has_its_meter_its_cause_and_its_length(station: Station) -> None:
    session = station.connect(BIRCH)
    station.connect(CEDAR)
    station.wait(seconds=10)
    station.show(CEDAR, ConnectionState.SILENT)
    station.wait(seconds=75)
    station.show(CEDAR, ConnectionState.CONNECTED)
    flood(station, session)
    station.show(BIRCH, ConnectionState.LOST)
    station.wait(minutes=12)
    station.connect(BIRCH)
    station.set_clock(timedelta(hours=-2))
    station.show(BIRCH, ConnectionState.LOST)
    status, out, err = station.run()
    assert (status, err) == (0, "")
    assert out.splitlines() == [
        "From                 Meter  Cause                  Lasted        Lost",
        "2026-12-28 12:00:10  Cedar  meter silent           75 s",
        "2026-12-28 12:01:25  Birch  packets dropped        0.6 s         5 packets",
        "2026-12-28 12:01:26  Birch  link lost              12 min",
        "2026-12-28 12:13:27         clock set back by 2 h",
        "2026-12-28 10:13:30  Birch  link lost              no end known",
        "link lost: 2, meter silent: 1, packets dropped: 1, clock set: 1.",
    ]


def test_json_has_the_keys_that_the_help_names(station: Station) -> None:
    station.connect(BIRCH)
    station.show(BIRCH, ConnectionState.LOST)
    station.wait(seconds=2.5)
    station.connect(BIRCH)
    station.set_clock(timedelta(hours=1))
    status, out, _ = station.run("--json")
    gap, step = json.loads(out)
    assert status == 0
    assert gap == {
        "began": "2026-12-28T12:00:00.000Z", "ended": "2026-12-28T12:00:02.500Z", "seconds": 2.5, "meter": "Birch",
        "address": BIRCH.address, "cause": "link lost", "lost": None,
    }  # fmt: skip
    assert (step["cause"], step["seconds"], step["meter"]) == ("clock set", 3600.0, None)


def test_a_meter_and_a_time_select(station: Station) -> None:
    for meter in (BIRCH, CEDAR):
        station.connect(meter)
        station.show(meter, ConnectionState.LOST)
        station.wait(minutes=1)
        station.connect(meter)
        station.wait(minutes=9)
    station.set_clock(timedelta(seconds=30))
    lost = GapCause.LINK_LOST.value
    assert station.causes() == [("Birch", lost), ("Cedar", lost), (None, "clock set")]
    assert station.causes("--meter", "birch") == [("Birch", lost)]
    assert station.causes("--meter", CEDAR.address.lower()) == [("Cedar", lost)]
    assert station.causes("--since", "2026-12-28T12:01:00Z") == [("Birch", lost), ("Cedar", lost), (None, "clock set")]
    assert station.causes("--since", "2026-12-28T12:01:01Z") == [("Cedar", lost), (None, "clock set")]
    assert station.causes("--until", "2026-12-28T12:10:00Z") == [("Birch", lost)]
    assert station.causes("--since", "2026-12-28T12:15:00Z", "--until", "2026-12-28T12:16:00Z") == []


def test_a_long_list_is_cut_to_the_newest_unless_all_are_wanted(station: Station) -> None:
    for _ in range(60):
        station.connect(BIRCH)
        station.show(BIRCH, ConnectionState.LOST)
        station.wait(seconds=1)
    _, out, err = station.run()
    assert err == "The newest 50 of 60, newest last; --all lists all.\n"
    assert len(out.splitlines()) == 50 + 2
    _, out, err = station.run("--all")
    assert (err, len(out.splitlines())) == ("", 60 + 2)
    assert len(station.causes()) == 60


def test_nothing_to_list_says_why(station: Station) -> None:
    assert station.run() == (0, "No gaps.\n", "")
    assert station.run("--since", "1d") == (0, "No gaps match.\n", "")
    assert station.run("--meter", "Birch") == (0, "No gaps match.\n", "")
    status, out, _ = station.run("--meter", "Brich")
    assert (status, out) == (0, "No gaps match. Did you mean Birch?\n")


@pytest.mark.parametrize(
    "options", [("--since", "soon"), ("--visit", "7"), ("--limit", "3"), ("--until", "2026-13-01")]
)
def test_nonsense_is_one_line(station: Station, options: tuple[str, ...]) -> None:
    status, out, err = station.run(*options)
    assert (status, out) == (2, "")
    assert err.startswith("meterlink: ")
    assert err.count("\n") == 1


def test_a_station_that_stops_ends_the_gap_of_a_lost_meter(station: Station) -> None:
    station.connect(BIRCH)
    station.show(BIRCH, ConnectionState.LOST)
    station.wait(seconds=4)
    station.log.finish()
    _, out, _ = station.run("--lines")
    assert out.split("\t")[2] == "4.0"


def test_the_log_names_meter_length_and_cause(station: Station, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.INFO)
    session = station.connect(BIRCH)
    flood(station, session)
    station.show(BIRCH, ConnectionState.SILENT)
    station.wait(seconds=3)
    station.show(BIRCH, ConnectionState.CONNECTED)
    assert [record.getMessage() for record in caplog.records] == [
        (
            "Birch: 5 packets dropped in 0.6 s: 3 came faster than a display can change,"
            " 2 came while this machine was too slow"
        ),
        "Birch: no readings for 3.0 s: meter silent",
    ]


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (0.04, "0.0 s"), (9.94, "9.9 s"), (10, "10 s"), (119.4, "119 s"), (120, "2 min"), (3_599, "59 min"),
        (7_200, "2 h"), (11_100, "3 h 5 min"), (172_799, "47 h 59 min"), (172_800, "2 days"), (31_557_600, "365 days"),
    ],
)  # fmt: skip
def test_a_length_of_time_is_told_in_its_largest_units(seconds: float, text: str) -> None:
    assert length_text(seconds) == text
