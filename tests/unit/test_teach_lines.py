"""Meters that send lines of text."""

from random import Random

import pytest

from meterlink.captures import Capture, Packet, label_at
from meterlink.clock import Stamp
from meterlink.profiles import open_on_capture
from meterlink.readings import Status
from meterlink.teach import teach

CHANNEL = "7c2e0002-5a41-4d0e-9a55-31f0c7a8be10"


def taught(shown, cut=20):
    packets, labels, t = [], [], 0.0
    for text, line in shown:
        t += 1.0
        data = line.encode()
        for at in range(0, len(data), cut):
            t = round(t + 0.01, 6)
            packets.append(Packet(t, CHANNEL, data[at : at + cut]))
        labels.append(label_at(round(t + 0.1, 6), text))
    return teach(Capture(tuple(packets), tuple(labels)))


def decoded(profile, line):
    (reading,) = open_on_capture(profile, [CHANNEL]).feed(CHANNEL, line.encode(), Stamp(0, 0))
    return reading


def draws(number=12, seed=1):
    rng = Random(seed)
    return [rng.randint(-9999, 9999) for _ in range(number)]


@pytest.mark.parametrize("end", ["\n", "\r\n", ";"])
def test_number_and_unit(end):
    report = taught([(f"{value / 100:.2f} V DC", f"{value / 100:+.2f} VDC{end}") for value in draws()])
    assert report.profile is not None
    assert decoded(report.profile, f"-12.34 VDC{end}").text == "-12.34 V DC"
    assert decoded(report.profile, f"-12.34 XYZ{end}").status is Status.INVALID


def test_number_among_others_with_words_of_the_meters_own():
    shown = [
        (f"{value / 1000:.3f} V AC", f"NO{place} #7 {value / 1000:.3f} ZURB 50.0\n")
        for place, value in enumerate(draws())
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


def test_label_that_contradicts_a_line():
    shown = [(f"{value / 100:.2f} V DC", f"{value / 100:+.2f} VDC\n") for value in draws()]
    shown[3] = ("77.77 V DC", shown[3][1])
    report = taught(shown)
    assert report.profile is None
    assert [one.label.text for one in report.contradictions] == ["77.77 V DC"]
