"""Frames of two packets: a number never meets the range or the unit of another one.

A technician measures 24.0 V of a control circuit, then 240 V of the supply. Half of each makes 24 V of a live supply,
or 240 V of a control circuit. Common practice, no source.
"""

from dataclasses import replace

import pytest

from meterlink.core.readings import Coupling, Status
from meterlink.driver_api import Timestamp
from meterlink.profiles import check_profile, open_profile_driver, parse_profile, write_profile
from meterlink.profiles.driver import KeptDecoder, compile_profile
from meterlink.profiles.model import (
    Checksum,
    ChecksumKind,
    Code,
    ConnectionSetup,
    DriverName,
    FieldLocation,
    FramePart,
    Framing,
    Meaning,
    NumberField,
    NumberType,
    Profile,
    ValueFormat,
)

NUMBERS, RANGES = "5f1c0a10-7c1e-4a52-9b1d-3d6a5c0f9e01", "5f1c0a10-7c1e-4a52-9b1d-3d6a5c0f9e02"
REFRESH, APART = 0.2, 0.02  # s
RANGE_CODES = {1: 0x11, 0: 0x12}  # by decimals


class Meter:
    """A connected meter with a number in one packet and its range in another; ``order`` is ``nr`` or ``rn``."""

    def __init__(self, order: str = "nr", notify: tuple[str, ...] = (NUMBERS, RANGES)) -> None:
        self.order = order
        self.notify = notify
        last = len(notify) - 1
        parts = [FramePart(3, 0, ((0, 0x4E),)), FramePart(3, last, ((0, 0x52),))]
        number_at, range_at = (1, 4) if order == "nr" else (4, 1)
        meanings = tuple(
            (code, Meaning(unit="V", coupling=Coupling.AC, places=places)) for places, code in RANGE_CODES.items()
        )
        self.profile = Profile(
            "test", DriverName.FRAMED, ConnectionSetup(notify),
            framing=Framing(parts=tuple(parts if order == "nr" else parts[::-1]), pause=0.08, rest=0.3),
            value=ValueFormat(NumberField(NumberType.UINT, FieldLocation(number_at, 2, "big"))),
            codes=(Code(FieldLocation(range_at), meanings),),
        )  # fmt: skip
        self.driver = open_profile_driver(self.profile, notify)
        self.texts: list[str] = []

    def packets(self, at: float, number: int, places: int) -> list[tuple[float, str, bytes]]:
        parts = [
            (self.notify[0], b"N" + number.to_bytes(2, "big")),
            (self.notify[-1], bytes([0x52, RANGE_CODES[places], 0x07])),
        ]
        parts = parts if self.order == "nr" else parts[::-1]
        return [(at + APART * place, *part) for place, part in enumerate(parts)]

    def hear(self, packets: list[tuple[float, str, bytes]]) -> list[str]:
        """Return the readings of packets, and add them to ``texts``."""
        texts = []
        for seconds, channel, data in packets:
            moment = round(seconds * 1e9)
            texts += [reading.text for reading in self.driver.feed(channel, data, Timestamp(moment, moment))]
        self.texts += texts
        return texts

    @property
    def why(self) -> list[str]:
        return [str(refusal) for refusal in self.driver.refusals]


ORDERS = pytest.mark.parametrize("order", ["nr", "rn"])
CHANNELS = pytest.mark.parametrize("notify", [(NUMBERS, RANGES), (NUMBERS,)], ids=["two channels", "one channel"])


def session(meter: Meter, displays: list[tuple[int, int]]) -> list[tuple[float, str, bytes]]:
    return [packet for place, display in enumerate(displays) for packet in meter.packets(1 + REFRESH * place, *display)]


pytestmark = pytest.mark.fault("cut-packets")


@ORDERS
@CHANNELS
def test_two_packets_make_a_reading_while_the_range_stays(order: str, notify: tuple[str, ...]) -> None:
    meter = Meter(order, notify)
    meter.hear(session(meter, [(240 + place, 1) for place in range(6)]))
    assert meter.texts == ["24.1 V AC", "24.2 V AC", "24.3 V AC", "24.4 V AC", "24.5 V AC"][: 4 + (order == "nr")]


@ORDERS
@CHANNELS
def test_the_range_of_another_number_is_never_taken(order: str, notify: tuple[str, ...]) -> None:
    meter = Meter(order, notify)
    sent = session(meter, [(240, 1)] * 4 + [(241, 0)] * 4 + [(239, 1)] * 4)
    shown = {"24.0 V AC", "241 V AC", "23.9 V AC"}
    for first in range(len(sent)):
        for lost in range(1, 6):
            meter = Meter(order, notify)
            meter.hear(sent[:first] + sent[first + lost :])
            assert set(meter.texts) <= shown, (first, lost)
            assert len(meter.texts) >= 3


@ORDERS
def test_packets_that_were_held_up_give_nothing(order: str) -> None:
    # The radio stalls: the meter keeps one packet, drops the next, and sends the later ones at once.
    meter = Meter(order)
    sent = session(meter, [(240, 1)] * 4 + [(241, 0)] * 6)
    for first in range(2, 12):
        for lost in range(1, 6):
            meter = Meter(order)
            kept, rest = sent[:first], sent[first + lost :]
            held = [(rest[0][0] - 0.001, *packet[1:]) for packet in kept[-3:]] if rest else []
            meter.hear(kept[:-3] + held + rest)
            assert set(meter.texts) <= {"24.0 V AC", "241 V AC"}, (first, lost)


@ORDERS
@CHANNELS
def test_packets_that_arrive_in_the_rhythm_of_others_give_no_wrong_value(order: str, notify: tuple[str, ...]) -> None:
    # The worst link: behind a loss everything arrives earlier, so the times show nothing.
    meter = Meter(order, notify)
    sent = session(meter, [(240, 1)] * 4 + [(241, 0)] * 4)
    for first in range(2, 12):
        for lost in (2, 4):
            meter = Meter(order, notify)
            arrived = [*sent[:first], *sent[first + lost :]]
            meter.hear([(moment, *packet[1:]) for (moment, *_), packet in zip(sent, arrived, strict=False)])
            assert set(meter.texts) <= {"24.0 V AC", "241 V AC"}, (first, lost)


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ("lose the range", "half of a frame: the packet behind it is missing"),
        ("lose the number", "half of a frame: the packet before it is missing"),
        ("change the range", "half of a frame: byte 4 changes beside it, so the number may belong to either"),
        ("delay the range", "half of a frame: it came too late"),
        ("hurry", "half of a frame: the next frame came too soon: packets were held up"),
        ("be silent", "half of a frame: the next frame came too late"),
        ("send another kind", "a frame or line of another kind: 4 bytes"),
    ],
)
def test_half_a_frame_says_why_it_is_refused(change: str, why: str) -> None:
    meter = Meter()
    meter.hear(session(meter, [(240, 1)] * 3))
    number, range_ = meter.packets(1.6, 240, 1)
    following = meter.packets(1.8, 240, 1)
    heard = {
        "lose the range": [number, following[0]],
        "lose the number": [range_],
        "change the range": meter.packets(1.6, 241, 0),
        "delay the range": [number, (1.69, *range_[1:])],
        "hurry": meter.packets(1.45, 240, 1)[:1],
        "be silent": meter.packets(1.75, 240, 1)[:1],
        "send another kind": [(1.6, NUMBERS, bytes(4))],
    }[change]
    assert len(meter.texts) == 2
    assert meter.hear(heard) == []
    assert meter.why == [why]


def test_lost_packets_are_forgotten() -> None:
    meter = Meter()
    sent = session(meter, [(240, 1)] * 6)
    meter.hear(sent[:6])
    meter.driver.lose_packets()
    assert meter.hear(sent[6:10]) == ["24.0 V AC"]  # the first frame only shows the range


def test_a_range_that_comes_first_is_read_with_the_next_one() -> None:
    meter = Meter("rn")
    sent = session(meter, [(240, 1)] * 4)
    assert [meter.hear([packet]) for packet in sent[:5]] == [[], [], [], [], ["24.0 V AC"]]
    meter = Meter("rn")
    readings = [
        reading
        for seconds, channel, data in sent
        for reading in meter.driver.feed(channel, data, Timestamp(round(seconds * 1e9), round(seconds * 1e9)))
    ]
    assert readings[0].timestamp.monotonic_ns == round(sent[3][0] * 1e9)  # the time of the display


def test_kept_readings_are_decoded_again_from_both_parts() -> None:
    meter = Meter()
    sent = session(meter, [(240, 1)] * 3)
    readings = [
        reading
        for seconds, channel, data in sent
        for reading in meter.driver.feed(channel, data, Timestamp(round(seconds * 1e9), 0))
    ]
    assert not readings  # without time between the frames
    readings = [
        reading
        for seconds, channel, data in sent
        for reading in meter.driver.feed(channel, data, Timestamp(0, round(seconds * 1e9)))
    ]
    decoder = KeptDecoder(compile_profile(meter.profile))
    assert [decoder.decode(reading) for reading in readings] == readings


def test_a_wrong_check_byte_of_a_part_makes_the_frame_invalid() -> None:
    meter = Meter()
    assert meter.profile.framing is not None
    check = Checksum(ChecksumKind.XOR, 5, begin=3, end=5)
    framing = replace(meter.profile.framing, checksums=(check,))
    meter.driver = open_profile_driver(replace(meter.profile, framing=framing), meter.notify)
    readings = [
        reading
        for seconds, channel, data in session(meter, [(240, 1)] * 3)
        for reading in meter.driver.feed(channel, data, Timestamp(0, round(seconds * 1e9)))
    ]
    assert [reading.status for reading in readings] == [Status.INVALID] * 2
    assert meter.why == ["wrong check bytes"]


# The file.


@ORDERS
@CHANNELS
def test_the_file_reads_back_equal(order: str, notify: tuple[str, ...]) -> None:
    profile = Meter(order, notify).profile
    text = write_profile(profile)
    assert "[[frame.part]]" in text
    assert parse_profile(text, "test.toml") == profile


@pytest.mark.parametrize(
    ("old", "new", "problem"),
    [
        (
            "length = 3\nmarks = { 0 = 0x4e }",
            "length = 3\nmarks = { 3 = 0x4e }",
            "byte 3 is beyond a packet of 3 bytes",
        ),
        ("channel = 1", "channel = 2", "notify has no characteristic 2"),
        ("pause = 0.08", "pause = 0.3", "the pause in a frame is not shorter than the rest between frames"),
        ("pause = 0.08", 'pause = 0.08\nstart = "4e"', "a frame with parts has no start"),
        ("pause = 0.08", "pause = 0.08\nfollowed = true", "a frame with parts has no followed"),
        ("channel = 1\nmarks = { 0 = 0x52 }", "", "a packet may be either part"),
        ("[value]", "[[frame.part]]\nlength = 2\n[value]", "it has 3 tables, not 0 to 2"),
        ("at = 1\n", "at = 5\n", "byte 6 is beyond a frame of 6 bytes"),
        ("notify =", f'read = ["{NUMBERS}"]\nnotify =', "the parts of a frame are notified, not read"),
    ],
)
def test_a_wrong_part_is_a_problem_of_the_file(old: str, new: str, problem: str) -> None:
    text = write_profile(Meter().profile)
    assert old in text
    problems = check_profile(text.replace(old, new, 1)).problems
    assert any(problem in str(found) for found in problems), [str(found) for found in problems]
