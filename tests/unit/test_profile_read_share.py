"""The share of packets that a profile reads: read, refused, and parts of a frame."""

import random

from meterlink.profiles import ReadShare, Refusal, RefusalReason

FRAME = bytes.fromhex("a512340100ec")


def test_parts_of_a_frame_are_no_refusals() -> None:
    # A radio that sends a frame in two packets makes no profile worse.
    share = ReadShare()
    incomplete = Refusal(RefusalReason.PART)
    noise = Refusal(RefusalReason.NO_FRAME)
    share.add_unread("a", b"\x00" * 3, noise)
    share.add_unread("a", FRAME[:2], incomplete)
    share.add_unread("b", FRAME[:2], incomplete)  # of another characteristic: never completed
    share.add_reading("a", FRAME[2:], FRAME, None)
    share.finish()
    assert share.read == 1
    assert share.refusals == {noise: 1, incomplete: 1}


def test_a_frame_of_another_kind_is_neither_read_nor_refused() -> None:
    # In two packets: its beginning is then no refusal either, but that of a reading before it is.
    share = ReadShare()
    part = Refusal(RefusalReason.PART)
    share.add_reading("a", FRAME, FRAME, None)
    share.add_unread("a", FRAME[:2], part)
    share.add_unread("a", b"\xa5\x5a", part)
    share.add_unread("a", b"\x00\xff", Refusal(RefusalReason.OTHER_KIND, "byte 1 is 0x5a", b"\xa5\x5a\x00\xff"))
    share.finish()
    assert (share.read, share.refusals, share.total) == (1, {part: 1}, 2)
    assert share.others == {Refusal(RefusalReason.OTHER_KIND, "byte 1 is 0x5a"): 1}


def test_waiting_packets_take_no_memory() -> None:
    share = ReadShare()
    rng = random.Random(1)
    for _ in range(2_000):
        share.add_unread("a", rng.randbytes(20), Refusal(RefusalReason.NO_FRAME))
    assert share.refusals.total() > 1_900
    assert share.is_low
    assert share.percent == 0


def test_refusals_are_counted_by_their_reasons_and_a_display_without_a_value_is_read() -> None:
    share = ReadShare()
    for data in (b"1", b"2"):  # the bytes differ, the reason does not
        share.add_reading("a", data, data, Refusal(RefusalReason.CHECKSUM, data=data))
        share.add_reading("a", data, data, Refusal(RefusalReason.WORD, data.decode(), data))
    share.add_reading("a", b"3", b"3", Refusal(RefusalReason.BLANK, data=b"3"))
    share.finish()
    assert share.refusals == {
        Refusal(RefusalReason.CHECKSUM): 2, Refusal(RefusalReason.WORD, "1"): 1, Refusal(RefusalReason.WORD, "2"): 1,
    }  # fmt: skip
    assert (share.read, share.total, share.percent, share.is_low) == (1, 5, 20, True)


def test_a_connection_may_begin_in_the_middle_of_a_line() -> None:
    # The first line of a recording may have lost its head; a part after the first reading is a loss.
    share = ReadShare()
    part = Refusal(RefusalReason.PART)
    share.add_unread("a", b"5E-6 F\n", part)
    share.add_reading("a", b"+35E-6 F\n", b"+35E-6 F", None)
    share.add_unread("a", b"5E-6 F\n", part)
    share.add_unread("b", b"5E-6 F\n", part)  # of this characteristic nothing was ever read
    share.finish()
    assert (share.read, share.refusals.total()) == (1, 2)


def test_a_packet_that_only_confirms_a_frame_begins_the_next_one() -> None:
    # Where the range comes before the number, the next range confirms the reading.
    share = ReadShare()
    incomplete = Refusal(RefusalReason.PART)
    share.add_unread("", b"r", incomplete)
    share.add_unread("", b"n1", incomplete)
    for before, number in ((b"n1", b"n2"), (b"n2", b"n3")):
        share.add_reading("", b"r", b"r" + before, None)
        share.add_unread("", number, incomplete)
    share.finish()
    assert (share.read, share.refusals) == (2, {incomplete: 2})  # the last frame waits for its range


def test_the_halves_before_the_first_frame_are_a_beginning() -> None:
    share = ReadShare()
    share.add_unread("", b"r0", Refusal(RefusalReason.UNPAIRED))
    share.add_reading("", b"r1", b"r1", None)
    share.finish()
    assert (share.read, share.refusals.total()) == (1, 0)


def test_the_halves_of_a_frame_have_the_reason_that_the_next_packet_shows() -> None:
    # Where the range comes first, only the next range shows that it changed beside the number.
    share = ReadShare()
    incomplete, changed = Refusal(RefusalReason.PART), Refusal(RefusalReason.UNPAIRED, "byte 0 changes", b"r1n1")
    share.add_reading("", b"r0", b"r0", None)
    share.add_unread("", b"r1", incomplete)
    share.add_unread("", b"n1", incomplete)
    share.add_unread("", b"r2", changed)
    share.add_unread("", b"n2", incomplete)
    share.add_reading("", b"r2", b"r2n2", None)
    share.finish()
    assert share.read == 2
    assert share.refusals == {Refusal(RefusalReason.UNPAIRED, "byte 0 changes"): 2, incomplete: 1}
