"""Entries as people make them: slips, and values read off a display whose last digit moves."""

from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import partial
from random import Random

import pytest

from meterlink.capture.capture_file import Capture, CapturedPacket, DisplayEntry, make_display_entry
from meterlink.core.clock import Timestamp
from meterlink.core.readings import Status
from meterlink.profiles import open_profile_driver
from meterlink.teach import TeachReport, teach
from support.invented_meters import CHANNEL

RATE = 5.0  # packets a second


def frame(counts: int, places: int, *, over: bool = False) -> bytes:
    """Return a frame: header, state (sign, places, overload), magnitude, sum."""
    state = (counts < 0) | places << 1 | over << 4
    body = bytes([0xA5, state, *(0xFFFF if over else abs(counts)).to_bytes(2, "big")])
    return body + bytes([sum(body) & 0xFF])


def text_of(counts: int, places: int) -> str:
    return f"{'-' if counts < 0 else ''}{abs(counts) / 10**places:.{places}f} V DC"


def finer_frame(counts: int, places: int, *, half: bool, signed: bool) -> bytes:
    """Return a frame with ten times the counts and one digit more, which the display drops or (``half``) rounds."""
    state = (counts < 0 and not signed) | places << 1
    magnitude = 10 * abs(counts) + counts * counts % 10 - 5 * half
    word = (-magnitude if signed and counts < 0 else magnitude).to_bytes(4, "little", signed=signed)
    return bytes([0xA5, state, *word])


Encode = Callable[[int, int], bytes]


def session(
    number: int = 25, *, seed: int = 1, moving: bool = False, flickering: bool = False, seen: int = 0,
    encode: Encode = frame,
) -> Capture:  # fmt: skip
    """Return a capture: each display is read 1.4 s before the first key, and typed for 4 s.

    A ``moving`` display goes on by one count between the reading and the key; a ``flickering`` one goes up and down by
    one count all the time. ``seen`` is the error of the reading.
    """
    rng = Random(seed)
    packets: list[CapturedPacket] = []
    entries: list[DisplayEntry] = []
    t = 0.0
    for index in range(number):
        counts, places = rng.choice((1, -1)) * rng.randint(600, 9900), 1 + index % 3
        read_at, first_key = t + 3.0, t + 4.4
        while t < first_key + 4.0:
            t = round(t + 1 / RATE, 6)
            shown = counts + (moving and t > read_at + 0.3)
            if flickering and abs(t - read_at) > 1 / RATE:
                shown += rng.choice((-1, 0, 1))
            packets.append(CapturedPacket(t, CHANNEL, encode(shown, places)))
        entries.append(make_display_entry(t, text_of(counts + seen, places), first_key=first_key))
    return Capture(tuple(packets), tuple(entries))


def with_texts(capture: Capture, texts: dict[int, str]) -> Capture:
    entries = [replace(entry, text=texts.get(at, entry.text)) for at, entry in enumerate(capture.entries)]
    return replace(capture, entries=tuple(entries))


def named(capture: Capture, report: TeachReport) -> dict[int, str]:
    at = {entry.seconds: index for index, entry in enumerate(capture.entries)}
    return {at[one.entry.seconds]: one.expected_text for one in report.contradictions}


def slips(capture: Capture) -> Iterator[tuple[str, dict[int, str]]]:
    """Yield the slips that people make, in two to four of 25 entries."""
    texts = [entry.text for entry in capture.entries]
    wrong = {at: text[:-6] + str((int(text[-6]) + 5) % 10) + text[-5:] for at, text in enumerate(texts)}
    yield "wrong digits", {at: wrong[at] for at in (3, 11)}
    yield "late", {8: texts[7], 19: texts[18]}
    yield "DC forgotten", {5: texts[5].removesuffix(" DC"), 9: texts[9].removesuffix(" DC")}
    yield "a number as OL", {4: "OL V DC", 20: "OL V DC"}
    yield "four of 25", {2: wrong[2], 9: texts[8], 15: texts[15].removesuffix(" DC"), 21: "OL V DC"}


@pytest.mark.parametrize(("kind", "texts"), list(slips(session())), ids=[kind for kind, _ in slips(session())])
def test_slips_are_named_with_what_the_others_make_of_them(kind: str, texts: dict[int, str]) -> None:
    # A person who enters 25 values makes one to three slips (common practice, no source).
    right = session()
    capture = with_texts(right, texts)
    report = teach(capture)
    assert report.profile is None, kind
    assert named(capture, report) == {at: right.entries[at].text for at in texts}
    kept = tuple(entry for at, entry in enumerate(capture.entries) if at not in texts)
    assert teach(replace(capture, entries=kept)).profile is not None


@pytest.mark.parametrize("half", [False, True])
@pytest.mark.parametrize("signed", [False, True])
def test_slips_are_named_where_the_display_drops_or_rounds_the_last_digit(half: bool, signed: bool) -> None:
    # No bit of such a number is one of the number shown, and the display moves under two of the four meters.
    right = session(encode=partial(finer_frame, half=half, signed=signed), moving=half != signed)
    _, texts = list(slips(right))[-1]
    report = teach(with_texts(right, texts))
    assert report.profile is None
    assert named(right, report) == {at: right.entries[at].text for at in texts}


def test_a_number_typed_as_ol_is_no_overload_of_a_meter_with_more_digits_than_its_display() -> None:
    # The content of the frame would be read as an overload whenever the meter sends that number again.
    right = session(encode=partial(finer_frame, half=False, signed=False))
    report = teach(with_texts(right, {4: "OL V DC", 20: "OL V DC"}))
    assert report.profile is None
    assert set(named(right, report)) == {4, 20}


OVERLOADED = frame(0, 0, over=True)  # no number has this state


def overloaded(texts: dict[int, str]) -> Capture:
    """Return a session in which the display was overloaded at the entries ``texts``."""
    capture = with_texts(session(), texts)
    windows = [(entry.earliest_look, entry.seconds) for at, entry in enumerate(capture.entries) if at in texts]
    packets = [
        replace(packet, data=OVERLOADED) if any(begin <= packet.seconds <= end for begin, end in windows) else packet
        for packet in capture.packets
    ]
    return replace(capture, packets=tuple(packets))


@pytest.mark.parametrize(
    ("texts", "slips"),
    [
        ({0: "OL V", 7: "OL V DC", 15: "OL V DC"}, {0}),
        ({0: "OL V", 7: "OL V", 15: "OL V DC"}, {0, 7}),
        ({0: "OL V AC", 7: "OL V DC", 15: "OL V DC"}, {0}),
    ],
    ids=["DC forgotten", "DC forgotten twice", "AC for DC"],
)
def test_of_overloads_the_ones_with_dc_are_not_named_where_there_are_other_slips(
    texts: dict[int, str], slips: set[int]
) -> None:
    # The first one typed would teach the others: OL V DC of the display would be blamed for the DC that one forgot.
    right = overloaded(texts)
    digit = right.entries[16].text
    wrong = digit[:-6] + str((int(digit[-6]) + 5) % 10) + digit[-5:]
    report = teach(with_texts(right, {16: wrong}))
    assert report.profile is None
    assert named(right, report) == dict.fromkeys(slips, "OL V DC") | {16: digit}


def digits_frame(counts: int, places: int) -> bytes:
    """Return a frame with four digits of four bits each."""
    return bytes([0xA5, (counts < 0) | places << 1, *bytes.fromhex(f"{abs(counts):04d}")])


CODES = {digit: 0x21 + 7 * int(digit) for digit in "0123456789"}


def coded_frame(counts: int, places: int) -> bytes:
    """Return a frame with four digits as bytes of the meter's own table."""
    return bytes([0xA5, (counts < 0) | places << 1, *(CODES[digit] for digit in f"{abs(counts):04d}")])


@pytest.mark.parametrize("encode", [digits_frame, coded_frame])
def test_a_number_typed_as_ol_is_no_overload_of_a_meter_that_sends_digits(encode: Encode) -> None:
    # Each of the two numbers would be read as an overload whenever the meter sends it again.
    right = session(encode=encode)
    report = teach(with_texts(right, {4: "OL V DC", 20: "OL V DC"}))
    assert report.profile is None
    assert named(right, report) == {4: right.entries[4].text, 20: right.entries[20].text}


@pytest.mark.parametrize("encode", [digits_frame, coded_frame])
def test_all_nines_may_stand_for_an_overload(encode: Encode) -> None:
    right = session()
    packets = [
        CapturedPacket(one.seconds, one.channel, nines(one.data, encode)) for one in overloaded({7: "OL V DC"}).packets
    ]
    report = teach(replace(with_texts(right, {7: "OL V DC"}), packets=tuple(packets)))
    assert report.profile is not None
    (reading,) = open_profile_driver(report.profile, [CHANNEL]).feed(CHANNEL, encode(9999, 2), Timestamp(0, 0))
    assert reading.status is Status.OVERLOAD


def nines(data: bytes, encode: Encode) -> bytes:
    """Return a frame of `frame`, written by ``encode``: all nines for an overload."""
    if data == OVERLOADED:
        return encode(9999, 2)
    counts = int.from_bytes(data[2:4], "big")
    return encode(-counts if data[1] & 1 else counts, data[1] >> 1 & 7)


def fine_frame(counts: int, places: int) -> bytes:
    """Return a frame with the value in units of 10 µV, in 40 bits; the display rounds it."""
    value: int = abs(counts) * 10 ** (5 - places) + (counts * counts % 9 - 4) * 10 ** (4 - places)
    return bytes([0xA5, places << 1]) + (-value if counts < 0 else value).to_bytes(5, "big", signed=True)


@pytest.mark.parametrize("encode", [frame, coded_frame, fine_frame])
@pytest.mark.parametrize("seed", range(3))
def test_slips_are_named_where_the_last_digit_flickers(encode: Encode, seed: int) -> None:
    # The last bits of the number change as often as noise does, so that they seldom match the entry.
    right = session(flickering=True, encode=encode, seed=seed)
    assert teach(right).profile is not None
    _, texts = list(slips(right))[-1]
    report = teach(with_texts(right, texts))
    assert report.profile is None
    assert set(named(right, report)) == set(texts)


def test_a_display_that_moved_on_before_the_key_is_found_in_the_packets_before() -> None:
    report = teach(session(moving=True))
    assert report.profile is not None
    assert report.near_entries == ()
    driver = open_profile_driver(report.profile, [CHANNEL])
    (reading,) = driver.feed(CHANNEL, frame(-1234, 2), Timestamp(0, 0))
    assert (reading.status, reading.text) == (Status.OK, "-12.34 V DC")


def long_and_short_frame(counts: int, places: int) -> bytes:
    """Return a frame with a length byte; in one range in three it is two bytes longer, in another four."""
    body = frame(counts, places)[:-1] + bytes(2 * (places - 1))
    body = bytes([0xD2, len(body)]) + body
    return body + bytes([sum(body) & 0xFF])


def test_a_display_that_moved_on_is_found_where_frames_have_several_lengths() -> None:
    capture = session(moving=True, encode=long_and_short_frame)
    report = teach(capture)
    assert report.profile is not None
    assert report.contradictions == ()
    for counts, places in ((-1234, 1), (4321, 2), (987, 3)):
        driver = open_profile_driver(report.profile, [CHANNEL])
        readings = driver.feed(CHANNEL, long_and_short_frame(counts, places), Timestamp(0, 0))
        assert [reading.text for reading in readings] == [text_of(counts, places)]


def bracketed(counts: int, places: int) -> bytes:
    """Return characters with a hexadecimal sum before the last one: as lines of words, each sum would be a word."""
    body = f"{'-' if counts < 0 else ''}{abs(counts) / 10**places:.{places}f}".rjust(8) + "Bd0"
    return f"<{body}{sum(body.encode()) & 0xFF:02X}>".encode()


def test_packets_are_cut_otherwise_where_a_profile_reads_few_of_them() -> None:
    report = teach(session(moving=True, encode=bracketed))
    assert report.profile is not None
    assert report.checksum == "sum of 8 bits"
    assert report.unlabelled_read >= 0.9 * report.unlabelled_frames
    (reading,) = open_profile_driver(report.profile, [CHANNEL]).feed(CHANNEL, bracketed(-1234, 2), Timestamp(0, 0))
    assert reading.text == "-12.34 V DC"


def test_of_frames_that_arrive_in_one_burst_the_one_that_was_read_counts() -> None:
    # A connection that sends seldom delivers two packets at once (common practice, no source): here the last one of the
    # display that was read, and the first one after it moved on.
    right = session(moving=True)
    late = zip(right.packets, (*right.packets[1:], right.packets[-1]), strict=True)
    packets = tuple(replace(one, seconds=then.seconds) if at % 2 else one for at, (one, then) in enumerate(late))
    report = teach(replace(right, packets=packets))
    assert report.reason == ""
    assert report.profile is not None
    assert (report.contradictions, report.near_entries, report.unused_entries) == ((), (), ())
    (reading,) = open_profile_driver(report.profile, [CHANNEL]).feed(CHANNEL, frame(-1234, 2), Timestamp(0, 0))
    assert (reading.status, reading.text) == (Status.OK, "-12.34 V DC")


def small_ones_otherwise(counts: int, places: int) -> bytes:
    """Return a frame of decimal digits; those of numbers below 2500 begin with ten and more."""
    thousands, rest = divmod(abs(counts), 1_000)
    digits = f"00{thousands if abs(counts) >= 2_500 else 13 + thousands:x}{rest:03d}"
    body = bytes([0xA5, (counts < 0) | places << 1]) + bytes.fromhex(digits)
    return body + bytes([sum(body) & 0xFF])


def test_packets_that_a_profile_of_the_others_cannot_read_blame_no_entry() -> None:
    capture = session(moving=True, encode=small_ones_otherwise, number=40)
    small = {
        at for at, entry in enumerate(capture.entries) if float(entry.text.split()[0].replace(".", "")) ** 2 < 2_500**2
    }
    assert 3 <= len(small) <= 13
    report = teach(capture)
    assert report.profile is None
    assert named(capture, report).keys() == small
    assert "perhaps the meter writes such numbers otherwise, and no entry is wrong" in report.reason


def test_one_count_off_a_moving_display_contradicts_nothing_and_teaches_nothing() -> None:
    capture = session(moving=True)
    off = capture.entries[6].displayed_value
    counts = int(off.digits.scaleb(1 + 6 % 3)) + 2  # the display moved from counts to counts + 1
    report = teach(with_texts(capture, {6: text_of(counts, 1 + 6 % 3)}))
    assert [entry.text for entry in report.near_entries] == [text_of(counts, 1 + 6 % 3)]
    without = replace(capture, entries=tuple(entry for at, entry in enumerate(capture.entries) if at != 6))
    assert report.profile == teach(without).profile


def test_a_lowest_bit_turned_over_is_not_believed_where_no_display_stood_still() -> None:
    """The display is a mean of packets that move: at most entries, the last packet has another last bit."""
    rng = Random(2)
    packets, entries = [], []
    for index in range(24):
        counts, places = rng.randint(600, 9800), 1 + index % 2
        for number, shown in enumerate((counts + 2, counts - 1, counts + 1, counts ^ (index % 6 != 0))):
            packets.append(CapturedPacket(round(10.0 * index + 0.1 * number, 1), CHANNEL, frame(shown, places)))
        entries.append(make_display_entry(10.0 * index + 0.35, text_of(counts, places)))
    report = teach(Capture(tuple(packets), tuple(entries)))
    assert report.profile is None
    assert "last digit is not certain" in report.reason
    assert report.suggested_readings == ("a reading while the display stands still",)


def test_one_count_off_a_still_display_is_a_slip() -> None:
    right = session()
    counts = int(right.entries[6].displayed_value.digits.scaleb(1)) + 1
    capture = with_texts(right, {6: text_of(counts, 1)})
    report = teach(capture)
    assert report.profile is None
    assert named(capture, report) == {6: right.entries[6].text}


def test_several_entries_one_count_off_a_still_display_are_not_named() -> None:
    """Between 3,000 and 4,500 counts the display shows one more than the packet, as with a scale of its own."""
    capture = session(30)
    texts = {at: entry.text for at, entry in enumerate(capture.entries)}
    counts = {at: float(text.split()[0].replace(".", "")) for at, text in texts.items()}
    places = {at: len(text.split()[0].partition(".")[2]) for at, text in texts.items()}
    between = [at for at in texts if 3_000 < abs(counts[at]) < 4_500]
    assert 3 <= len(between) <= 9
    off = {at: text_of(round(counts[at] + (1 if counts[at] > 0 else -1)), places[at]) for at in between}
    report = teach(with_texts(capture, off))
    assert report.profile is None
    assert report.contradictions == ()
    assert "one count off at several entries" in report.reason


def test_entries_without_the_time_of_a_key_are_read_as_before() -> None:
    # Enter is pressed while the display shows the value: the last packet counts, not one from before it.
    capture = session(moving=True)
    entries = [make_display_entry(entry.end, entry.text) for entry in capture.entries]
    assert teach(replace(capture, entries=tuple(entries))).profile is None
    still = session()
    entries = [make_display_entry(entry.end, entry.text) for entry in still.entries]
    assert teach(replace(still, entries=tuple(entries))).profile is not None


def test_entries_of_which_half_disagree_name_none() -> None:
    right = session(12)
    texts = [entry.text for entry in right.entries]
    report = teach(with_texts(right, {at: texts[at - 1] for at in range(1, 12, 2)}))
    assert report.profile is None
    assert report.contradictions == ()


def test_the_same_capture_gives_the_same_report() -> None:
    capture = with_texts(session(), {3: "11.1 V DC", 12: "OL V DC"})
    assert teach(capture) == teach(capture)


# Two entries of which one contradicts the other.


def with_other(right: Capture, text: str, counts: int, places: int) -> Capture:
    """Return the capture with another entry and its packets at the end."""
    start = right.packets[-1].seconds + 1
    packets = [CapturedPacket(start + index / RATE, CHANNEL, frame(counts, places)) for index in range(20)]
    return Capture((*right.packets, *packets), (*right.entries, make_display_entry(packets[-1].seconds, text)))


def test_two_entries_alone_in_their_range_are_both_named_with_what_each_makes_of_the_other() -> None:
    # No other entry shows three places behind the point: one of the two is a slip, and nothing tells which.
    right = session()
    kept = tuple(entry for at, entry in enumerate(right.entries) if at % 3 != 2)
    first = with_other(replace(right, entries=kept), "1.234 V DC", 1234, 3)
    capture = with_other(first, "5.678 mV DC", 5678, 3)
    report = teach(capture)
    assert report.profile is None
    assert [
        (one.entry.text, one.rival.text if one.rival else "", one.expected_text) for one in report.contradictions
    ] == [
        ("1.234 V DC", "5.678 mV DC", "1.234 mV DC"),
        ("5.678 mV DC", "1.234 V DC", "5.678 V DC"),
    ]
    (one, other) = map(str, report.contradictions)
    assert "no other entry shows which one is right; by that one, it is 1.234 mV DC" in one
    assert "contradicts the entry '1.234 V DC'" in other


def test_of_two_values_of_one_packet_the_one_that_the_others_read_is_not_named() -> None:
    right = session()
    right_text = right.entries[4].text
    counts, places = int(right.entries[4].displayed_value.digits.scaleb(2)), 1 + 4 % 3
    capture = with_other(right, text_of(counts + 300, places), counts, places)
    (one,) = teach(capture).contradictions
    assert one.entry == capture.entries[-1]
    assert str(one).endswith(
        f"the other entries make it {right_text}, as was typed (at {right.entries[4].seconds:g} s)"
    )


def test_a_value_typed_twice_is_named_with_the_entry_that_it_repeats() -> None:
    right = session()
    (one,) = teach(with_texts(right, {8: right.entries[7].text})).contradictions
    assert one.repeated == right.entries[7]
    assert f"it repeats the entry before it (at {right.entries[7].seconds:g} s)" in str(one)


def test_few_entries_of_which_two_contradict_each_other_are_both_named() -> None:
    right = session(12)
    kept = replace(right, entries=tuple(entry for at, entry in enumerate(right.entries) if at % 3 != 2))
    capture = with_other(with_other(kept, "-1.234 V DC", -1234, 3), "-5.678 mV DC", -5678, 3)
    assert {one.entry.text for one in teach(capture).contradictions} == {"-1.234 V DC", "-5.678 mV DC"}
