"""The detector at the edges of its limits: a lift, a start, a move; and the noise that it reckons with.

The limits are common practice, no source, where a test names none; `docs/settling.md` has the reasons.
"""

import math
from dataclasses import replace
from decimal import Decimal
from itertools import cycle, islice
from random import Random
from statistics import NormalDist

import pytest
from scipy import stats

from meterlink.core.clock import Timestamp
from meterlink.core.readings import Phase, Reading, Status
from meterlink.core.units import Quantity
from meterlink.settling.detector import SettlingDetector, reads_alike
from meterlink.settling.series import ValueSeries, _NoiseEstimate, _SplitWindow
from support.settling_displays import accepted, constant, feed, settled_states, shown

AMPS, OHMS, VOLTS = Quantity.CURRENT, Quantity.RESISTANCE, Quantity.VOLTAGE


def test_the_bar_is_full_when_a_reading_is_accepted() -> None:
    (value,) = settled_states(constant(4500, 0, 3))
    (few,) = settled_states(constant(8, 0, 8, quantity=AMPS, step="0.1"))
    assert value.progress == few.progress == 1.0


def test_the_bar_shows_the_share_of_the_time_at_rest() -> None:
    """0.7 of 0.8 s."""
    assert feed(SettlingDetector(), constant(4500, 0, 0.8))[-1].progress == pytest.approx(0.7 / 0.8)


def test_after_the_acceptance_nothing_is_open() -> None:
    """The question, the time and the reading belong to the moment of the acceptance."""
    states = feed(SettlingDetector(), [*constant(0, 0, 1), *constant(4500, 1, 4)])
    after = states[next(number for number, state in enumerate(states) if state.settled_reading) + 1 :]
    assert {state.phase for state in after} == {Phase.ACCEPTED}
    assert {(state.progress, state.settling_time, state.unproven) for state in after} == {(1.0, 0.0, False)}
    assert (states[0].phase, states[0].progress, states[0].settling_time) == (Phase.IDLE, 0.0, 0.0)


def test_another_test_point_begins_anew() -> None:
    """The probes stay where they are, and the person says that it is another point."""
    detector = SettlingDetector()
    assert len(accepted(feed(detector, constant(4500, 0, 2)))) == 1
    detector.reset()
    assert len(accepted(feed(detector, constant(4500, 2, 4)))) == 1
    detector.accept(shown(4, 0))  # the person says: open
    assert len(accepted(feed(detector, constant(4500, 4, 6)))) == 1


@pytest.mark.parametrize(("counts", "is_new"), [(4545, False), (4455, False), (4546, True), (4454, True)])
def test_one_percent_is_no_move(counts: int, is_new: bool) -> None:
    displayed = [*constant(4500, 0, 2), *constant(counts, 2, 5)]
    assert len(accepted(feed(SettlingDetector(), displayed))) == 1 + is_new


@pytest.mark.parametrize(("counts", "lifts"), [(8, 0), (7, 1)])
def test_a_fall_by_three_counts_is_the_same_contact(counts: int, lifts: int) -> None:
    """1.1 A that becomes 0.8 A is a load that changes; a clamp that comes off shows less."""
    displayed = [
        *constant(0, 0, 2, quantity=AMPS, step="0.1"),
        *constant(11, 2, 2.5, quantity=AMPS, step="0.1"),
        *constant(counts, 2.5, 3.5, quantity=AMPS, step="0.1"),
    ]
    assert sum(state.probes_lifted for state in feed(SettlingDetector(), displayed)) == lifts


@pytest.mark.parametrize(("counts", "accepted_texts"), [(105, ["10.0"]), (95, ["10.0"]), (106, ["10.0", "10.6"])])
def test_five_counts_are_no_move(counts: int, accepted_texts: list[str]) -> None:
    """A contact that warms in the hand drifts by some counts: it is not the next part."""
    displayed = [
        *constant(100, 0, 2, quantity=OHMS, step="0.1"),
        *constant(counts, 2, 5, quantity=OHMS, step="0.1"),
    ]
    assert [str(reading.digits) for reading in accepted(feed(SettlingDetector(), displayed))] == accepted_texts


@pytest.mark.parametrize(("counts", "accepted_texts"), [(8, ["0.5"]), (9, ["0.5", "0.9"])])
def test_few_counts_move_by_four(counts: int, accepted_texts: list[str]) -> None:
    """Of a small fan three counts are the last digit and its noise; a second fan beside it is more."""
    displayed = [
        *constant(0, 0, 3, 4, quantity=AMPS, step="0.1"),
        *constant(5, 3, 12, 4, quantity=AMPS, step="0.1"),
        *constant(counts, 12, 60, 4, quantity=AMPS, step="0.1"),
    ]
    states = feed(SettlingDetector(), displayed)
    assert [str(reading.digits) for reading in accepted(states)] == accepted_texts
    assert not any(state.probes_lifted for state in states)  # the clamp stays where it is


@pytest.mark.parametrize(("counts", "lifts"), [(4, 0), (5, 1)])
def test_three_counts_are_nothing_unless_they_were_four(counts: int, lifts: int) -> None:
    """The display crosses the limit of nothing by its last digit; two digits less are a clamp that was taken off."""
    displayed = [
        *constant(0, 0, 3, 4, quantity=AMPS, step="0.1"),
        *constant(counts, 3, 12, 4, quantity=AMPS, step="0.1"),
        *constant(3, 12, 15, 4, quantity=AMPS, step="0.1"),
    ]
    states = feed(SettlingDetector(), displayed)
    assert len(accepted(states)) == 1
    assert sum(state.probes_lifted for state in states) == lifts


@pytest.mark.parametrize("counts", [9, 45])
def test_the_first_reading_of_a_contact_is_marked(counts: int) -> None:
    """The station then goes to the next test point: few counts are a contact, too."""
    displayed = [
        *constant(0, 0, 2, quantity=VOLTS, step="0.1"),
        *constant(counts, 2, 8, quantity=VOLTS, step="0.1"),
    ]
    marked = [state.probes_touched for state in feed(SettlingDetector(), displayed)]
    assert (marked.index(True), sum(marked)) == (20, 1)


def test_an_accepted_overload_is_accepted_once() -> None:
    """Volts beyond the range stay beyond it: it is no new measurement every few seconds."""
    assert len(settled_states(constant(None, 0, 20, quantity=VOLTS))) == 1


def test_a_contact_that_slips_begins_its_quiet_time_again() -> None:
    """For a moment it shows half: the four seconds are those after it."""
    displayed = [
        *constant(0, 0, 2, quantity=VOLTS, step="0.1"),
        *constant(9, 2, 4.5, quantity=VOLTS, step="0.1"),
        *constant(5, 4.5, 4.8, quantity=VOLTS, step="0.1"),
        *constant(9, 4.8, 12, quantity=VOLTS, step="0.1"),
    ]
    (state,) = settled_states(displayed)
    assert state.settled_reading is not None
    assert state.settled_reading.timestamp.monotonic_ns >= 8.7e9


def test_a_blank_display_ends_no_measurement() -> None:
    """The meter looks for its range: the probes are on the part."""
    displayed = constant(4500, 0, 0.5)
    blank = replace(shown(0.5, 0), digits=None, status=Status.INVALID)
    assert [state.phase for state in feed(SettlingDetector(), [*displayed, blank])] == [Phase.SETTLING] * 6
    assert feed(SettlingDetector(), [blank])[0].phase is Phase.IDLE


def test_an_accepted_value_in_another_range_is_the_same_value() -> None:
    """The meter changes from nanofarad to microfarad under the same part."""
    in_nanofarads = constant(9500, 0, 2, step="0.1", unit="nF")
    in_microfarads = [
        replace(reading, digits=Decimal("0.951"), resolution=Decimal("0.001"), unit="µF")
        for reading in constant(0, 2, 4)
    ]
    states = feed(SettlingDetector(), [*in_nanofarads, *in_microfarads])
    assert [str(reading.digits) for reading in accepted(states)] == ["950.0"]
    assert states[-1].phase is Phase.ACCEPTED
    assert reads_alike(in_microfarads[0], in_nanofarads[0])


# The start of a motor: its current falls for a minute, and must not be accepted on its way.


def motor(
    seconds: float, begin: float, rate: float, peak: float, running: float, warming: float = 0.15
) -> list[Reading]:
    """Return the display of a lead whose motor starts at ``begin``: one reading of ``peak`` A, then a share more."""
    readings = []
    for number in range(round(seconds * rate)):
        time = number / rate - begin
        amps = 0.0 if time < 0 else peak if time < 1 / rate else running * (1 + warming * math.exp(-time / 30))
        readings.append(shown(number / rate, round(amps / 0.1), quantity=AMPS, step="0.1"))
    return readings


def settled_amps(readings: list[Reading]) -> list[tuple[float, float]]:
    """Return ``(amps, seconds)`` of the accepted readings: the value, and its settling time."""
    return [
        (float(state.settled_reading.digits or 0), state.settling_time)
        for state in settled_states(readings)
        if state.settled_reading is not None
    ]


def test_a_start_that_one_reading_shows_beside_an_accepted_current_is_a_start() -> None:
    """The fan's 1.5 A are accepted on the common lead; then the compressor starts, and one reading catches it."""
    beside = [
        replace(reading, digits=(reading.digits or Decimal(0)) + Decimal("1.5"))
        for reading in motor(120, 10, 4, 60.0, 11.0, warming=0)
    ]
    first, (amps, seconds) = settled_amps(beside)
    assert first[0] == 1.5
    assert amps == 12.5
    assert seconds > 20


@pytest.mark.parametrize("begin", [3, 60])
def test_a_start_in_the_one_reading_that_is_missing_is_a_start(begin: float) -> None:
    """Where the current has risen meanwhile, the lost reading may have shown it: it may still fall, unseen as yet."""
    displayed = motor(120, begin, 4, 60.0, 11.0, warming=0)
    del displayed[4 * round(begin)]
    ((amps, seconds),) = settled_amps(displayed)
    assert amps == 11.0
    assert seconds > 20


def test_a_missing_reading_of_a_steady_current_hides_no_start() -> None:
    """Without a rise the motor runs as before: the person need not wait."""
    displayed = constant(110, 0, 20, 4, quantity=AMPS, step="0.1")
    del displayed[6]
    ((amps, seconds),) = settled_amps(displayed)
    assert amps == 11.0
    assert seconds < 6


def test_a_smaller_current_after_an_accepted_one_has_not_started() -> None:
    """The clamp goes from a compressor to a fan that runs: half an ampere, and no start was shown."""
    displayed = [
        *constant(300, 0, 8, 4, quantity=AMPS),
        *constant(50, 8, 30, 4, quantity=AMPS),
    ]
    (_, compressor), (fan, seconds) = settled_amps(displayed)
    assert compressor < 6
    assert fan == 0.5
    assert seconds < 6


def test_half_an_ampere_from_the_first_contact_has_not_started() -> None:
    ((amps, seconds),) = settled_amps(constant(50, 0, 30, 4, quantity=AMPS))
    assert amps == 0.5
    assert seconds < 6


def test_the_first_two_readings_of_a_slow_clamp_are_no_gap() -> None:
    """Nobody knows yet how often it sends; from the third one on a missing one is seen."""
    displayed = [
        *constant(0, 0, 2, 0.5, quantity=AMPS, step="0.1"),
        *constant(110, 2, 60, 0.5, quantity=AMPS, step="0.1"),
    ]
    ((amps, seconds),) = settled_amps(displayed)
    assert amps == 11.0
    assert seconds < 15


def test_few_counts_left_of_a_small_current_prove_the_clamp() -> None:
    """It has come down from three times as much, not from ten: the load changed."""
    displayed = [
        *constant(0, 0, 2, 4, quantity=AMPS),
        *constant(20, 2, 3, 4, quantity=AMPS),
        *constant(6, 3, 60, 4, quantity=AMPS),
    ]
    (state,) = settled_states(displayed)
    assert state.settled_reading is not None
    assert str(state.settled_reading.digits) == "0.06"
    assert not state.unproven


def test_a_small_motor_that_bounces_after_its_start_has_started() -> None:
    """A fan of 0.8 A starts with 4 A; the jaws slip for a moment: its current still falls."""
    displayed = motor(120, 2, 4, 4.0, 0.8)
    displayed[4 * 4] = shown(4.0, 0, quantity=AMPS, step="0.1")
    ((_, seconds),) = settled_amps(displayed)
    assert seconds > 10


# The noise of a display


def test_a_coarse_float_that_flickered_once_is_at_rest_as_soon_as_any_other() -> None:
    """45.2 and 45.3 of a meter that sends no step are neighbours, also while the display stands still."""
    values = ["45.2", "45.3", "45.2", *["45.3"] * 7]
    displayed = [
        Reading(Quantity.CAPACITANCE, Decimal(text), "µF", Timestamp(0, round(number * 1e8)))
        for number, text in enumerate(values)
    ]
    (state,) = settled_states(displayed)
    assert state.settling_time < 1


def noise_of(counts: list[float]) -> float:
    """Return the variance that a series of whole counts estimates, in counts²."""
    series = ValueSeries()
    for number, value in enumerate(counts):
        reading = shown(number / 10, round(value))
        series.add(reading, reading.digits or Decimal(0), number / 10)
    newest = counts[-1]
    return series._estimate_noise(0.01, round(sorted(counts)[len(counts) // 2] - newest)).variance


@pytest.mark.parametrize("sigma", [2.0, 3.0, 5.0])
def test_the_noise_of_a_display_is_estimated_from_its_second_differences(sigma: float) -> None:
    """A second difference of white noise has the variance 6σ²; the mean of the smaller squares is near 3σ²."""
    rng = Random(7)
    estimates = [noise_of([4500 + rng.gauss(0, sigma) for _ in range(40)]) for _ in range(60)]
    assert 0.75 < sum(estimates) / len(estimates) / sigma**2 < 1.25


def test_a_creep_has_no_noise() -> None:
    """A straight rise has no second difference, and a slow bend hardly any."""
    assert noise_of([4500 + 3 * number for number in range(40)]) == 0
    assert noise_of([4500 - 200 * math.exp(-number / 20) for number in range(40)]) < 0.1


def test_two_neighbours_have_a_variance_of_a_quarter() -> None:
    """No numbers within a span have more (Popoviciu's inequality, from memory)."""
    assert noise_of([4500, 4502] * 20) == pytest.approx(1.0)
    assert noise_of(list(islice(cycle([4500, 4501]), 40))) <= 0.2501  # sums of floats


@pytest.mark.parametrize("deviations", [1.5, 2.6, 3.0])
@pytest.mark.parametrize("readings", [20, 40])
def test_the_bound_of_noise_is_students(deviations: float, readings: int) -> None:
    """Against scipy: as many standard errors as contain the same share of a Student distribution."""
    window = _SplitWindow([float(number % 3) for number in range(readings)], _NoiseEstimate(0.0, 1))
    quantile = stats.t.ppf(NormalDist().cdf(deviations), readings - 2)
    assert window.noise_bound(deviations) / window.standard_error == pytest.approx(quantile, rel=0.005)
