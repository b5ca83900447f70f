"""Frames that lost a packet: they cost readings, and never make one."""

from typing import Any

import pytest

from meterlink.driver_api import JoiningDriver, Reading, Timestamp
from meterlink.profiles import open_profile_driver
from meterlink.profiles.model import (
    ConnectionSetup,
    DriverName,
    FieldLocation,
    Framing,
    LengthField,
    NumberField,
    NumberType,
    Profile,
    TextFormat,
    ValueFormat,
)

CHANNEL = "5f1c0a10-7c1e-4a52-9b1d-3d6a5c0f9e01"
START = b"\xa5\x3c"


class Meter:
    """A connected meter whose frames have two bytes of a number behind their start, and no check bytes."""

    def __init__(self, **framing: Any) -> None:
        value = ValueFormat(NumberField(NumberType.UINT, FieldLocation(2, 2, "big")), unit="V")
        profile = Profile(
            "test", DriverName.FRAMED, ConnectionSetup((CHANNEL,)), framing=Framing(START, **framing), value=value
        )
        self.driver = open_profile_driver(profile, [CHANNEL])

    def send(self, seconds: float, packet: bytes) -> list[str]:
        return [reading.text for reading in self.readings(seconds, packet)]

    def readings(self, seconds: float, packet: bytes) -> tuple[Reading, ...]:
        moment = round(seconds * 1e9)
        return self.driver.feed(CHANNEL, packet, Timestamp(moment, moment))

    @property
    def reasons(self) -> list[str]:
        return [refusal.reason for refusal in self.driver.refusals]


def frame(number: int) -> bytes:
    return START + number.to_bytes(2, "big") + b"\x00\x00"


pytestmark = pytest.mark.fault("cut-packets")

# A technician measures 240 V, then 24 V. A value made of both, with status ok, belongs to neither circuit. Common
# practice, no source.


def test_half_a_frame_is_dropped_when_its_rest_does_not_come_in_time() -> None:
    meter = Meter(length=6, pause=0.1)
    assert meter.send(0.0, frame(240)[:3]) == []
    assert meter.send(0.05, frame(240)[3:]) == ["240 V"]
    assert meter.send(0.2, frame(240)[:3]) == []
    assert meter.send(0.4, frame(24)[3:]) == []  # the first half of 24 V is lost, too
    assert meter.reasons[0] == "part"
    assert meter.send(0.6, frame(24)[:3]) + meter.send(0.65, frame(24)[3:]) == ["24 V"]


def test_a_packet_that_begins_a_frame_ends_the_half_one_before() -> None:
    pieces = frame(0x0111)[:3], frame(0x0111)[3:5], frame(0x0111)[5:]
    for lost in range(1, 3):
        meter = Meter(length=6, starts_packet=True)
        sent = [piece for number, piece in enumerate(pieces) if number != lost]
        assert [meter.send(0.0, piece) for piece in sent] == [[]] * 2
        assert meter.send(0.0, frame(24)[:3]) == []
        assert meter.reasons == ["part"]
        assert meter.send(0.0, frame(24)[3:]) == ["24 V"]


def test_the_rest_of_a_frame_whose_beginning_was_lost_is_not_searched_for_a_start() -> None:
    meter = Meter(length=6, starts_packet=True)
    assert meter.send(0.0, b"\x00" + frame(99)) == []  # it looks like a frame within the packet
    assert meter.reasons == ["part"]
    assert meter.send(0.2, frame(24)[:3]) + meter.send(0.2, frame(24)[3:] + frame(25)) == ["24 V", "25 V"]


def test_packets_of_other_sizes_make_no_frame() -> None:
    meter = Meter(length=6, packet_sizes=(4,))
    assert meter.send(0.0, frame(240)[:4]) + meter.send(0.0, frame(240)[4:]) == ["240 V"]
    assert meter.send(0.1, frame(240)[:3]) + meter.send(0.1, frame(240)[3:]) == []
    assert meter.reasons == ["part"]
    assert meter.send(0.2, frame(240)[4:]) == []
    assert meter.reasons == ["part"]
    assert meter.send(0.3, frame(240)[:4]) + meter.send(0.3, b"\x00\x00\x00") == []
    assert meter.send(0.4, frame(24)[:4]) + meter.send(0.4, frame(24)[4:]) == ["24 V"]


def test_a_frame_counts_when_the_next_one_follows_it() -> None:
    meter = Meter(length=6, followed=True)
    stream = frame(240) + frame(24) + frame(120) + frame(12)
    packets = [stream[at : at + 5] for at in range(0, len(stream), 5)]
    assert [meter.send(0.1, packet) for packet in packets] == [[], ["240 V"], ["24 V"], ["120 V"], []]
    meter = Meter(length=6, followed=True)
    readings = [text for number, packet in enumerate(packets) if number != 1 for text in meter.send(0.1, packet)]
    assert set(readings) <= {"24 V", "120 V", "--- V"}


def test_nothing_comes_out_seconds_late() -> None:
    # A start in the noise announces 200 bytes. Until they have come, no frame behind it is seen.
    meter = Meter(length=LengthField(4, add=6))
    assert meter.send(0.0, START + b"\x00\x00\xc2") == []
    late: list[tuple[float, str]] = []
    for number in range(80):
        seconds = 0.1 + number * 0.05
        late += [
            (seconds, text) for text in meter.send(seconds, frame(number)[:3]) + meter.send(seconds, frame(number)[3:])
        ]
    assert late
    for seconds, text in late:
        assert seconds - (0.1 + int(text.removesuffix(" V")) * 0.05) <= 1.0


@pytest.mark.parametrize("kind", [b"\x00\x41", b"\x01\x40"])
def test_frames_of_another_kind_are_no_reading(kind: bytes) -> None:
    meter = Meter(length=6, one_per_packet=True, marks=((4, 0), (5, 0x40)))
    ours = START + b"\x00\x18\x00\x40"
    assert meter.send(0.0, ours) == ["24 V"]
    assert meter.send(0.1, ours[:4] + kind) == []
    assert meter.reasons == ["other-kind"]
    assert meter.send(0.2, ours + b"\x00") == []
    assert meter.reasons == ["other-kind"]


def test_packets_that_the_station_dropped_end_a_half_frame() -> None:
    meter = Meter(length=6)
    assert isinstance(meter.driver, JoiningDriver)
    assert meter.send(0.0, frame(240)[:3]) == []
    meter.driver.lose_packets()
    assert meter.send(0.0, frame(24)[3:]) == []
    assert meter.send(0.0, frame(24)[:3]) + meter.send(0.0, frame(24)[3:]) == ["24 V"]


def test_a_line_after_dropped_packets_may_have_lost_its_beginning() -> None:
    profile = Profile("test", DriverName.LINED, ConnectionSetup((CHANNEL,)), text=TextFormat())
    driver = open_profile_driver(profile, [CHANNEL])
    now = Timestamp(0, 0)
    assert [reading.text for reading in driver.feed(CHANNEL, b"\n35.05 uF\n", now)] == ["35.05 µF"]
    driver.lose_packets()
    assert driver.feed(CHANNEL, b"5.06 uF\n", now) == ()
    assert [reading.text for reading in driver.feed(CHANNEL, b"35.07 uF\n", now)] == ["35.07 µF"]
