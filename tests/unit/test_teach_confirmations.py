"""A range, a unit or a sign that rests on one entry is named, and not read before a second entry confirms it.

A technician's reasoning (common practice, no source): a person who types mV for V, or forgets the minus, does so once.
A second reading in the same range shows it; without one, nothing does.
"""

from decimal import Decimal
from random import Random

import pytest

from meterlink.capture.capture_file import Capture, CapturedPacket, make_display_entry
from meterlink.core.clock import Timestamp
from meterlink.core.readings import Coupling, Status
from meterlink.core.units import Quantity
from meterlink.profiles import check_profile, open_profile_driver, write_profile
from meterlink.teach import teach
from meterlink.teach.progress import find_progress
from meterlink_simulators.display import DisplayState
from meterlink_simulators.encoders.segments import MaskedEncoder
from support.invented_meters import CHANNEL


def captured(shown):
    packets = [CapturedPacket(float(index), CHANNEL, frame) for index, (_, frame) in enumerate(shown)]
    entries = [make_display_entry(index + 0.1, text) for index, (text, _) in enumerate(shown)]
    return Capture(tuple(packets), tuple(entries))


def decoded(profile, frame):
    return open_profile_driver(profile, [CHANNEL]).feed(CHANNEL, frame, Timestamp(0, 0))[-1]


def frame(counts, code, negative=False):
    body = bytes([0xA5, code, 0x40 | negative, *counts.to_bytes(2, "big")])
    return body + bytes([sum(body) & 0xFF])


def reading(counts, code, negative=False):
    unit, places = {0x11: ("V DC", 2), 0x12: ("V DC", 1), 0x21: ("kohm", 2), 0x22: ("Mohm", 3)}[code]
    return f"{'-' if negative else ''}{counts / 10**places:.{places}f} {unit}", frame(counts, code, negative)


def lesson(*single):
    """Return readings in two ranges and with both signs, and one for each of ``single``."""
    rng = Random(3)
    shown = [
        reading(rng.randrange(100, 10_000), (0x11, 0x12)[index % 2], rng.random() < 0.4 and index > 0)
        for index in range(14)
    ]
    return [*shown, *(reading(*one) for one in single)]


def test_a_range_with_one_entry_is_named_and_refused_until_a_second_confirms_it():
    report = teach(captured(lesson((4321, 0x21))))
    assert [entry.text for entry in report.unconfirmed_entries] == ["43.21 kohm"]
    assert report.suggested_readings[0] == "a second reading like 43.21 kohm"
    assert decoded(report.profile, frame(1234, 0x21)).status is Status.INVALID
    assert decoded(report.profile, frame(1234, 0x11)).text == "12.34 V DC"
    assert {one.function: one.confidence for one in report.functions}["resistance"] != "sure"
    confirmed = teach(captured(lesson((4321, 0x21), (777, 0x21))))
    assert confirmed.unconfirmed_entries == ()
    assert decoded(confirmed.profile, frame(1234, 0x21)).text == "12.34 kΩ"


def test_a_slip_in_the_only_entry_of_a_range_gives_no_wrong_value():
    """The display showed 4.321 MΩ; the person typed kΩ."""
    _, sent = reading(4321, 0x22)
    profile = teach(captured([*lesson(), ("4.321 kohm", sent)])).profile
    assert decoded(profile, frame(1234, 0x22)).digits is None


def test_a_minus_that_rests_on_one_entry_is_refused():
    rng = Random(4)
    shown = [reading(rng.randrange(100, 10_000), 0x11) for _ in range(12)]
    report = teach(captured([*shown, reading(1500, 0x11, True)]))
    assert [entry.text for entry in report.unconfirmed_entries] == ["-15.00 V DC"]
    assert decoded(report.profile, frame(1234, 0x11, True)).status is Status.INVALID
    assert decoded(report.profile, frame(1234, 0x11)).text == "12.34 V DC"


def test_a_plus_that_rests_on_one_entry_is_refused():
    rng = Random(4)
    shown = [reading(rng.randrange(100, 10_000), 0x11, True) for _ in range(12)]
    report = teach(captured([*shown, reading(1500, 0x11)]))
    assert [entry.text for entry in report.unconfirmed_entries] == ["15.00 V DC"]
    assert decoded(report.profile, frame(1234, 0x11)).status is Status.INVALID
    assert decoded(report.profile, frame(1234, 0x11, True)).text == "-12.34 V DC"


def test_an_unconfirmed_profile_is_written_and_read_back():
    profile = teach(captured(lesson((4321, 0x21)))).profile
    assert profile is not None
    assert check_profile(write_profile(profile)).value == profile


def test_ranges_of_a_number_with_its_own_scale_confirm_each_other():
    """The exponent in the frame shows where the point is: a wrong point in an entry would contradict it."""
    rng = Random(5)

    def sent(counts, places, code):
        return bytes([0x5A, code, *(counts & 0xFFFFFF).to_bytes(3, "little"), -places & 0xFF])

    shown = []
    for index in range(13):
        counts, places = rng.randrange(100, 6000), 3 if index == 12 else 1 + index % 2
        shown.append((f"{counts / 10**places:.{places}f} V DC", sent(counts, places, 7)))
    report = teach(captured(shown))
    assert report.unconfirmed_entries == ()
    assert decoded(report.profile, sent(1234, 3, 7)).text == "1.234 V DC"


def test_a_word_with_one_entry_is_refused_until_a_second_confirms_it():
    rng = Random(6)

    def line(counts, word):
        # It begins behind the end of another line: else its beginning might be missing.
        return f"\n{word} {counts / 100:.2f}\n".encode()

    shown = [(f"{counts / 100:.2f} V DC", line(counts, "M1")) for counts in (rng.randrange(10_000) for _ in range(10))]
    report = teach(captured([*shown, ("43.21 kohm", line(4321, "M7"))]))
    assert [entry.text for entry in report.unconfirmed_entries] == ["43.21 kohm"]
    assert decoded(report.profile, line(1234, "M7")).status is Status.INVALID
    assert decoded(report.profile, line(1234, "M1")).text == "12.34 V DC"
    confirmed = teach(captured([*shown, ("43.21 kohm", line(4321, "M7")), ("5.00 kohm", line(500, "M7"))]))
    assert decoded(confirmed.profile, line(1234, "M7")).text == "12.34 kΩ"


def test_a_function_of_which_one_range_was_shown_is_sure_in_that_one_only():
    # Many meters send only the number, and the range in a packet of its own when it changes: of this nothing is seen
    # before the range was changed once.
    shown = [(f"{counts / 100:.2f} µF", frame(counts, 0x31)) for counts in range(1_000, 9_000, 571)]
    report = teach(captured(shown))
    assert [(one.confidence.partition(" while")[0], one.one_range) for one in report.functions] == [
        ("sure in the one range shown", True)
    ]
    ranges = teach(captured(lesson()))
    assert [one.one_range for one in ranges.functions] == [False]


LONE = 0x31  # a state that no number shows, with a bit of its own


def test_an_overload_whose_frame_has_a_number_is_refused_until_a_second_confirms_it():
    """A person may have typed OL for that number (common practice, no source)."""
    report = teach(captured([*lesson(), ("OL V DC", frame(4321, LONE))]))
    assert [entry.text for entry in report.unconfirmed_entries] == ["OL V DC"]
    assert decoded(report.profile, frame(1234, LONE)).status is Status.INVALID
    assert decoded(report.profile, frame(1234, 0x11)).text == "12.34 V DC"
    # Nobody is to overload the meter on volts; of ohms, an open lead does.
    asked = [*report.suggested_readings, *(one for function in report.functions for one in function.suggested_readings)]
    asked += [
        str(item)
        for item in find_progress(captured([*lesson(), ("OL V DC", frame(4321, LONE))]).entries, report).open_items
    ]
    assert not any("overload" in one or "OL" in one for one in asked)
    confirmed = teach(captured([*lesson(), ("OL V DC", frame(4321, LONE)), ("OL V DC", frame(777, LONE))]))
    assert confirmed.unconfirmed_entries == ()
    assert decoded(confirmed.profile, frame(1234, LONE)).text == "OL V DC"


def test_a_second_overload_is_asked_for_where_open_leads_show_it():
    ohms = [(text, sent) for _, sent in lesson() for text in [reading(int.from_bytes(sent[3:5], "big"), 0x21)[0]]]
    report = teach(captured([*ohms, ("OL kohm", frame(4321, LONE))]))
    assert "a second overload: the packets of the only one hold a number" in report.suggested_readings
    assert [entry.text for entry in report.unconfirmed_entries] == ["OL kohm"]


def test_a_cleared_field_under_an_overload_needs_no_second_one():
    report = teach(captured([*lesson(), ("OL V DC", frame(0, LONE))]))
    assert report.unconfirmed_entries == ()
    assert decoded(report.profile, frame(0, LONE)).text == "OL V DC"


def test_a_number_typed_as_ol_is_no_overload_where_the_field_shows_the_others():
    """The state of a range without a number shares its bit with the overload, so that its numbers would be read so."""
    full = frame(0xFFFF, LONE)
    report = teach(captured([*lesson(), ("OL V DC", full), ("OL V DC", full), ("OL V DC", frame(4321, LONE))]))
    assert report.profile is None
    assert [one.entry.seconds for one in report.contradictions] == [16.1]


CODES = {character: 0x21 + 7 * index for index, character in enumerate("0123456789")}


def coded(counts):
    return f"{counts / 100:.2f} V DC", bytes([0xA5, *(CODES[digit] for digit in f"{counts:04d}"), 0x40])


def test_a_digit_of_a_table_that_was_shown_once_is_refused_until_it_is_shown_again():
    """A wrong digit is a usual slip (common practice, no source), and here nothing else would show it."""
    shown = [coded(counts) for counts in (1234, 5610, 2346, 9851, 4403, 6125, 3389, 5092, 8164, 2905, 6548, 1983)]
    report = teach(captured([*shown, coded(4172)]))
    assert [entry.text for entry in report.unconfirmed_entries] == ["41.72 V DC"]
    assert decoded(report.profile, coded(4172)[1]).status is Status.INVALID
    assert decoded(report.profile, coded(4132)[1]).text == "41.32 V DC"
    assert "a reading with a 7 in any place" in report.suggested_readings
    confirmed = teach(captured([*shown, coded(4172), coded(2703)]))
    assert decoded(confirmed.profile, coded(7777)[1]).text == "77.77 V DC"


OVERLOADED = frame(0xFFFF, 0x13)  # a state that no number shows


@pytest.mark.parametrize("number", [1, 2])
def test_an_overload_typed_without_ac_or_dc_is_not_read_where_other_entries_have_it(number):
    """The display showed OL V DC. A person who leaves out DC at an overload does so by habit (common practice)."""
    report = teach(captured([*[("OL V", OVERLOADED)] * number, *lesson()]))
    assert report.contradictions == ()
    assert report.suggested_readings[0].startswith("the entry OL V corrected to AC or DC if the display showed it")
    assert decoded(report.profile, OVERLOADED).status is Status.INVALID
    assert decoded(report.profile, frame(1234, 0x11)).text == "12.34 V DC"


def test_an_overload_typed_with_dc_is_read_so_whatever_others_left_out():
    for texts in (["OL V", "OL V DC"], ["OL V DC", "OL V", "OL V"]):
        report = teach(captured([*[(text, OVERLOADED) for text in texts], *lesson()]))
        assert decoded(report.profile, OVERLOADED).text == "OL V DC"
        assert not any("corrected" in one for one in report.suggested_readings)


def test_an_overload_without_ac_or_dc_is_read_where_no_entry_has_it():
    """A diode test shows volts without AC or DC, and an overload with open leads."""
    shown = [(text.removesuffix(" DC"), sent) for text, sent in lesson()]
    profile = teach(captured([*shown, ("OL V", OVERLOADED)])).profile
    assert decoded(profile, OVERLOADED).text == "OL V"


SHOWN_ON_SEGMENTS = (
    "-4.186", "519.3", "3.780", "-515.6", "18.33", "-55.62", "27.59", "-1.569", "-96.9", "-48.11", "36.50", "440.2",
    "-19.83", "-344.2", "0.438",
)  # fmt: skip


def on_segments(text):
    display = DisplayState(Quantity.VOLTAGE, Decimal(text), "V", coupling=Coupling.DC)
    return MaskedEncoder(1).encode(display)[0][1]


def test_two_segments_of_a_digit_have_two_bits():
    """With 7 drawn as three segments, two segments of one digit changed alike here, and only one bit with them."""
    report = teach(captured([(f"{text} V DC", on_segments(text)) for text in SHOWN_ON_SEGMENTS]))
    for text in ("-0.365", "0.337", "1.399", "-2.943"):
        assert decoded(report.profile, on_segments(text)).text in (f"{text} V DC", "--- V DC")


def signed_lesson(below_zero, flicker):
    """Return a capture of signed counts, two negative: a person reads a display 1.5 s before the first key.

    ``below_zero`` gives the number sent for negative counts, ``flicker`` the counts added to them, packet by packet.
    """
    rng = Random(8)
    packets, entries, t = [], [], 0.0
    for index in range(14):
        counts = rng.randrange(100, 10_000) * (-1 if index in (5, 9) else 1)
        for more in flicker if counts < 0 else [0] * len(flicker):
            t = round(t + 0.5, 3)
            packets.append(CapturedPacket(t, CHANNEL, signed_frame(counts + more, below_zero)))
        entries.append(make_display_entry(t + 5, f"{counts / 100:.2f} V DC", first_key=t + 0.1))
        t += 10
    return Capture(tuple(packets), tuple(entries))


def signed_frame(counts, below_zero):
    number = below_zero(counts) if counts < 0 else counts
    body = bytes([0xA5, 0x11, *(number & 0xFFFFFF).to_bytes(3, "big")])
    return body + bytes([sum(body) & 0xFF])


def ones_complement(counts):
    return ~-counts


def twos_complement(counts):
    return counts


def with_a_sign(counts):
    return -counts | 1 << 23


def counted_from_minus_one(counts):
    return -counts - 1 | 1 << 23


# The display showed the entry 1.6 s before the key, and moved by a count then and now.
FLICKERING = [0, 0, 0, 1, 0, 1]


@pytest.mark.parametrize("write", [ones_complement, counted_from_minus_one])
def test_negative_numbers_counted_from_minus_one_are_not_read_after_a_flickering_display(write):
    flicker = FLICKERING if write is ones_complement else [-one for one in FLICKERING]
    report = teach(signed_lesson(write, flicker))
    assert report.suggested_readings[0] == "a negative reading while the display stands still"
    assert len(report.unconfirmed_entries) == 2
    assert decoded(report.profile, signed_frame(-1234, write)).status is Status.INVALID
    assert decoded(report.profile, signed_frame(1234, write)).text == "12.34 V DC"
    assert report.profile is not None
    assert check_profile(write_profile(report.profile)).value == report.profile


@pytest.mark.parametrize("write", [twos_complement, with_a_sign])
def test_negative_numbers_are_read_if_the_display_showed_them_longer_than_those_beside_them(write):
    step = 1 if write is twos_complement else -1
    for flicker in ([0] * 6, [step, 0, 0, 0, -step, -step], [0, 0, 0, 0, -step, -step]):
        report = teach(signed_lesson(write, flicker))
        assert report.unconfirmed_entries == ()
        assert decoded(report.profile, signed_frame(-1234, write)).text == "-12.34 V DC"
