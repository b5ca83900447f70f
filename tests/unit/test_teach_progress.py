"""The progress of teaching: how many entries of about how many, the states still open, and a reason for each step back.

A technician's reasoning (common practice, no source): somebody who kneels beside a unit goes on as long as the end
comes nearer. A number that grows without a word looks like a fault, and the person gives up.
"""

from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st

from meterlink.capture.capture_file import DisplayEntry, make_display_entry
from meterlink.teach import FunctionReport, TeachReport, find_progress, teach
from meterlink.teach.limits import ENOUGH_DIFFERENT_NUMBERS
from meterlink.teach.report import Contradiction
from meterlink.teach.wishes import AN_OVERLOAD
from meterlink_simulators.ranges import MeterFunction
from studies.teaching.cases import SIX_FUNCTIONS, record_session
from studies.teaching.study import shorten_capture
from support.examples import examples
from support.teaching_progress import is_backwards

NO_PROFILE = TeachReport(profile=None, entries=0, frames=0, reason="nothing fits yet")


def entries(*texts: str) -> list[DisplayEntry]:
    return [make_display_entry(10.0 + 5 * place, text) for place, text in enumerate(texts)]


def taught(*functions: FunctionReport, **more: object) -> TeachReport:
    """Return a report with a profile; its contents do not matter here."""
    profile = teach(shorten_capture(record_session("lines", 0, (MeterFunction.DC_VOLTS,), 1, 6).capture, 6)).profile
    assert profile is not None
    return replace(NO_PROFILE, profile=profile, reason="", functions=functions, **more)  # type: ignore[arg-type]


def function(name: str, entries: int, not_decoded: int = 0) -> FunctionReport:
    return FunctionReport(name, entries, entries - not_decoded, not_decoded, 0, ())


def test_a_line_says_how_many_of_about_how_many_and_what_is_open():
    progress = find_progress(entries("4.70 kohm", "OL Mohm"), NO_PROFILE)
    assert str(progress) == "2 of about 15; still open: kΩ, 6 more of resistance, 6 different numbers"
    assert sum(item.entries for item in progress.open_items) == progress.needed - progress.entered


def test_a_function_seen_for_the_first_time_is_the_reason_of_a_greater_estimate():
    first = find_progress(entries("4.70 uF", "5.10 uF"), NO_PROFILE)
    second = find_progress(entries("4.70 uF", "5.10 uF", "4.70 kohm"), NO_PROFILE, first)
    assert second.needed > first.needed
    assert second.reason == "The estimate grew: kΩ was seen for the first time."
    assert str(second).endswith("kΩ was seen for the first time.")


def test_an_entry_that_closes_nothing_is_said_to_do_so():
    first = find_progress(entries("4.70 uF", "OL uF"), NO_PROFILE)
    second = find_progress(entries("4.70 uF", "OL uF", "OL uF"), NO_PROFILE, first)
    assert second.needed == first.needed + 1
    assert second.reason == "The estimate grew: the newest entry brings nothing that is still open."


def test_fewer_entries_have_a_reason():
    three = entries("4.70 uF", "5.10 uF", "9.99 uF")
    before = find_progress(three, NO_PROFILE)
    assert find_progress(three[:1], NO_PROFILE, before).reason == "2 entries removed."
    wrong = replace(NO_PROFILE, contradictions=(Contradiction(three[2]),))
    named = find_progress(three, wrong, before)
    assert named.entered == 2
    assert named.reason == "Not counted: '9.99 uF' contradicts the others."
    assert "1 entry to check" in str(named)


def test_a_minus_is_open_where_the_meter_can_show_one():
    assert "minus" in str(find_progress(entries("4.70 V DC"), NO_PROFILE))
    assert "minus" not in str(find_progress(entries("4.70 uF"), NO_PROFILE))
    assert "minus" not in str(find_progress(entries("4.70 V DC", "-1.20 V DC", "-1.30 V DC"), NO_PROFILE))


def test_nobody_is_asked_to_overload_a_meter_on_volts():
    # The overload of ohms is an open lead. That of volts is more than the meter is made for.
    volts = find_progress(entries("4.70 V DC"), taught(function("voltage DC", 1), suggested_readings=("an overload",)))
    assert "OL" not in str(volts)
    assert "OL with an open lead" in str(find_progress(entries("4.70 ohm"), NO_PROFILE))


def test_the_report_asks_for_no_overload_of_volts_either() -> None:
    for measured, asked in ((MeterFunction.DC_VOLTS, False), (MeterFunction.RESISTANCE, True)):
        capture = record_session("counted", 0, (measured,), 2, 14).capture
        without = tuple(entry for entry in capture.entries if "OL" not in entry.text)
        report = teach(replace(capture, entries=without))
        assert report.has_profile
        assert (AN_OVERLOAD in report.suggested_readings) is asked


def test_a_range_of_a_profile_is_open_if_the_profile_does_not_read_it_yet():
    four = entries("4.70 V DC", "5.10 V DC", "47.1 V DC", "-3.30 V DC")
    report = taught(function("voltage DC", 8), unconfirmed_entries=(four[2], four[3]))
    assert str(find_progress(four, report)) == "4 of about 6; still open: the range of 47.1 V DC, minus"


def test_the_next_reading_is_one_that_can_be_shown_and_there_is_an_end():
    four = entries("4.70 V DC", "5.10 V DC", "47.1 V DC", "-3.30 V DC")
    passed = ("an entry for what the display showed at 3.0 s (9 of 90 packets …)", "a reading of 8192 counts or more")
    report = taught(function("voltage DC", 8), unconfirmed_entries=(four[2], four[3]), suggested_readings=passed)
    assert find_progress(four, report).next_reading == "a second reading like 47.1 V DC"
    assert find_progress(four, replace(report, unconfirmed_entries=(four[3],))).next_reading == (
        "voltage DC: a negative reading"
    )
    assert find_progress(four, replace(report, unconfirmed_entries=())).next_reading == ""


def test_the_end_is_reached_when_nothing_is_open():
    shown = entries(*(f"{number}.70 uF" for number in range(1, 9)))
    progress = find_progress(shown, taught(function("capacitance", 8)))
    assert str(progress) == "8 of about 8; nothing is open"


def test_a_digit_that_the_display_may_not_have_is_named_but_not_counted():
    # The first place of a display of 6000 counts never shows a 7: nobody could end it.
    shown = entries(*("1.234 uF", "5.678 uF") * 4)
    first = "a reading with a 7 in the fourth place from the right"
    last = "a reading with a 7 or 9 in the last place"
    progress = find_progress(shown, taught(function("capacitance", 8), suggested_readings=(first, last)))
    assert [(item.text, item.entries) for item in progress.open_items] == [(first, 0), (last, 1)]


def test_a_recording_that_is_still_needed_is_no_entry():
    wish = "a longer recording, until the counter in byte 1 rolls over"
    shown = entries(*(f"{number}.70 uF" for number in range(1, 9)))
    progress = find_progress(shown, taught(function("capacitance", 8), suggested_readings=(wish,)))
    assert str(progress) == "8 of about 8; still open: a longer recording"


TEXTS = (
    "4.70 uF",
    "47.0 uF",
    "OL uF",
    "4.71 kohm",
    "470 ohm",
    "OL Mohm",
    "4.70 V DC",
    "-4.72 V DC",
    "47.3 V DC",
    "---",
)
WISHES = (
    "a negative reading", "another negative reading and another positive one", "an overload", "a longer recording, …",
    "a reading with a 7 or 9 in the last place", "a reading with a 2 in any place", "a reading of 8192 counts or more",
)  # fmt: skip


@st.composite
def reports(draw: st.DrawFn, shown: list[DisplayEntry], with_profile: TeachReport) -> TeachReport:
    """Draw a report on entries, whether it makes sense or not."""
    some = st.lists(st.sampled_from(shown), max_size=3, unique_by=id) if shown else st.just([])
    wishes = tuple(draw(st.lists(st.sampled_from(WISHES), max_size=3, unique=True)))
    if draw(st.booleans()):
        contradictions = tuple(map(Contradiction, draw(some)))
        return replace(NO_PROFILE, contradictions=contradictions, suggested_readings=wishes,
                       unused_entries=tuple(draw(some)))  # fmt: skip
    functions = [
        function(name, draw(st.integers(0, 12)), draw(st.integers(0, 3)))
        for name in ("capacitance", "resistance", "voltage DC")
    ]
    return replace(with_profile, functions=tuple(functions), suggested_readings=wishes, near_entries=tuple(draw(some)),
                   unconfirmed_entries=tuple(draw(some)), unlabelled_frames=100,
                   unlabelled_read=draw(st.integers(0, 100)))  # fmt: skip


WITH_PROFILE = taught()


@examples(100)
@given(st.data())
def test_every_step_backwards_has_a_reason(data: st.DataObject) -> None:
    """Whatever is entered, dropped, and reported on it, one after the other."""
    shown: list[DisplayEntry] = []
    before = None
    for step in range(8):
        if shown and data.draw(st.integers(0, 4)) == 0:
            del shown[data.draw(st.integers(0, len(shown) - 1))]
        else:
            text = data.draw(st.sampled_from(TEXTS))
            shown.append(make_display_entry(10.0 + 5 * step, text))
        now = find_progress(shown, data.draw(reports(shown, WITH_PROFILE)), before)
        assert now.needed >= now.entered >= 0
        assert (now.needed == now.entered) == (not any(item.entries for item in now.open_items))
        if before is not None:
            assert now.reason or not is_backwards(now, before)
            assert now.reason == "" or now.reason.endswith(".")
        before = now


def test_six_functions_need_about_as_many_entries_as_the_study_says() -> None:
    # The study of teaching: 52 entries for six functions, two of every range.
    some = shorten_capture(record_session("lines", 0, SIX_FUNCTIONS, 1, 20).capture, 20)
    assert 44 <= find_progress(some.entries, teach(some)).needed <= 60


def test_the_first_estimate_is_that_of_the_numbers_an_encoding_needs() -> None:
    assert find_progress([], NO_PROFILE).needed == ENOUGH_DIFFERENT_NUMBERS
    assert str(find_progress([], NO_PROFILE)) == "0 of about 14; still open: 14 different numbers"
