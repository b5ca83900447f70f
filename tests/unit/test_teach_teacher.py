"""Results of teaching from small captures made by hand, and refusals."""

from random import Random

import pytest

from meterlink.capture.capture_file import Capture, CapturedPacket, DisplayEntry, make_display_entry
from meterlink.core.clock import Timestamp
from meterlink.core.readings import Status
from meterlink.profiles import check_profile, open_profile_driver, write_profile
from meterlink.teach import Teacher, teach
from support.invented_meters import CHANNEL


def captured(shown):
    """Return the capture of ``(text, *frames)``: the frames are sent while the display shows the text."""
    packets: list[CapturedPacket] = []
    entries: list[DisplayEntry] = []
    t = 0.0
    for text, *frames in shown:
        t += 1.0
        for frame in frames:
            t = round(t + 0.1, 6)
            packets.append(CapturedPacket(t, CHANNEL, frame))
        entries.append(make_display_entry(t, text))
    return Capture(tuple(packets), tuple(entries))


def decoded(profile, frame):
    readings = tuple(open_profile_driver(profile, [CHANNEL]).feed(CHANNEL, frame, Timestamp(0, 0)))
    return readings[-1] if readings else None


def volts(counts, negative=False, extra=0):
    """Return a frame: header, sign bit, magnitude, an extra byte, sum."""
    body = bytes([0xA5, 0x10 | negative << 2, *counts.to_bytes(2, "big"), extra])
    return body + bytes([sum(body) & 0xFF])


def text_of(counts, negative=False):
    return f"{'-' if negative else ''}{counts / 100:.2f} V DC"


def draw_readings(number=12, seed=1, low=0, high=9999, signs=True):
    rng = Random(seed)
    for _ in range(number):
        yield rng.randint(low, high), signs and rng.random() < 0.4


def lesson(**options):
    return [(text_of(*reading), volts(*reading), volts(*reading)) for reading in draw_readings(**options)]


def test_every_reading_of_a_plain_meter_is_decoded():
    report = teach(captured(lesson()))
    assert report.profile is not None
    assert report.contradictions == ()
    highest = max(counts for counts, _ in draw_readings())
    for counts in range(0, 1 << highest.bit_length(), 37):
        for negative in (False, True):
            reading = decoded(report.profile, volts(counts, negative))
            assert reading is not None
            if counts <= 9999:
                assert (reading.status, str(reading.unit)) == (Status.OK, "V")
                assert abs(reading.digits) * 100 == counts
                assert reading.digits.is_signed() == negative


def test_written_profile_reads_back_unchanged():
    profile = teach(captured(lesson())).profile
    assert profile is not None
    assert check_profile(write_profile(profile)).value == profile


def test_bit_that_no_reading_has_changed_is_refused_and_asked_for():
    report = teach(captured(lesson(high=4000)))
    assert report.profile is not None
    assert decoded(report.profile, volts(4095)).status is Status.OK
    assert decoded(report.profile, volts(4096)).status is Status.INVALID
    assert any("4096 counts" in suggestion for suggestion in report.suggested_readings)


def test_constant_that_changes_is_refused():
    # It may be a range, a unit or an overload that was never shown.
    profile = teach(captured(lesson())).profile
    assert decoded(profile, volts(1234, extra=0)).status is Status.OK
    assert decoded(profile, volts(1234, extra=1)).status is Status.INVALID


def test_two_bits_that_were_both_the_sign_must_agree():
    shown = [
        (text_of(counts, negative), volts(counts, negative, extra=0x20 * negative))
        for counts, negative in draw_readings()
    ]
    report = teach(captured(shown))
    assert report.profile is not None
    assert decoded(report.profile, volts(1234, True, extra=0x20)).digits < 0
    assert decoded(report.profile, volts(1234, True, extra=0)).status is Status.INVALID
    assert any("negative" in suggestion for suggestion in report.suggested_readings)


def test_wrong_entry_is_named_and_no_profile_made():
    shown = lesson()
    right = shown[7][0]
    shown[7] = ("55.55 V DC", *shown[7][1:])
    report = teach(captured(shown))
    assert report.profile is None
    (contradiction,) = report.contradictions
    assert contradiction.entry.text == "55.55 V DC"
    assert contradiction.expected_text == right
    assert "55.55 V DC" in teacher_of(captured(shown)).next_suggestion()


def teacher_of(capture):
    teacher = Teacher()
    teacher.add_capture(capture)
    return teacher


def test_display_may_have_changed_just_before_an_entry():
    shown = lesson()
    late = [(text, volts(4321), *frames) for text, *frames in shown]
    assert teach(captured(late)).profile == teach(captured(shown)).profile


def test_packets_of_another_kind_are_ignored():
    rng = Random(8)

    def charge():
        body = bytes([0x17, rng.randrange(256), 80, 0, rng.randrange(256)])
        return body + bytes([sum(body) & 0xFF])

    shown = [(text, charge(), *frames, charge()) for text, *frames in lesson()]
    profile = teach(captured(shown)).profile
    assert decoded(profile, volts(1234)).text == "12.34 V DC"
    assert decoded(profile, charge()) is None


def test_last_packet_of_a_window_counts():
    late = [(text, *frames, volts(4321)) for text, *frames in lesson()]
    assert teach(captured(late)).profile is None


def test_entry_without_packets_is_reported_as_unused():
    capture = captured(lesson())
    more = Capture(capture.packets, (*capture.entries, make_display_entry(500.0, "1.00 V DC")), None)
    report = teach(more)
    assert report.profile is not None
    assert [entry.seconds for entry in report.unused_entries] == [500.0]


def test_too_few_entries_and_equal_entries_teach_nothing():
    assert teach(captured(lesson(number=3))).profile is None
    assert teach(captured([("1.00 V DC", volts(100))] * 20)).profile is None
    assert teach(Capture((), ())).profile is None
    assert Teacher().next_suggestion().startswith("Show readings")


@pytest.mark.study(everyday=3, sample=6, full=200)
def test_noise_teaches_nothing(study_seed):
    rng = Random(9 + study_seed)
    report = teach(captured([(text_of(*reading), rng.randbytes(12)) for reading in draw_readings(seed=rng.random())]))
    assert report.profile is None


def test_overload_shown_once_is_known_and_never_a_number():
    shown = [*lesson(), ("OL V DC", volts(0xFFFF))]
    profile = teach(captured(shown)).profile
    assert decoded(profile, volts(0xFFFF)).status is Status.OVERLOAD
    # Another value that is no number: it may have another meaning.
    assert decoded(profile, volts(0xFFFE)).status is Status.INVALID


def test_overload_never_shown_is_no_number():
    profile = teach(captured(lesson())).profile
    assert decoded(profile, volts(0xFFFF)).status is Status.INVALID


def test_range_of_another_function_is_not_reused():
    def frame(function, code, counts):
        return bytes([0x5A, function, code, *counts.to_bytes(2, "little")])

    rng = Random(4)
    shown = []
    for _ in range(8):
        counts = [rng.randrange(1000, 10000) for _ in range(3)]
        shown.append((f"{counts[0] / 1000:.3f} V", frame(1, 0, counts[0])))
        shown.append((f"{counts[1] / 100:.2f} V", frame(1, 1, counts[1])))
        shown.append((f"{counts[2] / 1000:.3f} A", frame(2, 0, counts[2])))
    profile = teach(captured(shown)).profile
    assert decoded(profile, frame(1, 1, 5000)).text == "50.00 V"
    # Range 1 of the second function may be anything, even if the first function has a range 1.
    assert decoded(profile, frame(2, 1, 5000)).status is Status.INVALID


def test_units_that_no_bit_tells_apart_are_refused_with_a_reason():
    rng = Random(5)
    shown = []
    for index in range(16):
        counts = rng.randrange(10000)
        shown.append((f"{counts / 100:.2f} {'mV' if index % 2 else 'V'}", volts(counts)))
    report = teach(captured(shown))
    assert report.profile is None
    assert "apart" in report.reason


def test_result_grows_with_packets_and_entries():
    teacher = Teacher("bench-meter")
    t = 0.0
    for number, (counts, negative) in enumerate(draw_readings(number=14)):
        t += 1.0
        teacher.add_packet(t, CHANNEL, volts(counts, negative))
        teacher.add_entry(t + 0.05, text_of(counts, negative))
        report = teacher.result()
        if number < 3:
            assert not report.has_profile
            assert teacher.next_suggestion().startswith("Show readings")
    assert report.profile.name == "bench-meter"
    assert teacher.result() is report
    assert teacher.next_suggestion().startswith("Most useful now: ")


def test_report_counts_held_out_entries():
    report = teach(captured(lesson(number=20)))
    (function,) = report.functions
    assert function.function == "voltage DC"
    assert (function.entries, function.wrong) == (20, 0)
    assert function.right >= 18
    json_object = report.as_object()
    assert json_object["has_profile"] is True
    assert json_object["functions"][0]["held_out_right"] == function.right
    assert json_object["checksum"] == "sum of 8 bits"


@pytest.mark.parametrize("text", ["---", "blank"])
def test_blank_display_is_no_number(text):
    shown = [*lesson(), (text, volts(0xFFFE))]
    profile = teach(captured(shown)).profile
    assert decoded(profile, volts(0xFFFE)).status is Status.INVALID


def test_blank_entry_while_a_number_is_sent_is_a_contradiction():
    assert teach(captured([*lesson(), ("---", volts(1234))])).profile is None


def test_a_slip_of_a_rare_range_is_named_and_not_left_out_as_another_kind_of_frame():
    # Frames of ten in fourteen entries have a profile of their own, but a person has typed in the other four as well.
    def frame(counts, places):
        body = bytes([0x21, places, *counts.to_bytes(2, "big")])
        return body + bytes([-sum(body) & 0xFF])

    rng = Random(4)
    ranges = [1, 1, 2, 1, 1, 2, 1, 1, 1, 2, 1, 1, 2, 1]
    shown = [(rng.randrange(100, 10_000), places) for places in ranges]
    pairs = [(f"{counts / 10**places:.{places}f} V DC", *[frame(counts, places)] * 3) for counts, places in shown]
    pairs[5] = (pairs[4][0], *pairs[5][1:])
    report = teach(captured(pairs))
    assert report.profile is None
    (one,) = report.contradictions
    assert one.entry.text == pairs[4][0]
    assert one.expected_text == f"{shown[5][0] / 100:.2f} V DC"


def long_or_short(counts, unit, flags=0, more=b""):
    """Return a frame: number, unit, for volts two bytes more, flags; without check bytes."""
    between = bytes([0x77, *more]).ljust(2, b"\0") if unit == "V DC" else b""
    return bytes([0xD1, 0x31 if unit == "V DC" else 0x52, *counts.to_bytes(2, "big"), 0x40]) + between + bytes([flags])


def test_bits_behind_the_part_that_all_frames_have_are_refused_when_they_change():
    """The last byte has a display hold, in frames of either length; it was never shown."""
    rng = Random(2)
    shown = [
        (f"{counts / 100:.2f} {unit}", long_or_short(counts, unit, more=bytes([index])))
        for index, (counts, unit) in enumerate((rng.randint(100, 9999), unit) for unit in ["V DC", "kohm"] * 9)
    ]
    profile = teach(captured(shown)).profile
    assert profile is not None
    assert check_profile(write_profile(profile)).value == profile
    for unit, text in (("V DC", "12.34 V DC"), ("kohm", "12.34 kΩ")):
        assert decoded(profile, long_or_short(1234, unit, more=b"\x12")).text == text
        for flags in (0x01, 0x80):
            assert decoded(profile, long_or_short(1234, unit, flags)).status is Status.INVALID
    # A length that no entry showed may be anything.
    assert decoded(profile, long_or_short(1234, "V DC") + bytes(1)).status is Status.INVALID


def short_form(number):
    """Return a number in one byte if it is small, else in three: frames have several lengths."""
    return bytes([number]) if number < 24 else bytes([0x19, *number.to_bytes(2, "big")])


def mapped(unit, counts, places, flags=0):
    return bytes([0xA4, 0x01, unit, 0x02, *short_form(counts), 0x03, 0x20 + places, 0x04, flags])


def test_a_zero_as_short_as_an_overload_is_none():
    """Only overloads were shown in the short frames; the bits of their flag lie elsewhere in the long ones."""
    rng = Random(8)
    ranges = [
        (0x0F, "A AC", 0),
        (0x07, "degC", 1),
        (0x05, "uF", 2),
        (0x0F, "A AC", 1),
        (0x07, "degC", 1),
        (0x05, "uF", 3),
    ]
    shown = []
    for index in range(48):
        unit, name, places = ranges[index % 6]
        if index % 12 in (4, 5):
            shown.append((f"OL {name}", mapped(unit, 0, places, 2)))
        else:
            counts = rng.randrange(300, 4000)
            shown.append((f"{counts / 10**places:.{places}f} {name}", mapped(unit, counts, places)))
    profile = teach(captured(shown)).profile
    assert profile is not None
    assert decoded(profile, mapped(0x0F, 1234, 1)).text == "123.4 A AC"
    assert decoded(profile, mapped(0x05, 0, 3, 2)).status is Status.OVERLOAD
    for unit, _, places in ranges:
        assert decoded(profile, mapped(unit, 0, places)).status is Status.INVALID
