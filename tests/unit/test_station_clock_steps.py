"""Steps of the wall clock are found; drift, pauses and slow synchronisation are none."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.core.clock import Timestamp
from meterlink.station.clock_steps import SMALLEST_STEP, ClockStepDetector
from meterlink.store.rows import ClockStep

SECOND = 10**9
NOON = 1_783_944_000 * SECOND


def moments(differences):
    """One moment for each second; UTC minus monotonic time is NOON plus each of ``differences`` (ns)."""
    return [Timestamp(NOON + n * SECOND + difference, n * SECOND) for n, difference in enumerate(differences)]


def steps(differences):
    detector = ClockStepDetector()
    return [step for moment in moments(differences) if (step := detector.check(moment)) is not None]


@pytest.mark.fault("clock-step")
@pytest.mark.parametrize("amount", [101_000_000, -101_000_000, 3600 * SECOND, -20_000 * 86_400 * SECOND])
def test_a_step_is_found_with_the_moments_before_and_after(amount):
    differences = [0, 0, 0, amount, amount, amount]
    seconds = moments(differences)
    assert steps(differences) == [ClockStep(seconds[2], seconds[3], amount)]


@pytest.mark.fault("clock-step")
def test_a_step_there_and_back_are_two():
    assert [step.step_ns for step in steps([0, 0, SECOND, SECOND, 0, 0, 0])] == [SECOND, -SECOND]


@pytest.mark.parametrize(
    "differences",
    [
        [],
        [5],
        [0, 99_000_000, 0, -99_000_000],
        [n * 500_000 for n in range(10_000)],  # 500 ppm, the fastest slew of a kernel: 5 s in the end
        [0, 0, 5 * SECOND, 0, 0],  # a pause between the readings of the two clocks, once
        [0, 0, 5 * SECOND, 0, 7 * SECOND, 0],
    ],
)
def test_no_step_is_found_where_there_is_none(differences):
    assert steps(differences) == []


@pytest.mark.fault("machine-slept")
def test_a_sleep_is_no_step_where_the_platform_says_how_long_it_was() -> None:
    night = 8 * 3600 * SECOND
    detector = ClockStepDetector()
    slept = [0, 0, night, night, night]
    found = [detector.check(moment, asleep) for moment, asleep in zip(moments(slept), slept, strict=True)]
    assert found == [None] * 5
    assert [step.step_ns for step in steps(slept)] == [night]  # without its word


@given(st.lists(st.integers(-(10**12), 10**12), max_size=30))
def test_the_steps_found_add_up_to_the_change_of_the_clock(amounts):
    """Each difference is seen twice or more, as the detector needs it."""
    differences = [difference for amount in [0, *amounts] for difference in (amount, amount)]
    found = steps(differences)
    assert all(abs(step.step_ns) > SMALLEST_STEP * SECOND for step in found)
    unexplained = differences[-1] - sum(step.step_ns for step in found)
    assert abs(unexplained) <= (len(amounts) + 1) * SMALLEST_STEP * SECOND  # what was too small to be a step
