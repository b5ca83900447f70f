"""Bytes that follow time: found from the frames, and free to move only where nothing else can be meant.

A technician's reasoning (common practice, no source): a meter that has been on for an hour shows another uptime and
another battery level, and the same voltage. A bit that has never moved may as well be the range that nobody has shown.
"""

from random import Random

import pytest

from meterlink.capture.capture_file import Capture, CapturedPacket, DisplayEntry, make_display_entry
from meterlink.core.clock import Timestamp
from meterlink.core.readings import Status
from meterlink.profiles import open_profile_driver
from meterlink.teach import teach
from meterlink.teach.report import name_bytes
from meterlink.teach.slow_bytes import find_slow_bytes
from support.invented_meters import CHANNEL

TEN_A_SECOND = 0.1


def found(values, every=TEN_A_SECOND):
    """Return ``{byte: slow byte}`` of frames that carry ``values`` after a constant byte."""
    frames = [bytes([0xA5, *(value if isinstance(value, tuple) else (value,))]) for value in values]
    return {one.at: one for one in find_slow_bytes(frames, [every * index for index in range(len(frames))])}


@pytest.mark.parametrize("key", [0, 0x9C])
def test_seconds_that_roll_over_at_sixty_end_there(key):
    slow = found([(index // 10 % 60) ^ key for index in range(1500)])
    assert slow.keys() == {1}
    assert slow[1].ended
    assert slow[1].moved == 0x3F


def test_a_byte_that_counts_up_may_carry_into_its_neighbours_until_it_has_rolled_over():
    slow = found([(0, 40 + index // 10, 7) for index in range(1000)])
    assert slow[2].seconds_left is not None
    assert not slow[2].ended
    assert slow[1].beside == slow[3].beside == 2
    assert slow[1].moved == 0


def test_a_byte_that_moves_when_its_neighbour_rolls_over_belongs_to_the_same_number():
    slow = found([divmod(200 + index // 10, 256) for index in range(1000)])
    assert slow[1].carried
    assert not slow[2].carried


def test_minutes_belong_to_the_seconds_that_roll_over():
    slow = found([divmod(35 + index // 10, 60) for index in range(1500)])
    assert slow[1].carried


def test_a_level_that_falls_step_by_step():
    slow = found([87 - index // 150 for index in range(1000)])
    assert slow[1].certain
    assert slow[1].seconds_left is None
    assert 15 not in slow[1].own_positions()  # a percentage needs no bit 7


def test_a_level_of_four_bits_leaves_the_other_half_of_its_byte():
    rng = Random(3)
    slow = found([10 - index // 400 + rng.choice([0, 0, 1, -1]) for index in range(1000)])
    assert slow[1].certain
    assert slow[1].own_positions() == frozenset(range(8, 12))


def test_a_measured_level_with_noise_that_carries_into_the_high_byte():
    rng = Random(1)
    slow = found([divmod(0x2108 - index // 100 + rng.randint(-2, 2), 256) for index in range(2000)])
    assert slow[2].certain
    assert slow[1].carried


@pytest.mark.parametrize("values", [[0, 1] * 300, [4, 0, 0, 4, 4, 0] * 100, [3, 200, 77, 12, 9, 140] * 50])
def test_flags_and_noise_are_no_numbers(values):
    assert not any(one.certain for one in found(values).values())


def test_a_byte_that_differs_after_a_pause_in_several_bits_follows_time():
    frames = [bytes([0xA5, 0x57])] * 100 + [bytes([0xA5, 0x21])] * 100
    times = [index * TEN_A_SECOND + 3600 * (index >= 100) for index in range(200)]
    (slow,) = find_slow_bytes(frames, times)
    assert slow.certain
    assert slow.spans_both_halves
    (flag,) = find_slow_bytes([frames[0]] * 100 + [bytes([0xA5, 0x56])] * 100, times)
    assert not flag.certain


# Taught


class Bench:
    """A meter with a sign, two bytes of counts and a range, and bytes that ``slow`` makes of the seconds since then."""

    def __init__(self, slow, seed=1):
        self.slow = slow
        self.rng = Random(seed)
        self.seconds = 0.0
        self.packets: list[CapturedPacket] = []
        self.entries: list[DisplayEntry] = []

    def frame(self, counts, negative=False, places=2):
        body = bytes([0xA5, 0x10 | negative, places << 4, *counts.to_bytes(2, "big"), *self.slow(self.seconds)])
        return body + bytes([sum(body) & 0xFF])

    def wait(self, seconds, places=2):
        """Let readings pass that nobody types in."""
        for _ in range(round(seconds * 2)):
            self.seconds = round(self.seconds + 0.5, 6)
            self.packets.append(
                CapturedPacket(
                    self.seconds,
                    CHANNEL,
                    self.frame(self.rng.randrange(10_000), self.rng.random() < 0.5, places),
                )
            )

    def read(self, number, places=(2, 1), pause=10.0):
        for index in range(number):
            point = places[index % len(places)]
            self.wait(pause, point)
            counts, negative = self.rng.randrange(10_000), self.rng.random() < 0.5
            self.seconds = round(self.seconds + 0.5, 6)
            self.packets.append(CapturedPacket(self.seconds, CHANNEL, self.frame(counts, negative, point)))
            self.entries.append(
                make_display_entry(self.seconds, f"{'-' if negative else ''}{counts / 10**point:.{point}f} V DC")
            )
        return self

    def report(self):
        return teach(Capture(tuple(self.packets), tuple(self.entries)))

    def read_later(self, profile, hours, number=50):
        """Return ``(read, wrong)`` of readings hours later."""
        self.seconds += 3600 * hours
        driver = open_profile_driver(profile, [CHANNEL])
        read = wrong = 0
        for _ in range(number):
            counts, negative, places = self.rng.randrange(8000), self.rng.random() < 0.5, self.rng.choice((1, 2))
            self.seconds += 7
            reading = driver.feed(CHANNEL, self.frame(counts, negative, places), Timestamp(0, 0))[-1]
            if reading.status is Status.OK:
                read += 1
                wrong += reading.value != pytest.approx((-counts if negative else counts) / 10**places)
        return read, wrong


def uptime(seconds):
    return int(90 + seconds).to_bytes(4, "big")


def test_the_high_byte_of_an_uptime_is_pinned_until_it_was_seen_to_move():
    bench = Bench(uptime).read(12)
    report = bench.report()
    assert report.pinned_bytes
    assert [one.confidence for one in report.functions] == ["sure of what was shown"]
    assert any("rolls over" in wish and "without an entry" in wish for wish in report.suggested_readings)
    bench.wait(120)
    longer = bench.report()
    assert longer.pinned_bytes == ()
    assert 7 in longer.slow_bytes
    assert bench.read_later(longer.profile, 5) == (50, 0)
    assert longer.still_bytes == (5, 6)
    assert [one.confidence for one in longer.functions] == ["sure while bytes 5 and 6 stay as before"]


NEVER_MOVED = {
    "hours": lambda seconds: bytes([3 + int(seconds / 3600)]),
    "level": lambda seconds: bytes([94 - int(seconds / 900)]),
    "millivolts": lambda seconds: (3010 - int(seconds / 300)).to_bytes(2, "big"),
    "millivolts, low byte first": lambda seconds: (3010 - int(seconds / 30)).to_bytes(2, "little"),
    "minutes": lambda seconds: (700 + int(seconds / 60)).to_bytes(2, "big"),
    "minutes like the length of the frame": lambda seconds: bytes([7 + int(seconds / 60)]),
    "seconds": lambda seconds: int(40 + seconds).to_bytes(4, "little"),
    "level and uptime": lambda seconds: bytes([94 - int(seconds / 900), *int(9 + seconds).to_bytes(3, "big")]),
}


@pytest.mark.parametrize("kind", NEVER_MOVED)
def test_a_meter_is_not_called_sure_while_a_byte_that_never_moved_may_be_a_clock_or_a_level(kind):
    bench = Bench(NEVER_MOVED[kind], seed=3).read(14, pause=2.0)
    report = bench.report()
    assert bench.read_later(report.profile, 2) == (0, 0)
    assert report.still_bytes or report.pinned_bytes
    assert {one.confidence for one in report.functions} <= {
        "sure of what was shown",
        *(f"sure while {name_bytes(report.still_bytes or [0])} {stay} as before" for stay in ("stay", "stays")),
    }
    assert any("hour later" in wish or "longer recording" in wish for wish in report.suggested_readings)


def test_a_byte_that_stood_still_for_an_hour_is_no_longer_asked_about():
    bench = Bench(lambda _: b"\x42").read(14)
    assert [one.confidence for one in bench.report().functions] == ["sure while byte 5 stays as before"]
    bench.seconds += 3600
    report = bench.read(2).report()
    assert [one.confidence for one in report.functions] == ["sure"]
    assert not any("hour later" in wish for wish in report.suggested_readings)


def test_a_level_that_fell_in_the_hour_between_is_pinned():
    bench = Bench(NEVER_MOVED["level"]).read(14, pause=2.0)
    assert bench.report().still_bytes == (5,)
    bench.seconds += 3600
    report = bench.read(2).report()
    assert (report.still_bytes, report.pinned_bytes) == ((), (5,))
    assert "sure" not in {one.confidence for one in report.functions}


def test_a_battery_level_is_free_after_a_second_recording_an_hour_later():
    def level(seconds):
        return bytes([int(94 - seconds / 70)])

    bench = Bench(level).read(14)
    first = bench.report()
    assert first.pinned_bytes == (5,)
    assert "sure" not in {one.confidence for one in first.functions}
    assert any("an hour later" in wish for wish in first.suggested_readings)
    bench.seconds += 1800
    second = bench.read(3).report()
    assert second.slow_bytes == (5,)
    assert bench.read_later(second.profile, 0.5) == (50, 0)


def test_a_range_beside_a_counter_is_not_freed_with_it():
    """The byte beside the counter holds the function, and the capture shows only one: it must not move."""
    function = [0x31]
    bench = Bench(lambda seconds: bytes([function[0], int(seconds) % 256, 0])).read(40)
    report = bench.report()
    assert report.profile is not None
    assert bench.read_later(report.profile, 1) == (50, 0)
    function[0] = 0x32
    assert bench.read_later(report.profile, 1) == (0, 0)


def test_a_counter_of_four_bits_does_not_free_the_code_beside_it():
    function = [0x30]
    bench = Bench(lambda seconds: bytes([function[0] | int(seconds / 15) & 0x0F])).read(12)
    report = bench.report()
    function[0] = 0x50
    assert bench.read_later(report.profile, 1)[0] == 0


def test_a_level_of_four_bits_does_not_free_the_state_above_it():
    """Entries show all that a display of two functions can say, but a hold that nobody pressed."""
    rng = Random(4)
    state = [0]

    def frame(counts, negative, function, places):
        level = 9 + rng.choice([0, 0, 1, -1, -2])
        body = bytes([0xA5, function, negative | (counts is None) << 1, places, state[0] << 4 | level])
        body += (counts or 0).to_bytes(2, "big")
        return body + bytes([sum(body) & 0xFF])

    packets, entries, seconds = [], [], 0.0
    for index in range(40):
        function, places = (0x31, 2 - index % 2) if index % 4 < 2 else (0x42, 2 - index % 2)
        counts = None if function == 0x42 and index % 8 == 2 else rng.randrange(100, 10_000)
        negative = function == 0x31 and rng.random() < 0.5 and counts is not None
        for _ in range(8):
            seconds = round(seconds + 0.25, 6)
            packets.append(CapturedPacket(seconds, CHANNEL, frame(counts, negative, function, places)))
        number = "OL" if counts is None else f"{'-' if negative else ''}{counts / 10**places:.{places}f}"
        entries.append(make_display_entry(seconds, f"{number} {'V DC' if function == 0x31 else 'kohm'}"))
    report = teach(Capture(tuple(packets), tuple(entries)))
    assert report.profile is not None
    driver = open_profile_driver(report.profile, [CHANNEL])

    def status_of_reading():
        return driver.feed(CHANNEL, frame(4711, False, 0x31, 2), Timestamp(0, 0))[-1].status

    assert status_of_reading() is Status.OK
    state[0] = 1
    assert status_of_reading() is Status.INVALID


def test_a_range_that_is_stepped_through_in_order_is_no_counter():
    """A technician who starts with the lowest range makes the range code count."""
    bench = Bench(lambda _: b"")
    for places in (0, 1, 2, 3):
        bench.read(4, (places,))
    report = bench.report()
    assert report.slow_bytes == report.pinned_bytes == ()
    driver = open_profile_driver(report.profile, [CHANNEL])
    assert driver.feed(CHANNEL, bench.frame(1234, places=4), Timestamp(0, 0))[-1].status is Status.INVALID
    assert driver.feed(CHANNEL, bench.frame(1234, places=3), Timestamp(0, 0))[-1].text == "1.234 V DC"


# A stream of frames whose second and third byte are the time.


def stream(counts, seconds, negative=False):
    body = bytes([0xA5, *int(seconds).to_bytes(2, "big"), 0x10 | negative, *counts.to_bytes(2, "big")])
    return body + bytes([sum(body) & 0xFF])


def recorded_stream(first_second, number=14, frames_between=9):
    """Return a capture of a meter that sends two frames a second, each split in two packets anywhere."""
    rng = Random(2)
    packets, entries, seconds = [], [], first_second
    for _ in range(number):
        for shown in range(frames_between + 1):
            seconds += 0.5
            counts, negative = rng.randrange(10_000), rng.random() < 0.5
            frame, split = stream(counts, seconds, negative), rng.randrange(1, 7)
            packets += [CapturedPacket(seconds, CHANNEL, part) for part in (frame[:split], frame[split:])]
            if shown == frames_between:
                text = f"{'-' if negative else ''}{counts / 100:.2f} V DC"
                entries.append(make_display_entry(seconds + 0.2, text))
    return Capture(tuple(packets), tuple(entries))


@pytest.mark.parametrize("first_second", [20, 60, 190, 250])
def test_the_high_byte_of_a_clock_behind_the_mark_is_no_part_of_the_mark(first_second):
    # Neither where it stood still (20, 60), nor where it moved in the last or the first frames (190, 250).
    report = teach(recorded_stream(first_second))
    assert report.profile is not None, report.reason
    assert report.profile.framing.start == b"\xa5"
    assert "sure" not in {one.confidence for one in report.functions} or 1 in report.slow_bytes


def test_a_stream_is_read_after_its_clock_was_seen_to_carry():
    report = teach(recorded_stream(120, number=30))
    assert 1 in report.slow_bytes
    assert report.profile is not None
    driver = open_profile_driver(report.profile, [CHANNEL])
    rng, read = Random(3), 0
    for _ in range(40):
        counts, seconds = rng.randrange(8000), rng.randrange(40_000)
        readings = driver.feed(CHANNEL, stream(counts, seconds), Timestamp(0, 0))
        read += [one.text for one in readings if one.status is Status.OK] == [f"{counts / 100:.2f} V DC"]
    assert read >= 39
