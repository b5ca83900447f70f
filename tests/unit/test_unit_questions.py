"""Units with two meanings are asked back; ohms and farads below zero are refused."""

import pytest

from meterlink.capture.capture_file import Capture, CapturedPacket, make_display_entry
from meterlink.capture.unit_questions import check_unit, unit_question
from meterlink.core.clock import Timestamp
from meterlink.core.errors import InputError
from meterlink.core.readings import Status
from meterlink.profiles import check_profile, open_profile_driver
from meterlink.teach import teach

CHANNEL = "7c2e0001-5a41-4d0e-9a55-31f0c7a8be10"


@pytest.mark.parametrize(
    ("text", "question", "answer"),
    [
        # A thermometer's °F and a capacitor's F are one key of the keyboard (common practice, no source).
        ("72.4 F", "farad or fahrenheit", "72.4 degF"),
        ("72.4F", "farad or fahrenheit", "72.4 farad"),
        ("OL F", "farad or fahrenheit", "OL farad"),
        ("330 PF", "picofarad or a power factor", "330 pF"),
        # On old run capacitors mF is microfarad (common practice, no source).
        ("4.70 mF", "millifarad or, as on old parts, microfarad", "4.70 millifarad"),
        ("4.70 mF HOLD", "millifarad or, as on old parts, microfarad", "4.70 uF HOLD"),
        ("-0.12 ohm", "negative resistance", "0.12 ohm"),
        ("-0.02 nF", "negative capacitance", "0.02 nF"),
    ],
)
def test_an_unclear_unit_is_asked_about(text: str, question: str, answer: str) -> None:
    with pytest.raises(InputError, match=question):
        check_unit(text)
    check_unit(answer)


@pytest.mark.parametrize(
    "text", ["4.70 uF", "4.70 µF", "4.70 MFD", "12.1 degF", "-4.0 °F", "OL Mohm", "---", "-0.00 V", "-0.0 ohm", "50 %"]
)
def test_a_clear_unit_is_not_asked_about(text: str) -> None:
    assert unit_question(text) is None


def test_a_capture_with_an_unclear_unit_makes_no_profile() -> None:
    # Farad would be kept for a thermometer's °F, with status ok.
    packets, entries = [], []
    for index in range(12):
        counts = 6007 + 37 * index * index
        packets.append(CapturedPacket(float(index), CHANNEL, b"\x5a\x07" + counts.to_bytes(2, "big")))
        entries.append(make_display_entry(index + 0.1, f"{counts / 100:.2f} F", line_number=2 * index + 2))
    report = teach(Capture(tuple(packets), tuple(entries)))
    assert report.profile is None
    assert report.reason.startswith("the entry line 2 is not clear: 'F' in '60.07 F' may be farad or fahrenheit.")
    clear = [make_display_entry(entry.seconds, entry.text.replace("F", "degF")) for entry in entries]
    assert teach(Capture(tuple(packets), tuple(clear))).profile is not None


FRAMED = """
profile = 1
name = "a"
driver = "framed"
[connection]
notify = ["7c2e0001-5a41-4d0e-9a55-31f0c7a8be10"]
[value]
at = 0
size = 2
type = "int"
order = "big"
places = 1
unit = "{unit}"
"""
LINED = """
profile = 1
name = "a"
driver = "lined"
[connection]
notify = ["7c2e0001-5a41-4d0e-9a55-31f0c7a8be10"]
[text]
end = "\\n"
unit = "{unit}"
"""


@pytest.mark.parametrize(("unit", "refused"), [("Ω", True), ("kΩ", True), ("µF", True), ("V", False), ("°C", False)])
@pytest.mark.parametrize("driver", ["framed", "lined"])
def test_ohms_and_farads_below_zero_are_no_reading(unit: str, refused: bool, driver: str) -> None:
    # No passive part has fewer than zero ohms or farads (physics): a wrong bit, or the meter's relative mode.
    def read(counts: int) -> Status:
        profile = check_profile((FRAMED if driver == "framed" else LINED).format(unit=unit)).require("a")
        packet = counts.to_bytes(2, "big", signed=True) if driver == "framed" else f"{counts / 10:.1f}\n".encode()
        decoder = open_profile_driver(profile, [CHANNEL])
        if driver == "lined":
            decoder.feed(CHANNEL, b"1.0\n", Timestamp(0, 0))  # the first line after connecting may lack its beginning
        return decoder.feed(CHANNEL, packet, Timestamp(0, 10**9))[-1].status

    assert read(-123) is (Status.INVALID if refused else Status.OK)
    assert read(0) is Status.OK
    assert read(123) is Status.OK
