"""Meters that send lines of text."""

from random import Random

import pytest

from meterlink.capture.capture_file import Capture, CapturedPacket, make_display_entry, parse_displayed_value
from meterlink.core.clock import Timestamp
from meterlink.core.readings import Status
from meterlink.profiles import RefusalReason, check_profile, open_profile_driver, write_profile
from meterlink.teach import teach
from meterlink.teach.lines import is_text
from meterlink.teach.lines_before import without_lines_before

CHANNEL = "7c2e0002-5a41-4d0e-9a55-31f0c7a8be10"


def taught(shown, cut=20, encoding="utf-8"):
    packets, entries, t = [], [], 0.0
    for text, line in shown:
        t += 1.0
        data = line.encode(encoding)
        for at in range(0, len(data), cut):
            t = round(t + 0.01, 6)
            packets.append(CapturedPacket(t, CHANNEL, data[at : at + cut]))
        entries.append(make_display_entry(round(t + 0.1, 6), text))
    return teach(Capture(tuple(packets), tuple(entries)))


def decoded(profile, line, cut=20, encoding="utf-8"):
    driver = open_profile_driver(profile, [CHANNEL])
    driver.begin_line()
    data = line.encode(encoding)
    packets = [data[at : at + cut] for at in range(0, len(data), cut)]
    (reading,) = [reading for packet in packets for reading in driver.feed(CHANNEL, packet, Timestamp(0, 0))]
    return reading


def draws(number=12, seed=1):
    rng = Random(seed)
    return [rng.randint(-9999, 9999) for _ in range(number)]


def test_a_number_that_a_line_has_twice_must_be_the_same_twice():
    report = taught([(f"{value / 100:.2f} V DC", f"{value / 100:.2f} V DC | {value / 100:.2f}\n") for value in draws()])
    assert check_profile(write_profile(report.profile)).value == report.profile
    assert decoded(report.profile, "12.34 V DC | 12.34\n").text == "12.34 V DC"
    assert decoded(report.profile, "12.34 V DC | 12.33\n").status is Status.INVALID


@pytest.mark.parametrize("end", ["\n", "\r\n", ";"])
def test_number_and_unit(end):
    report = taught([(f"{value / 100:.2f} V DC", f"{value / 100:+.2f} VDC{end}") for value in draws()])
    assert report.profile is not None
    assert decoded(report.profile, f"-12.34 VDC{end}").text == "-12.34 V DC"
    assert decoded(report.profile, f"-12.34 XYZ{end}").status is Status.INVALID


def test_number_among_others_with_words_of_the_meters_own():
    shown = [
        (f"{value / 1000:.3f} V AC", f"NO{index} #7 {value / 1000:.3f} ZURB 50.0\n")
        for index, value in enumerate(draws())
    ]
    shown += [(f"{value / 10:.1f} ohm", f"NO7 #7 {value / 10:.1f} QUON 50.0\n") for value in map(abs, draws(seed=2))]
    report = taught([(text, line.replace(f"NO{line.split()[0][2:]}", "NO")) for text, line in shown])
    assert report.profile is not None
    assert decoded(report.profile, "NO #7 1.234 ZURB 49.9\n").text == "1.234 V AC"
    assert decoded(report.profile, "NO #7 123.4 QUON 49.9\n").text == "123.4 Ω"
    assert decoded(report.profile, "NO #7 123.4 OTHER 49.9\n").status is Status.INVALID


def test_number_in_base_units():
    shown = [(f"{abs(value) / 100:.2f} uF", f"C,{abs(value) * 1e-8:.4E},F\n") for value in draws()]
    report = taught(shown)
    assert report.profile is not None
    reading = decoded(report.profile, "C,4.7000E-06,F\n")
    assert reading.value == pytest.approx(4.7e-6)


def test_entry_that_contradicts_a_line():
    shown = [(f"{value / 100:.2f} V DC", f"{value / 100:+.2f} VDC\n") for value in draws()]
    shown[3] = ("77.77 V DC", shown[3][1])
    report = taught(shown)
    assert report.profile is None
    assert [contradiction.entry.text for contradiction in report.contradictions] == ["77.77 V DC"]


def test_words_and_numbers_without_a_blank_between():
    shown = [(f"{value / 100:.2f} V DC", f"DCV{value / 100:+.2f}V\n") for value in draws()]
    shown += [(f"{abs(value) / 10:.1f} %", f"DUTY {abs(value) / 10:.1f}%\n") for value in draws(seed=2)]
    report = taught(shown)
    assert report.profile is not None
    assert report.profile.text is not None
    assert report.profile.text.split_before_number
    assert decoded(report.profile, "DCV-0.05V\n").text == "-0.05 V DC"
    assert decoded(report.profile, "DUTY+12.5%\n").text == "12.5 %"
    assert decoded(report.profile, "DCVX-0.05V\n").status is Status.INVALID


def test_lines_of_json_with_a_word_for_an_overload():
    shown = [
        (f"{value / 100:.2f} V AC", f'{{"fn": "ACV", "v": {value / 100}, "u": "V", "n": {index}}}\n')
        for index, value in enumerate(map(abs, draws(20)))
    ]
    shown[5] = ("OL V AC", '{"fn": "ACV", "v": null, "u": "V", "n": 5}\n')
    shown[9] = ("OL V AC", '{"fn": "ACV", "v": null, "u": "V", "n": 9}\n')
    report = taught(shown)
    assert report.profile is not None
    assert decoded(report.profile, '{"fn": "ACV", "v": 12.5, "u": "V", "n": 77}\n').text == "12.5 V AC"
    assert decoded(report.profile, '{"fn": "ACV", "v": null, "u": "V", "n": 78}\n').status is Status.OVERLOAD
    assert decoded(report.profile, '{"fn": "DCV", "v": 12.5, "u": "V", "n": 79}\n').status is Status.INVALID


def test_an_overload_may_be_a_number_of_another_form_beside_a_word():
    shown = [(f"{abs(value) / 100:.2f} kohm", f"{abs(value) / 100:+07.2f} kOhm\n") for value in draws()]
    report = taught([*shown, *[("OL kohm", "+999999 kOhm OVER\n")] * 2])
    assert report.profile is not None
    assert decoded(report.profile, "+999999 kOhm OVER\n").text == "OL kΩ"
    assert decoded(report.profile, "+999999 kOhm\n").status is Status.INVALID


def test_coupling_without_a_word_is_that_of_all_entries():
    report = taught([(f"{abs(value) / 100:.2f} A AC", f"{abs(value) / 100:.2f}\n") for value in draws()])
    assert report.profile is not None
    assert decoded(report.profile, "1.50\n").text == "1.50 A AC"


def test_two_joined_lines_give_no_value():
    report = taught([(f"{abs(value) / 100:.2f} V DC", f"{abs(value) / 100:.2f} VDC\n") for value in draws()])
    assert report.profile is not None
    assert decoded(report.profile, "12.34 VDC 56.78 VDC\n").status is Status.INVALID


def test_word_without_an_entry_is_asked_for():
    shown = [(f"{abs(value) / 100:.2f} V DC", f"{abs(value) / 100:.2f} VDC OK\n") for value in draws()]
    packets = [CapturedPacket(100.0 + index, CHANNEL, b"1.00 VDC BAT\n") for index in range(5)]
    entered = [
        (CapturedPacket(float(index), CHANNEL, line.encode()), make_display_entry(index + 0.1, text))
        for index, (text, line) in enumerate(shown)
    ]
    capture = Capture(tuple([packet for packet, _ in entered] + packets), tuple(entry for _, entry in entered))
    report = teach(capture)
    assert report.profile is not None
    assert report.suggested_readings[0] == "an entry for a line with BAT"
    assert decoded(report.profile, "1.00 VDC BAT\n").status is Status.INVALID


def sealed(text):
    total = 0
    for byte in text.encode():
        total ^= byte
    return f"${text}*{total:02X}\n"


def test_lines_that_end_in_a_checksum():
    shown = [(f"{abs(value) / 100:.2f} V DC", sealed(f"DCV {abs(value) / 100:.2f}")) for value in draws()]
    report = taught(shown)
    assert report.profile is not None
    assert decoded(report.profile, sealed("DCV 12.34")).text == "12.34 V DC"
    assert decoded(report.profile, sealed("DCV 12.34").replace("12", "13")).status is Status.INVALID


# A technician teaches a meter on AC volts. A line of DC volts was never shown: read as AC, a live DC bus would look
# like a harmless stray voltage. Common practice, no source.


@pytest.mark.parametrize(
    ("word", "display", "other"),
    [
        ("VAC", "V AC", "VDC"),
        ("VAC", "VAC", "V"),
        ("V AC", "V AC", "V DC"),
        ("UF", "µF", "NF"),
        ("uF", "µF", "mF"),
        ("KOHM", "kΩ", "OHM"),
        ("Mohm", "MΩ", "mohm"),
        ("DegC", "°C", "DegF"),
        ("VRMS", "V AC", "V"),
    ],
)
def test_words_are_learned_from_entries_however_spelled(word, display, other):
    report = taught([(f"{abs(value) / 100:.2f} {display}", f"{abs(value) / 100:.2f} {word}\r\n") for value in draws()])
    assert report.profile is not None
    reading = decoded(report.profile, f"24.05 {word}\r\n")
    shown = parse_displayed_value(f"24.05 {display}")
    assert (str(reading.digits), reading.unit, reading.coupling) == ("24.05", shown.unit, shown.coupling)
    assert decoded(report.profile, f"24.05 {other}\r\n").status is Status.INVALID


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        ("5E-6 F\r\n", "line of another shape: 5E-6 without a sign"),
        ("+5.05E-6 F\r\n", "line of another shape: +5.05E-6 has 3 digits, not 4"),
        ("F +35.05E-6\r\n", "line of another shape: unit value"),
        ("+35.05E-6 F F\r\n", "line of another shape: value unit unit"),
        ("+35.05E-6 V\r\n", "unknown word: V"),
    ],
)
def test_a_line_of_a_shape_that_was_not_shown_is_refused(line, reason):
    report = taught(
        [
            (f"{abs(value) / 10**places} uF", f"+{abs(value) / 10**places}E-6 F\r\n")
            for value in map(abs, draws(seed=4))
            for places in (1, 2)
            if value > 1000 and value % 10
        ]
    )
    assert report.profile is not None
    driver = open_profile_driver(report.profile, [CHANNEL])
    driver.begin_line()
    assert [reading.text for reading in driver.feed(CHANNEL, b"+35.05E-6 F\r\n", Timestamp(0, 0))] == ["35.05 µF"]
    (reading,) = driver.feed(CHANNEL, line.encode(), Timestamp(0, 0))
    assert reading.status is Status.INVALID
    assert [str(refusal) for refusal in driver.refusals] == [reason]


def test_a_unit_beside_another_number_is_not_that_of_the_value():
    report = taught(
        [
            (f"{abs(value) / 100:.2f} V AC", f"{abs(value) / 100:.2f} V {50 + index / 10} Hz\n")
            for index, value in enumerate(draws())
        ]
    )
    assert report.profile is not None
    assert decoded(report.profile, "24.05 V 49.9 Hz\n").text == "24.05 V AC"
    assert decoded(report.profile, "24.05 Hz 49.9 V\n").status is Status.INVALID


def test_a_unit_beside_another_number_may_be_that_of_the_value_in_other_lines():
    shown = [(f"{abs(value) / 100:.2f} Hz", f"50.{index:02} Hz,{abs(value) / 100:.2f} Hz\n")
             for index, value in enumerate(draws())]  # fmt: skip
    shown += [(f"{abs(value) / 100:.2f} V AC", f"50.{index:02} Hz,{abs(value) / 100:.2f} VAC\n")
              for index, value in enumerate(draws(seed=2))]  # fmt: skip
    shown += [(f"{abs(value) / 100:.2f} kohm", f"50.{index:02} Hz,{abs(value) / 100:.2f} kohm\n")
              for index, value in enumerate(draws(seed=3))]  # fmt: skip
    # In the lines of an overload, the other number is the only one.
    report = taught([*shown, *[("OL kohm", "49.98 Hz,OL kohm\n")] * 2])
    assert report.profile is not None
    for line, text in (("50.00 Hz,12.34 Hz\n", "12.34 Hz"), ("50.00 Hz,12.34 VAC\n", "12.34 V AC")):
        assert decoded(report.profile, line).text == text
    assert decoded(report.profile, "50.00 Hz,OL kohm\n").status is Status.OVERLOAD


def test_a_letter_of_the_function_that_looks_like_a_unit_does_not_stand_for_another_unit():
    """The meter sends V for voltage before each number, and the unit behind it; only millivolts were shown."""
    millivolts = [(f"{abs(value) / 10:.1f} mV DC", f"V {abs(value) / 10:.1f} mV DC\n") for value in draws()]
    others = [(f"{abs(value) / 100:.2f} kohm", f"R {abs(value) / 100:.2f} kohm\n") for value in draws(seed=2)]
    for shown in (millivolts, [*millivolts, *others]):
        profile = taught(shown).profile
        assert decoded(profile, "V 123.4 mV DC\n").text == "123.4 mV DC"
        assert decoded(profile, "V 1.234 V DC\n").status is Status.INVALID


def test_a_number_with_more_digits_than_the_display_is_found_though_the_display_flickers():
    rng = Random(3)
    packets, entries, t = [], [], 0.0
    for index in range(16):
        value = rng.uniform(0.2, 9.8) * 10 ** (index % 2)
        for more in (0, 0, rng.gauss(0, 1), rng.gauss(0, 1)):  # counts; the person reads 1.1 s before the first key
            t = round(t + 0.5, 3)
            farads = (value + more * 10 ** (index % 2 - 2)) * 1e-6
            packets.append(CapturedPacket(t, CHANNEL, f"CAP {farads:+.6E}\n".encode()))
        entries.append(make_display_entry(t + 4, f"{value:.{2 - index % 2}f} uF", first_key=t + 0.1))
        t += 8
    report = teach(Capture(tuple(packets), tuple(entries)))
    assert report.profile is not None
    assert report.contradictions == ()
    reading = decoded(report.profile, "CAP +4.700123E-06\n")
    assert (reading.status, reading.value) == (Status.OK, pytest.approx(4.700123e-6))


def test_a_decimal_comma_is_learned():
    shown = [(f"{value / 100:.2f} V DC", f"{value / 100:.2f} V DC;23,{index % 7}\n".replace(".", ","))
             for index, value in enumerate(draws())]  # fmt: skip
    report = taught(shown)
    assert report.profile is not None
    assert check_profile(write_profile(report.profile)).value == report.profile
    assert decoded(report.profile, "-12,34 V DC;23,5\n").text == "-12.34 V DC"
    assert decoded(report.profile, "-12,34,5 V DC;23,5\n").status is Status.INVALID


def test_of_two_words_that_always_tell_a_unit_together_none_tells_it_alone():
    """The meter sends FRQ9.08k for 9.08 kHz, and FRQ210.3 for 210.3 Hz, which was never shown."""
    shown = [(f"{abs(value) / 1000:.3f} kHz", f"FRQ{abs(value) / 1000:.3f}k\n") for value in draws()]
    shown += [(f"{abs(value) / 100:.2f} degC", f"TMP{abs(value) / 100:.2f}\n") for value in draws(seed=2)]
    profile = taught(shown).profile
    assert check_profile(write_profile(profile)).value == profile
    assert decoded(profile, "FRQ1.234k\n").text == "1.234 kHz"
    assert decoded(profile, "TMP12.34\n").text == "12.34 °C"
    assert decoded(profile, "FRQ210.3\n").status is Status.INVALID


def test_digits_beside_the_value_that_never_changed_may_be_a_state():
    """The digits behind the unit are hold, low battery and maximum; the last number is a temperature, which moves."""
    shown = [
        (f"{value / 100:.2f} V DC", f"{value / 100:.2f} V DC 000 2{index % 3}\n") for index, value in enumerate(draws())
    ]
    report = taught(shown)
    assert check_profile(write_profile(report.profile)).value == report.profile
    assert decoded(report.profile, "12.34 V DC 000 29\n").text == "12.34 V DC"
    for flags in ("100", "010", "0"):
        assert decoded(report.profile, f"12.34 V DC {flags} 21\n").status is Status.INVALID
    assert any("the number 000 beside the value never moved" in wish for wish in report.suggested_readings)
    assert [function.confidence for function in report.functions] == ["sure of what was shown"]


def test_numbers_of_like_size_do_not_show_that_all_have_as_many_digits():
    # Taught at an outlet of 120 V; later there are 24 V of a transformer.
    shown = [(f"{115 + number / 10:.1f} V AC", f"{115 + number / 10:.1f} VAC\r\n") for number in range(12)]
    report = taught(shown)
    assert report.profile is not None
    assert decoded(report.profile, "24.6 VAC\r\n").text == "24.6 V AC"


def test_a_line_that_is_never_split_is_not_read_from_two_packets():
    report = taught([(f"{abs(value) / 100:.2f} V DC", f"{abs(value) / 100:.2f} VDC\n") for value in draws()])
    assert report.profile is not None
    driver = open_profile_driver(report.profile, [CHANNEL])
    driver.begin_line()
    readings = [*driver.feed(CHANNEL, b"1", Timestamp(0, 0)), *driver.feed(CHANNEL, b"2.05 VDC\n", Timestamp(0, 0))]
    assert readings == []
    assert [refusal.reason for refusal in driver.refusals] == [RefusalReason.PART]


def test_a_word_with_another_prefix_than_the_entries_is_not_believed():
    # A technician forgets the k in every entry: each later resistance would be a thousandth, a short for a sound coil.
    report = taught([(f"{abs(value) / 100:.2f} ohm", f"{abs(value) / 100:.2f} kOhm\r\n") for value in draws()])
    assert report.profile is None
    assert report.reason == "the lines say kOhm where the entries say Ω"


@pytest.mark.parametrize("encoding", ["latin-1", "utf-8"])
@pytest.mark.parametrize("end", ["\r\n", ""])
def test_micro_and_degree_are_read_in_either_encoding(encoding, end):
    # ISO 8859-1 (1998): µ is B5, ° is B0. The profile reads the encoding that was recorded, and no other: C2 is no µ.
    rng = Random(6)
    shown = []
    for _ in range(8):
        counts, tenths = rng.randrange(100, 9999), rng.randrange(-399, 1500)
        shown += [(f"{counts / 100:.2f} uF", f"CAP {counts / 100:.2f} µF{end}")]
        shown += [(f"{tenths / 10:.1f} degC", f"TMP {tenths / 10:.1f} °C{end}")]
        shown += [(f"{counts / 100:.2f} nF", f"CAP {counts / 100:.2f} nF{end}")]
    report = taught(shown, cut=40, encoding=encoding)
    assert report.profile is not None, report.reason
    assert report.profile.text.encoding == encoding
    profile = check_profile(write_profile(report.profile)).value
    read = wrong = 0
    for _ in range(200):
        counts = rng.randrange(100, 9999)
        for unit in ("µF", "nF", "°C"):
            name = "TMP" if unit == "°C" else "CAP"
            text = f"{counts / 10:.1f}" if unit == "°C" else f"{counts / 100:.2f}"
            reading = decoded(profile, f"{name} {text} {unit}{end}", cut=40, encoding=encoding)
            read += reading.status is Status.OK
            wrong += reading.status is Status.OK and reading.text != f"{text} {unit}"
    assert (read, wrong) == (600, 0)
    other = {"latin-1": "utf-8", "utf-8": "latin-1"}[encoding]
    for unit in ("µF", "°C"):
        assert decoded(profile, f"CAP 35.05 {unit}{end}", cut=40, encoding=other).status is Status.INVALID
    for damaged in ("CAP 35.05 ÂF", "CAP 35.05 ²F", "CAP 35.05 \xa0F", "TMP 21.5 ºC"):
        assert decoded(profile, damaged + end, cut=40, encoding=encoding).status is Status.INVALID


def test_binary_frames_with_the_byte_of_micro_are_no_text():
    packets = [CapturedPacket(float(at), CHANNEL, bytes([0xB5, 0xB0, at, 7, 0xB5])) for at in range(40)]
    assert not is_text(packets)


def all_decoded(profile, *lines):
    driver = open_profile_driver(profile, [CHANNEL])
    driver.begin_line()
    return [reading.text for line in lines for reading in driver.feed(CHANNEL, f"{line}\n".encode(), Timestamp(0, 0))]


def test_a_line_without_a_value_may_be_a_state_of_the_next_number():
    """A display hold in a line of its own was never shown: the numbers behind it are not those of the leads."""
    report = taught([(f"{value / 100:.2f} V DC", f"{value / 100:.2f} VDC\n") for value in draws()])
    assert report.profile is not None
    assert all_decoded(report.profile, "1.20 VDC", "HOLD", "1.20 VDC", "HOLD", "1.20 VDC", "1.31 VDC") == [
        "1.20 V DC", "--- V DC", "--- V DC", "--- V DC", "--- V DC", "1.31 V DC",
    ]  # fmt: skip
    assert all_decoded(report.profile, "HOLD", "1.20 VDC", "1.31 VDC")[1:] == ["--- V DC", "--- V DC"], "for good"
    assert all_decoded(report.profile, "VDC", "1.20 VDC", "1.31 VDC")[1:] == ["--- V DC", "1.31 V DC"], "a part of one"
    assert all_decoded(report.profile, "---", "1.20 VDC")[1] == "1.20 V DC", "a display without a value is no state"
    assert all_decoded(report.profile, "1.2 VDC", "1.20 VDC")[1] == "1.20 V DC", "it is a value in another form"


def test_a_function_may_be_told_once_for_all_numbers_behind_it():
    """No number has a unit; a line comes when the dial is turned."""
    shown = [(f"{value / 100:.2f} V DC", f"{value / 100:.2f}\n") for value in draws()]
    shown[0] = (shown[0][0], f"0.00\nDIAL VDC\n{shown[0][1]}")
    report = taught(shown, cut=40)
    assert report.profile is not None
    assert report.profile.text is not None
    assert report.profile.text.lines_before == ((), ("DIAL VDC",))
    read = all_decoded(report.profile, "1.20", "DIAL OHM", "1.20", "1.31", "DIAL VDC", "1.20", "1.31")
    assert read == ["1.20 V DC", "--- V DC", "--- V DC", "--- V DC", "1.20 V DC", "1.31 V DC"]


def test_a_line_that_tells_the_function_comes_before_each_number():
    """One function was taught: behind the line of another one, and behind none, a number means nothing."""
    report = taught([(f"{value / 100:.2f} V DC", f"F VDC\nN {value / 100:.2f}\n") for value in draws()])
    assert report.profile is not None
    text = report.profile.text
    assert text is not None
    assert text.lines_before == (("F VDC",),)
    assert all_decoded(report.profile, "F VDC", "N 1.20", "F VDC", "N 1.31") == ["1.20 V DC", "1.31 V DC"]
    assert all_decoded(report.profile, "N 1.20") == ["--- V DC"]
    assert all_decoded(report.profile, "F VAC", "N 1.20", "F VDC", "HOLD", "N 1.20") == ["--- V DC"] * 4


def test_the_check_characters_of_a_line_before_are_none_of_its_words():
    numbers = [f"{value / 100:.2f}" for value in draws()]
    report = taught([(f"{number} V DC", sealed("F VDC") + sealed(f"N {number}")) for number in numbers], cut=40)
    assert report.profile is not None
    assert report.profile.text is not None
    assert report.profile.text.checksums
    assert report.profile.text.lines_before == (("$F VDC*",),)
    lines = [sealed(text)[:-1] for text in ("F VDC", "N 1.20", "F VAC", "N 1.20")]
    assert all_decoded(report.profile, *lines) == ["1.20 V DC", "--- V DC", "--- V DC"]


def test_numbers_in_a_line_before_are_any_if_they_changed():
    """A battery's volts change; the number of a mode did not."""
    shown = [
        (f"{value / 100:.2f} V DC", f"MODE 3 BAT {3 + place / 100:.2f} LEFT {90 - place}%\n{value / 100:.2f} V DC\n")
        for place, value in enumerate(draws())
    ]
    report = taught(shown, cut=80)
    assert report.profile is not None
    assert report.profile.text is not None
    assert report.profile.text.lines_before == (("MODE 3 BAT number LEFT number%",),)
    assert check_profile(write_profile(report.profile)).value == report.profile
    assert check_profile(write_profile(report.profile)).value == report.profile
    assert all_decoded(report.profile, "MODE 4 BAT 2.61 LEFT 7%", "1.20 V DC")[1] == "--- V DC"
    assert all_decoded(report.profile, "MODE 3 BAT 2.61", "1.20 V DC")[1] == "--- V DC"


def test_a_letter_of_one_function_is_no_word_of_another():
    """``H`` begins the lines of hertz; behind ohms it was never shown, and may mean a display hold."""
    shown = [(f"{abs(value) / 100:.2f} Hz", f"H {abs(value) / 100:.2f} Hz\n") for value in draws()]
    shown += [(f"{abs(value) / 10:.1f} V AC", f"V {abs(value) / 10:.1f} V AC\n") for value in draws(seed=2)]
    report = taught(shown)
    assert report.profile is not None
    assert decoded(report.profile, "H 50.01 Hz\n").text == "50.01 Hz"
    assert decoded(report.profile, "V 230.1 V AC\n").text == "230.1 V AC"
    assert decoded(report.profile, "H 50.01 Hz H\n").status is Status.INVALID
    assert decoded(report.profile, "V 230.1 V H\n").status is Status.INVALID


def test_a_hold_in_a_line_before_is_refused_although_it_was_shown():
    """A reading has no place for what only the line before it tells."""
    shown = [(f"{value / 100:.2f} V DC", f"{value / 100:.2f} VDC\n") for value in draws()]
    shown += [(f"{value / 100:.2f} V DC HOLD", f"HOLD\n{value / 100:.2f} VDC\n") for value in draws(3, seed=5)]
    report = taught(shown)
    assert report.profile is not None
    read = all_decoded(report.profile, "1.20 VDC", "HOLD", "1.20 VDC", "HOLD", "1.20 VDC", "1.31 VDC")
    assert read == ["1.20 V DC", "--- V DC", "--- V DC", "--- V DC", "--- V DC", "1.31 V DC"]


def two_lines(before, behind, number=25, seed=1):
    """Return a recording of a number's line and that of its function in packets of their own, ``before`` s apart.

    The next pair comes ``behind`` s later. People look at any time, also between the two.
    """
    rng, t = Random(seed), 0.0
    packets, entries = [], []
    for value in draws(number, seed):
        for _ in range(6):
            packets.append(CapturedPacket(round(t, 6), CHANNEL, b"F VDC\n"))
            packets.append(CapturedPacket(round(t + before, 6), CHANNEL, f"N {value / 100:.2f}\n".encode()))
            t += before + behind
        entries.append(make_display_entry(round(t - rng.uniform(0.0, behind), 6), f"{value / 100:.2f} V DC"))
    return teach(Capture(tuple(packets), tuple(entries)))


def test_lines_before_may_come_in_packets_of_their_own():
    report = two_lines(before=0.1, behind=0.3)
    assert report.profile is not None
    assert report.profile.text is not None
    assert report.profile.text.lines_before == (("F VDC",),)
    assert report.unlabelled_read >= report.unlabelled_frames - 1  # the first line may be the rest of one


@pytest.mark.parametrize(("before", "behind"), [(0.25, 0.25), (0.3, 0.1)])
def test_a_line_that_may_belong_to_the_number_before_it_tells_nothing(before, behind):
    """While a dial is turned, the number of the next function would be taken for one of the function before."""
    report = two_lines(before, behind)
    assert report.profile is None or report.profile.text is None


def test_an_overload_in_the_place_of_a_number_has_a_value():
    turns = [b"F OHM", b"N 12.3", b"F OHM", b"N 12.4", b"F OHM", b"N OL", b"F OHM", b"N OL", b"F OHM", b"N 12.4"]
    kept = without_lines_before(list(enumerate(turns)))
    assert [line for _, line in kept] == [b"N 12.3", b"N 12.4", b"N OL", b"N OL", b"N 12.4"]
    alone = [(0.0, b"12.3 OHM"), (1.0, b"OL OHM"), (2.0, b"12.3 OHM"), (3.0, b"12.4 OHM")]
    assert without_lines_before(alone) == alone
