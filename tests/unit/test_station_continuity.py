"""The log of connections, gaps and clock steps, from the station's events to the rows that a reader sees."""

from typing import Any, cast

import pytest

from meterlink.ble.connection import MeterSession, ReceivedPacket
from meterlink.ble.states import MeterStatus, RadioState
from meterlink.core.clock import Timestamp
from meterlink.core.equipment import ConnectionState, Meter
from meterlink.profiles import compile_profile, parse_profile
from meterlink.station.continuity import ContinuityLog
from meterlink.station.packet_queue import PacketQueue
from meterlink.store.reader import Reader
from meterlink.store.rows import ClockStep, EndReason, GapCause
from meterlink.store.writer import Writer

OUTER = 60  # s
SECOND = 10**9
NOON = 1_783_944_000 * SECOND
ADDRESS = "00:00:5E:00:53:0A"
PROFILE = """
profile = 1
name = "lines"
driver = "lined"

[connection]
notify = ["2b18"]

[text]
unit = "V"
"""


class HandClock:
    def __init__(self):
        self.utc_ns, self.monotonic_ns = NOON, 0

    def now(self):
        return Timestamp(self.utc_ns, self.monotonic_ns)

    def advance(self, seconds, step=0.0):
        self.utc_ns += round((seconds + step) * SECOND)
        self.monotonic_ns += round(seconds * SECOND)


class Log:
    """A log with its writer, a clock and one meter."""

    def __init__(self, folder):
        self.path = folder / "meterlink.db"
        self.clock = HandClock()
        self.writer = Writer(self.path, station="van-3", clock=self.clock, boot_id="a", on_alarm=lambda _: None)
        self.writer.start()
        self.meter_id = self.writer.register_meter(Meter(ADDRESS, "bench meter")).result(OUTER)
        self.log = ContinuityLog(self.writer, self.clock, slept_ns=lambda: 0)

    def connect(self, driver=None):
        session = MeterSession(1, ADDRESS, "bench meter", "", "presented", cast("Any", driver), self.clock.now())
        return self.log.open_connection(session, self.meter_id)

    def state(self, state):
        meters = () if state is None else (MeterStatus(ADDRESS, "bench meter", state),)
        self.log.set_radio_state(RadioState(meters))

    def read(self):
        self.writer.register_meter(Meter(ADDRESS, "")).result(OUTER)  # after all that was handed over before
        return Reader(self.path)

    def gaps(self):
        return [(gap.cause, seconds(gap.began), seconds(gap.ended), gap.lost) for gap in self.read().gaps()]

    def connections(self):
        return [
            (seconds(connection.connected), seconds(connection.ended), connection.end_reason)
            for connection in self.read().connections()
        ]


def seconds(timestamp):
    return None if timestamp is None else timestamp.monotonic_ns / SECOND


@pytest.fixture
def log(tmp_path):
    log = Log(tmp_path)
    yield log
    log.writer.close()


@pytest.mark.fault("lost-packets")
def test_a_lost_link_is_a_gap_until_the_next_connection(log):
    log.state(ConnectionState.CONNECTED)
    assert log.connect() == 1
    log.clock.advance(10)
    log.state(ConnectionState.LOST)
    log.clock.advance(1)
    log.state(ConnectionState.LOST)
    log.state(ConnectionState.CONNECTING)
    assert log.gaps() == [(GapCause.LINK_LOST, 10, None, None)]
    log.clock.advance(4)
    log.state(ConnectionState.CONNECTED)
    assert log.connect() == 2
    assert log.gaps() == [(GapCause.LINK_LOST, 10, 15, None)]
    assert log.connections() == [(0, 10, EndReason.LINK_LOST), (15, None, None)]
    gap, connection = log.read().gaps()[0], log.read().connections()[1]
    assert (gap.connection_id, gap.meter, connection.meter) == (1, connection.meter, Meter(ADDRESS, "bench meter"))


@pytest.mark.fault("lost-packets")
def test_a_silent_meter_is_a_gap_until_it_sends_again(log):
    log.connect()
    log.state(ConnectionState.CONNECTED)
    log.clock.advance(5)
    log.state(ConnectionState.SILENT)
    log.state(ConnectionState.SILENT)
    log.clock.advance(3)
    log.state(ConnectionState.CONNECTED)
    log.clock.advance(1)
    log.state(ConnectionState.SILENT)
    log.clock.advance(1)
    log.state(ConnectionState.LOST)
    assert log.gaps() == [
        (GapCause.METER_SILENT, 5, 8, None),
        (GapCause.METER_SILENT, 9, 10, None),
        (GapCause.LINK_LOST, 10, None, None),
    ]


def test_a_removed_meter_has_no_gap(log):
    log.connect()
    log.clock.advance(2)
    log.state(None)
    log.state(None)
    assert log.connections() == [(0, 2, EndReason.DISCONNECTED)]
    assert log.gaps() == []


def test_the_gap_of_a_lost_meter_ends_when_it_is_removed(log):
    log.connect()
    log.state(ConnectionState.LOST)
    log.clock.advance(2)
    log.state(None)
    assert log.connections() == [(0, 0, EndReason.LINK_LOST)]
    assert log.gaps() == [(GapCause.LINK_LOST, 0, 2, None)]


def test_a_new_session_ends_the_one_before(log):
    log.connect()
    log.clock.advance(2)
    log.connect()
    assert log.connections() == [(0, 2, EndReason.LINK_LOST), (2, None, None)]


def test_a_stopped_station_ends_its_connections(log):
    log.connect()
    log.log.open_typed_in(Meter("typed in", "typed in", "typed in"), log.meter_id)
    log.clock.advance(2)
    log.state(ConnectionState.CONNECTED)  # typed-in readings are not on the air
    log.log.finish()
    assert log.connections() == [(0, 2, EndReason.STATION_STOPPED)] * 2


@pytest.mark.fault("lost-packets")
def test_the_next_start_marks_the_connections_of_a_killed_station(log):
    log.connect()
    log.read()
    log.writer.close()  # without a word from the log, as after a kill
    log.writer.start()
    assert log.connections() == [(0, None, EndReason.STATION_KILLED)]
    assert log.connect() == 2


@pytest.mark.fault("lost-packets")
def test_dropped_packets_are_a_gap_with_their_number(log):
    queue = PacketQueue(capacity=2)
    session = MeterSession(1, ADDRESS, "bench meter", "", "presented", cast("Any", None), log.clock.now())
    log.log.open_connection(session, log.meter_id)
    for _ in range(5):
        log.clock.advance(1)
        queue.put(ReceivedPacket(session, "c", b"", log.clock.now()))
    log.log.add_drops(queue.drain_drops())
    log.log.add_drops(queue.drain_drops())  # each is reported once
    assert log.gaps() == [(GapCause.PACKETS_DROPPED, 3, 5, 3)]
    assert queue.dropped == {ADDRESS: 3}


def test_a_connection_knows_the_profile_that_decodes_it(log):
    factory = compile_profile(parse_profile(PROFILE, "p"))
    other = compile_profile(parse_profile(PROFILE.replace('"V"', '"mV"'), "p"))
    same = compile_profile(parse_profile("# another layout\n" + PROFILE, "p"))
    for each in (None, factory, other, same):
        log.connect(each and each.open(_services()))
    built_in, first, changed, again = log.read().connections()
    assert (built_in.profile, built_in.profile_hash) == ("", "")
    assert first.profile == changed.profile == "lines"
    assert len(first.profile_hash) == 64
    assert first.profile_hash == again.profile_hash != changed.profile_hash


def _services():
    from meterlink.driver_api import Characteristic, uuid16  # noqa: PLC0415

    uuid = uuid16(0x2B18)
    return [Characteristic(uuid, uuid, "", frozenset({"notify"}))]


@pytest.mark.fault("clock-step")
def test_a_step_of_the_clock_is_saved(log):
    for step in (0.0, 0.0, 0.05, 3600.0, 0.0, 0.0, -7200.0, 0.0):
        log.clock.advance(1, step)
        log.log.check_clock()
    first, second = log.read().clock_steps()
    assert first == ClockStep(Timestamp(NOON + 3_050_000_000, 3 * SECOND), first.after, 3_600 * SECOND, 1)
    assert (seconds(first.after), seconds(second.before), seconds(second.after)) == (4, 6, 7)
    assert second.step_ns == -7_200 * SECOND


@pytest.mark.fault("clock-step")
def test_a_step_right_after_the_start_is_saved(log):
    """A board without a clock of its own is set by the network at about the time when its station starts."""
    for step in (3600.0, 0.0, 0.0):
        log.clock.advance(1, step)
        log.log.check_clock()
    (step,) = log.read().clock_steps()
    assert step.step_ns == 3_600 * SECOND
    assert (seconds(step.before), seconds(step.after)) == (0, 1)
