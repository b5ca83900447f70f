"""Bounds of teaching: the part of a long capture that it looks at, and the best so far after an interrupt."""

from random import Random

import pytest

from meterlink.capture.capture_file import Capture, CapturedPacket, make_display_entry, pair_packets
from meterlink.teach import Teacher, explanations, teach
from meterlink.teach.excerpt import take_excerpt
from meterlink.teach.limits import MOST_BYTES, MOST_PACKETS
from meterlink.teach.states import find_meanings
from support.invented_meters import CHANNEL


def frame(counts, code=0x11):
    body = bytes([0xA5, code, *counts.to_bytes(2, "big")])
    return body + bytes([sum(body) & 0xFF])


def recorded(packets, readings=14, size=0):
    """Return ``packets`` of a plain meter, each ``size`` bytes longer than need be, and ``readings`` among them."""
    rng, entries, sent = Random(1), [], []
    apart = packets // readings
    for index in range(packets):
        counts = rng.randrange(10_000)
        seconds = round(index * 0.5, 6)
        sent.append(CapturedPacket(seconds, CHANNEL, frame(counts) + bytes(size)))
        if index % apart == apart - 1:
            entries.append(make_display_entry(seconds, f"{counts / 100:.2f} V DC"))
    return Capture(tuple(sent), tuple(entries))


def test_a_short_capture_is_used_whole():
    capture = recorded(400)
    assert take_excerpt(capture) is capture


@pytest.mark.parametrize(("packets", "size"), [(MOST_PACKETS + 5000, 0), (4000, 200)])
def test_a_long_capture_keeps_every_entry_and_stays_within_the_bounds(packets, size):
    capture = recorded(packets, size=size)
    excerpt = take_excerpt(capture)
    assert len(excerpt.packets) <= MOST_PACKETS
    assert sum(len(packet.data) for packet in excerpt.packets) <= MOST_BYTES
    assert len(excerpt.packets) > 1000
    described = {id(entry) for _, entry in pair_packets(excerpt) if entry is not None}
    assert len(described) == len(capture.entries)
    assert excerpt.packets[-1].seconds > 0.9 * capture.packets[-1].seconds
    assert list(excerpt.packets) == sorted(excerpt.packets, key=lambda packet: packet.seconds)


def test_a_meter_is_taught_from_a_long_capture():
    report = teach(recorded(MOST_PACKETS + 5000))
    assert report.profile is not None
    assert report.unlabelled_read == report.unlabelled_frames > 1000


def interrupted(capture, after, monkeypatch):
    """Return the report on ``capture``, of which the search is interrupted at its call number ``after``."""
    calls = 0

    def counted(*arguments):
        nonlocal calls
        calls += 1
        if calls == after:
            raise KeyboardInterrupt
        return find_meanings(*arguments)

    monkeypatch.setattr(explanations, "find_meanings", counted)
    return teach(capture)


def test_an_interrupt_before_a_profile_was_found_says_so(monkeypatch):
    report = interrupted(recorded(200), 1, monkeypatch)
    assert report.profile is None
    assert report.reason == "the search was stopped before it found a profile"


def test_an_interrupt_while_entries_are_held_out_gives_the_profile_and_is_not_sure(monkeypatch):
    whole = teach(recorded(200))
    assert [one.confidence for one in whole.functions] == ["sure in the one range shown while byte 1 stays as before"]
    stops = [interrupted(recorded(200), after, monkeypatch) for after in range(2, 9)]
    assert any(report.profile is not None for report in stops)
    for report in stops:
        if report.profile is not None:
            assert report.profile == whole.profile
            assert report.stopped
            assert report.as_object()["stopped"] is True
            assert not any(one.confidence.startswith("sure in the one range") for one in report.functions)


def stopped(capture, after):
    """Return the report on ``capture``, and how often it was asked whether to stop: yes after ``after`` times no."""
    asked = 0

    def is_stopped():
        nonlocal asked
        asked += 1
        return asked > after

    teacher = Teacher("taught", is_stopped=is_stopped)
    teacher.add_capture(capture)
    return teacher.result(), asked


def test_a_stop_from_another_thread_ends_the_search_at_once():
    # A technician who types stop, or ends the program, does not wait for half a minute of a search.
    whole = teach(recorded(200))
    _, all_asked = stopped(recorded(200), 10**9)
    assert all_asked > 20
    for after in range(0, all_asked, 5):
        report, asked = stopped(recorded(200), after)
        assert report.stopped
        assert asked == after + 1
        assert report.profile in (None, whole.profile)
        assert not any(one.confidence.startswith("sure in the one range") for one in report.functions)


def test_a_stop_ends_the_search_for_slips_too():
    lines = list(recorded(400, 20).entries)
    lines[3] = make_display_entry(lines[3].seconds, "1.11 V DC")
    lines[9] = make_display_entry(lines[9].seconds, "2.22 V DC")
    capture = Capture(recorded(400, 20).packets, tuple(lines))
    named, all_asked = stopped(capture, 10**9)
    assert len(named.contradictions) == 2
    for after in range(0, all_asked, 20):
        report, asked = stopped(capture, after)
        assert (report.stopped, report.profile, asked) == (True, None, after + 1)
