"""Packets without a number: a state that one of them tells for the first time is refused, a battery's level is not."""

from collections.abc import Callable, Iterator, Sequence
from random import Random

import pytest

from meterlink.capture.capture_file import Capture, CapturedPacket, make_display_entry
from meterlink.core.clock import Timestamp
from meterlink.driver_api import Reading, Status
from meterlink.profiles import Profile, check_profile, open_profile_driver, write_profile
from meterlink.teach import teach

NUMBERS, STATES = "6b6b0001-0b0b-4c4c-9d9d-0123456789ab", "6b6b0002-0b0b-4c4c-9d9d-0123456789ab"
BATTERY = "00002a19-0000-1000-8000-00805f9b34fb"

Beside = Callable[[float], tuple[str, bytes]]
"""Returns the channel and the bytes of the packet that is sent at a time (seconds)."""


def number(counts: int, places: int = 2) -> bytes:
    body = bytes([0x4D, 0x30 | places, 0, *counts.to_bytes(2, "big")])
    return body + bytes([sum(body) & 0xFF])


def sent(
    readings: Sequence[tuple[int, int]], beside: Beside, every: int = 4, *, on_change: bool = False
) -> Iterator[CapturedPacket]:
    """Yield ten packets of each reading ``(counts, places)``, and among them one beside after ``every`` packets.

    With ``on_change`` it comes before each reading whose places differ from those before.
    """
    places_before = None
    for index in range(10 * len(readings)):
        seconds = round(0.25 * index, 4)
        counts, places = readings[index // 10]
        if (places != places_before) if on_change else index % every == 0:
            channel, data = beside(seconds)
            yield CapturedPacket(seconds, channel, data)
        places_before = places
        yield CapturedPacket(round(seconds + 0.02, 4), NUMBERS, number(counts, places))


def taught(
    beside: Beside,
    *,
    every: int = 4,
    on_change: bool = False,
    number_of_readings: int = 20,
    sent_as: Callable[[CapturedPacket], CapturedPacket] = lambda one: one,
) -> Profile:
    rng = Random(2)
    readings = [(rng.randrange(1000, 9999), rng.choice([1, 2])) for _ in range(number_of_readings)]
    packets = tuple(map(sent_as, sent(readings, beside, every, on_change=on_change)))
    entries = tuple(
        make_display_entry(2.5 * index + 2.4, f"{counts / 10**places:.{places}f} V DC")
        for index, (counts, places) in enumerate(readings)
    )
    profile = teach(Capture(packets, entries), "invented").profile
    assert profile is not None
    assert check_profile(write_profile(profile)).value == profile
    return profile


def read(profile: Profile, *packets: tuple[str, bytes]) -> Reading:
    """Return the last reading of packets ``(channel, bytes)``."""
    driver = open_profile_driver(profile, [NUMBERS, STATES])
    made = [one for channel, data in packets for one in driver.feed(channel, data, Timestamp(0, 0))]
    return made[-1]


def status_of(profile: Profile, *packets: tuple[str, bytes]) -> Status:
    """Return the status of a number behind these packets."""
    return read(profile, *packets, (NUMBERS, number(4711))).status


def state(flags: int, level: int = 88) -> bytes:
    return bytes([0x53, flags, 0x07, level, 0xE2])


def state_like_a_number(flags: int) -> bytes:
    return bytes([0x53, 0, flags, 0, 0, 0x90])


@pytest.mark.parametrize("make", [state, state_like_a_number])
@pytest.mark.parametrize("channel", [NUMBERS, STATES])
def test_a_flag_that_a_packet_beside_shows_for_the_first_time_is_refused_until_it_is_gone(
    make: Callable[[int], bytes], channel: str
) -> None:
    profile = taught(lambda _: (channel, make(0)))
    assert status_of(profile) is Status.OK
    for flags in (0x01, 0x40):
        assert status_of(profile, (channel, make(flags))) is Status.INVALID
    assert status_of(profile, (channel, make(1)), (channel, make(0))) is Status.OK


def test_the_reason_names_the_bit() -> None:
    driver = open_profile_driver(taught(lambda _: (NUMBERS, state(0))), [NUMBERS])
    driver.feed(NUMBERS, state(4), Timestamp(0, 0))
    driver.feed(NUMBERS, number(4711), Timestamp(0, 0))
    assert [str(one) for one in driver.refusals] == ["unknown code: bit 1.2 is 1 in a packet beside the frames"]


@pytest.mark.parametrize(
    "later",
    [
        lambda _: bytes([0x53, 0, 0x07, 42, 0x11]),  # the level of the battery, and a checksum with it
        lambda _: bytes([0x53, 0, 0x05, 88, 0xE2]),  # bars of a battery that was charged
        lambda _: bytes(3),  # a packet that was never seen
    ],
)
def test_a_packet_that_may_tell_the_level_of_a_battery_stops_no_reading(later: Callable[[float], bytes]) -> None:
    profile = taught(lambda _: (NUMBERS, state(0)))
    assert status_of(profile, (NUMBERS, later(0.0))) is Status.OK


def test_lines_of_hexadecimal_digits_have_lines_beside_them() -> None:
    def as_digits(packet: CapturedPacket) -> CapturedPacket:
        return CapturedPacket(packet.seconds, packet.channel, packet.data.hex().encode() + b"\r\n")

    profile = taught(lambda _: (NUMBERS, b"\x53\0"), sent_as=as_digits)
    plain, held = b"5300\r\n", b"5304\r\n"
    frame = (NUMBERS, number(4711).hex().encode() + b"\r\n")
    assert read(profile, frame).status is Status.OK
    assert read(profile, (NUMBERS, held), frame).status is Status.INVALID
    assert read(profile, (NUMBERS, held), (NUMBERS, plain), frame).status is Status.OK


def test_a_number_and_its_range_in_two_packets_have_a_third_one_beside_them() -> None:
    third = "6b6b0003-0b0b-4c4c-9d9d-0123456789ab"
    rng = Random(4)
    packets, entries = [], []
    for index in range(200):
        if index % 10 == 0:
            counts, places = rng.randrange(1000, 9999), rng.choice([1, 2])
            entries.append(make_display_entry(0.25 * index + 2.3, f"{counts / 10**places:.{places}f} V DC"))
        if index % 4 == 0:
            packets.append(CapturedPacket(0.25 * index - 0.1, third, state(0)))
        packets += pair(0.25 * index, counts, places)
    profile = teach(Capture(tuple(packets), tuple(entries)), "invented").profile
    assert profile is not None
    assert profile.framing is not None
    assert profile.framing.parts
    assert check_profile(write_profile(profile)).value == profile
    for told, status in ((state(0), Status.OK), (state(2), Status.INVALID)):
        driver = open_profile_driver(profile, [NUMBERS, STATES, third])
        driver.feed(third, told, Timestamp(0, 0))
        made = [
            one
            for index in range(1, 6)
            for packet in pair(0.25 * index, 4711, 2)
            for one in driver.feed(packet.channel, packet.data, at(packet.seconds))
        ]
        assert {one.status for one in made} == {status}


def pair(seconds: float, counts: int, places: int) -> list[CapturedPacket]:
    """Return a number and, a little later, its range on another characteristic."""
    return [
        CapturedPacket(round(seconds, 4), NUMBERS, b"\x4d" + counts.to_bytes(3, "big")),
        CapturedPacket(round(seconds + 0.03, 4), STATES, bytes([0x62, places])),
    ]


def at(seconds: float) -> Timestamp:
    moment = round(seconds * 1e9)
    return Timestamp(moment, moment)


RNG = Random(3)


@pytest.mark.parametrize(
    ("beside", "later"),
    [
        (lambda seconds: b"\x53\0" + int(40 + seconds).to_bytes(4, "big") + b"\0\0", "53 00 00 01 2f 11 00 00"),
        (
            lambda seconds: b"\x53\0\x88\x88" + round(1000 * seconds).to_bytes(4, "little") + b"\0\0",
            "53 00 88 88 07 05 08 01 00 00",
        ),
        (lambda _: bytes([0x53, 0, 0, 0, RNG.randrange(256), 0, 0]), "53 00 00 01 04 00 00"),
    ],
    ids=["clock", "counter", "number"],
)
def test_a_number_that_grows_beyond_its_bytes_stops_no_reading(beside: Callable[[float], bytes], later: str) -> None:
    profile = taught(lambda seconds: (NUMBERS, beside(seconds)))
    assert status_of(profile, (NUMBERS, bytes.fromhex(later))) is Status.OK
    flags = bytes([0x53, 0x04]) + bytes.fromhex(later)[2:]
    assert status_of(profile, (NUMBERS, flags)) is Status.INVALID


def test_a_hold_that_was_shown_and_typed_is_refused_nevertheless() -> None:
    """The frames of the number have no bit for it."""
    rng = Random(2)
    readings = [(rng.randrange(1000, 9999), rng.choice([1, 2])) for _ in range(24)]

    def held(seconds: float) -> bool:
        return int(seconds / 2.5) % 6 == 5

    packets = tuple(sent(readings, lambda seconds: (NUMBERS, state(held(seconds))), every=2))
    entries = tuple(
        make_display_entry(2.5 * index + 2.4, f"{counts / 10**places:.{places}f} V DC{' hold' * held(2.5 * index)}")
        for index, (counts, places) in enumerate(readings)
    )
    profile = teach(Capture(packets, entries), "invented").profile
    assert profile is not None
    assert status_of(profile, (NUMBERS, state(0))) is Status.OK
    assert status_of(profile, (NUMBERS, state(1))) is Status.INVALID


@pytest.mark.parametrize(
    ("first", "last"), [(lambda seconds: 88 - int(seconds / 16), 80), (lambda seconds: int(seconds / 9) % 2, 1)]
)
def test_a_level_or_a_flag_in_the_first_byte_makes_no_kinds(first: Callable[[float], int], last: int) -> None:
    """A hold is told with one value of that byte, and its end with another one: it ends."""
    profile = taught(lambda seconds: (STATES, bytes([first(seconds), 0, 0x41])))
    held, over = (STATES, bytes([first(0.0), 1, 0x41])), (STATES, bytes([last, 0, 0x41]))
    assert status_of(profile, held) is Status.INVALID
    assert status_of(profile, held, over) is Status.OK


def test_kinds_of_packets_beside_are_told_by_a_byte_that_takes_turns() -> None:
    kinds = [b"\x01\x00\x33", b"\x01\x00\x33", b"\x02\x40\x33"]
    profile = taught(lambda seconds: (STATES, kinds[int(seconds) % 3]))
    unknown, other, known = ((STATES, data) for data in (b"\x01\x80\x33", kinds[2], kinds[0]))
    assert status_of(profile, unknown, other) is Status.INVALID
    assert status_of(profile, unknown, other, known) is Status.OK


def test_notices_that_come_now_and_then_stop_no_reading() -> None:
    """A key is told with its number; the next notice may never come."""
    keys = iter([1, 2, 1, 1, 2, 1, 2, 1, 1, 2] * 9)
    beside = taught(lambda _: (NUMBERS, bytes([0x6B, next(keys)])), every=45, number_of_readings=40)
    assert status_of(beside, (NUMBERS, b"\x6b\x04")) is Status.OK
    often = taught(lambda _: (NUMBERS, bytes([0x6B, next(keys)])), every=5)
    assert status_of(often, (NUMBERS, b"\x6b\x04")) is Status.INVALID


def test_the_characteristic_of_a_battery_is_left_alone() -> None:
    profile = taught(lambda _: (BATTERY, b"\0"))
    assert len(profile.connection.notify) == 1


def test_packets_that_come_instead_of_frames_say_nothing_of_them() -> None:
    """Another function has longer frames; it was turned to while the recording went on."""
    rng = Random(2)
    readings = [(rng.randrange(1000, 9999), rng.choice([1, 2])) for _ in range(20)]
    packets = [
        CapturedPacket(one.seconds, NUMBERS, b"\x52\0\0" + one.data) if 20 < one.seconds < 30 else one
        for one in sent(readings, lambda _: (NUMBERS, b"\x51\x01"))
    ]
    entries = [
        make_display_entry(2.5 * index + 2.4, f"{counts / 10**places:.{places}f} V DC")
        for index, (counts, places) in enumerate(readings)
        if not 19 < 2.5 * index + 2.4 < 31
    ]
    profile = teach(Capture(tuple(packets), tuple(entries)), "invented").profile
    assert profile is not None
    assert status_of(profile, (NUMBERS, b"\x52\x80\x80" + number(1))) is Status.OK


def test_a_packet_that_changed_with_the_range_only_is_known_as_it_was_shown() -> None:
    """It tells the function, too, that was the same all the time."""
    rng = Random(2)
    readings = [(rng.randrange(1000, 9999), rng.choice([1, 2])) for _ in range(20)]

    def told(seconds: float, function: int = 5) -> tuple[str, bytes]:
        return STATES, bytes([function, readings[int(seconds / 2.5)][1]])

    profile = taught(told, on_change=True)
    assert status_of(profile, (STATES, b"\x05\x02")) is Status.OK
    assert status_of(profile, (STATES, b"\x05\x01")) is Status.OK
    assert status_of(profile, (STATES, b"\x06\x01")) is Status.INVALID
    assert status_of(profile, (STATES, b"\x06\x01"), (STATES, b"\x05\x01")) is Status.OK
