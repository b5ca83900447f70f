"""Undescribed meters: recorded over the virtual radio, taught from the target number of entries, decoded."""

from dataclasses import replace
from decimal import Decimal

import pytest

from meterlink.capture.capture_file import Capture, CapturedPacket
from meterlink.core.clock import Timestamp
from meterlink.core.readings import Coupling, Reading, Status
from meterlink.core.units import Quantity
from meterlink.profiles import characteristics_for_capture, parse_profile
from meterlink_simulators.display import DisplayState
from meterlink_simulators.encoders.catalogue import ENCODER_FAMILIES
from meterlink_simulators.ranges import MeterFunction
from studies.teaching.cases import SIX_FUNCTIONS, DisplayRefresh, RecordedSession, record_session
from studies.teaching.study import (
    DisplayTally,
    TeachingResult,
    TeachingTask,
    count_displays,
    count_stretches,
    decode_session,
    markdown_table,
    matches_display,
    run_task,
    shorten_capture,
    tasks,
)

LINES = {"lines", "prefixed lines"}


def refused_by_rule(family, tally):
    """Return the number of displays at most that no profile of a meter reads."""
    if family == "split packets":
        return tally.stretches + 1  # one beside each change of range, and the first of the session
    return family in LINES  # the first line may be the rest of one


@pytest.mark.study(everyday=0, sample=1, full=10)
@pytest.mark.parametrize("family", ENCODER_FAMILIES)
def test_one_function_from_the_target_number_of_entries(family, study_seed):
    result = run_task(TeachingTask(family, study_seed, (MeterFunction.DC_VOLTS,)), seed=1 + study_seed, search=False)
    assert result.failure_reason == ""
    assert result.tally.errors == []
    assert result.tally.wrong == 0
    assert result.tally.refused <= refused_by_rule(family, result.tally)
    assert result.tally.right > 500


@pytest.mark.study(everyday=0, sample=1, full=10)
@pytest.mark.parametrize("family", ENCODER_FAMILIES)
def test_six_functions_from_two_of_every_range(family, study_seed):
    result = run_task(TeachingTask(family, 1 + study_seed, SIX_FUNCTIONS), seed=2 + study_seed, search=False)
    assert result.failure_reason == ""
    assert result.tally.errors == []
    assert result.tally.wrong == 0
    assert result.tally.refused <= refused_by_rule(family, result.tally)
    assert result.tally.right > 500


def test_search_finds_the_smallest_number_that_suffices():
    result = run_task(TeachingTask("prefixed lines", 0, (MeterFunction.CAPACITANCE,)), seed=3, search=True)
    assert result.needed_entries is not None
    assert 1 < result.needed_entries <= result.task.target
    assert markdown_table([result])[-1].startswith(
        f"| prefixed lines | 0 | capacitance | 12 | {result.needed_entries} |"
    )


# Counting


def volts(text, **more):
    return DisplayState(Quantity.VOLTAGE, None if text is None else Decimal(text), "V", coupling=Coupling.DC, **more)


def reading(text, unit="V", status=Status.OK, coupling=Coupling.DC, quantity=Quantity.VOLTAGE, resolution="0.01"):
    digits = None if text is None else Decimal(text)
    resolution = None if resolution is None else Decimal(resolution)
    return Reading(quantity, digits, unit, Timestamp(0, 0), status, coupling, resolution)


def test_reading_matches_the_display():
    assert matches_display(reading("1.23"), volts("1.23"))
    assert matches_display(reading("1230", "mV"), volts("1.23"))
    assert not matches_display(reading("1.23"), volts("1.24"))
    assert not matches_display(reading("1.23"), volts("-1.23"))
    assert not matches_display(reading("1.23", coupling=Coupling.AC), volts("1.23"))
    assert not matches_display(reading("1.23", coupling=None), volts("1.23"))
    assert not matches_display(reading("1.23", "A", quantity=Quantity.CURRENT), volts("1.23"))
    assert not matches_display(reading("1.23000004"), volts("1.23"))
    assert matches_display(reading("1.23000004", resolution=None), volts("1.23"))
    assert not matches_display(reading("1.2300004", resolution=None), volts("1.23"))
    assert matches_display(reading(None, status=Status.OVERLOAD), volts(None, overload=True))
    assert not matches_display(reading(None, status=Status.OVERLOAD), volts("1.23"))
    assert not matches_display(reading("1.23"), volts(None, overload=True))
    assert not matches_display(reading(None, status=Status.OVERLOAD), volts(None, blank=True))


@pytest.mark.parametrize(
    ("readings", "displays", "right", "refused", "wrong"),
    [
        ([reading("1.23")], [volts("1.23")], 1, 0, 0),
        ([], [volts("1.23")], 0, 1, 0),
        ([reading(None, status=Status.INVALID)], [volts("1.23")], 0, 1, 0),
        ([reading("3.21")], [volts("1.23")], 0, 0, 1),
        ([], [volts(None, blank=True)], 1, 0, 0),
        ([reading("0.00")], [volts(None, blank=True)], 0, 0, 1),
        ([reading("1.23"), reading("4.56")], [volts("1.23"), volts("4.56")], 2, 0, 0),
        ([reading("4.56")], [volts("1.23"), volts("4.56")], 1, 1, 0),
        ([reading("4.56"), reading("1.23")], [volts("1.23"), volts("4.56")], 1, 1, 1),
        ([reading("1.23"), reading("1.23")], [volts("1.23")], 1, 0, 1),
    ],
)
def test_displays_are_counted(readings, displays, right, refused, wrong):
    tally = DisplayTally()
    count_displays(tally, readings, displays)
    assert (tally.right, tally.refused, tally.wrong) == (right, refused, wrong)
    assert len(tally.errors) == wrong


def test_a_stretch_has_one_function_and_range():
    changed = [volts("1.23"), volts("-4.56"), volts("1.2"), volts(None, blank=True), volts(None, blank=True)]
    changed += [volts("1.2"), volts(None, overload=True), volts("1.23"), volts("1.23", low_battery=True)]
    assert count_stretches(changed) == 6  # the blank is none
    assert count_stretches([]) == 0


def test_displays_beside_a_change_of_range_are_refused_by_rule_where_the_range_has_its_own_packet():
    tally = DisplayTally(right=88, refused=12, stretches=10)
    assert tally.refused_at_most(0.02, "split packets")
    assert not tally.refused_at_most(0.02, "counted")
    assert not replace(tally, refused=13).refused_at_most(0.02, "split packets")


RANGE_FIRST = """\
profile = 1
name = "siskin"
driver = "framed"
[connection]
notify = ["a1b2c3d5-0000-4000-8000-000000000001"]
[frame]
pause = 0.1
rest = 0.3
[[frame.part]]
length = 2
[[frame.part]]
length = 3
[value]
type = "uint"
at = 3
size = 2
order = "big"
[[code]]
at = 1
[code.is]
1 = { unit = "V", coupling = "DC", places = 2 }
"""


def test_a_reading_belongs_to_the_display_that_sent_its_frame():
    # Where the range comes first, the range of the next display completes a reading.
    profile = parse_profile(RANGE_FIRST, "siskin.toml")
    (channel,) = profile.connection.notify
    frames = {
        f"{counts / 100:.2f}": (b"\x52\x01", b"\x4e" + counts.to_bytes(2, "big")) for counts in (111, 222, 333, 444)
    }
    packets = [
        CapturedPacket(number / 5, channel, packet) for number, frame in enumerate(frames.values()) for packet in frame
    ]
    refreshes = tuple(DisplayRefresh(volts(text), frame) for text, frame in frames.items())
    session = RecordedSession(Capture(tuple(packets), ()), refreshes)
    tally = decode_session(profile, characteristics_for_capture(profile, [channel]), session)
    # Nothing stands before the first display, nothing behind the last.
    assert (tally.right, tally.refused, tally.errors, tally.stretches) == (2, 2, [], 1)


def test_a_shortened_capture_ends_soon_after_its_last_entry():
    capture = record_session("counted", 0, [MeterFunction.DC_VOLTS], 1, 10).capture
    short = shorten_capture(capture, 3)
    assert short.entries == capture.entries[:3]
    assert short.packets == capture.packets[: len(short.packets)]
    assert (
        capture.entries[2].seconds
        < short.packets[-1].seconds
        <= capture.entries[2].seconds + 1.0
        < capture.packets[-1].seconds
    )


def test_every_family_is_studied_with_one_function_and_with_six():
    all_tasks = list(tasks(2))
    assert {(task.family, task.variant, len(task.functions)) for task in all_tasks} == {
        (family, variant, functions) for family in ENCODER_FAMILIES for variant in (0, 1) for functions in (1, 6)
    }
    assert {task.target for task in all_tasks if task.family == "segments"} == {25, 52}
    assert {task.target for task in all_tasks if task.family == "packed"} == {12, 52}


def test_a_row_has_the_needed_entries_or_the_reason_for_none():
    task = TeachingTask("packed", 1, SIX_FUNCTIONS)
    lines = markdown_table(
        [
            TeachingResult(task, 1.26, DisplayTally(7, 2, 1), True, 33),
            TeachingResult(task, 0, DisplayTally(), True),
            TeachingResult(task, 0, DisplayTally()),
        ]
    )
    assert lines[-3] == "| packed | 1 | 6 | 52 | 33 | 1.3 | 10 | 7 | 2 | 1 |"
    assert lines[-2].startswith("| packed | 1 | 6 | 52 | > 104 |")
    assert lines[-1].startswith("| packed | 1 | 6 | 52 | – |")
