"""Few counts of amps and volts: small values, pick-up of leads in the air, and last digits that alternate."""

from decimal import Decimal
from itertools import cycle, islice
from random import Random

import pytest

from meterlink.core.readings import Phase, Reading
from meterlink.core.units import Quantity
from meterlink.settling.detector import SettlingDetector
from support.settling_displays import accepted, constant, feed, settled_states, shown

AMPS, VOLTS = Quantity.CURRENT, Quantity.VOLTAGE


def digits_of(readings: list[Reading]) -> list[str]:
    return [str(reading.digits) for reading in accepted(feed(SettlingDetector(), readings))]


def test_a_small_motor_on_a_clamp_of_tenths_is_accepted() -> None:
    # A small fan takes 0.8 A: eight counts on a clamp of tenths, and steady. Common practice, no source.
    (state,) = settled_states(constant(8, 0, 8, quantity=AMPS, step="0.1"))
    assert state.settled_reading is not None
    assert str(state.settled_reading.digits) == "0.8"
    assert not state.unproven
    assert state.settling_time < 5
    displayed = [
        *constant(0, 0, 3, 3, quantity=AMPS, step="0.1"),
        *constant(8, 3, 12, 3, quantity=AMPS, step="0.1"),
    ]
    assert digits_of(displayed) == ["0.8"]


def test_the_drop_across_worn_contacts_is_accepted_on_a_display_of_tenths() -> None:
    # A meter that stays in its range of tenths shows 0.9 V across worn contacts: nine counts. Common practice, no
    # source. The leads showed 0.0 V in the air, so the contact is proven.
    displayed = [
        *constant(0, 0, 2, quantity=VOLTS, step="0.1"),
        *constant(9, 2, 8, quantity=VOLTS, step="0.1"),
    ]
    (state,) = settled_states(displayed)
    assert state.settled_reading is not None
    assert str(state.settled_reading.digits) == "0.9"
    assert not state.unproven
    assert 4 <= state.settling_time < 5


def test_few_volts_that_were_there_from_the_start_need_a_person() -> None:
    # Leads that lie beside live wires show a volt that never moves: the display cannot tell it from a contact.
    (state,) = settled_states(constant(9, 0, 8, quantity=VOLTS, step="0.1"))
    assert state.unproven


def test_what_is_left_when_the_probes_come_off_needs_a_person() -> None:
    for quantity, much, little in ((VOLTS, 2400, 6), (AMPS, 180, 5)):
        displayed = [
            *constant(much, 0, 15, quantity=quantity, step="0.1"),
            *constant(little, 15, 25, quantity=quantity, step="0.1"),
        ]
        first, second = settled_states(displayed)
        assert not first.unproven
        assert second.unproven
        lifted = [state for state in feed(SettlingDetector(), displayed) if state.probes_lifted]
        assert len(lifted) == 1


def test_the_next_contact_after_a_lift_is_proven() -> None:
    displayed = [
        *constant(2400, 0, 3, quantity=VOLTS, step="0.1"),
        *constant(2, 3, 5, quantity=VOLTS, step="0.1"),
        *constant(10, 5, 11, quantity=VOLTS, step="0.1"),
    ]
    states = settled_states(displayed)
    assert [(str(state.settled_reading.digits), state.unproven) for state in states if state.settled_reading] == [
        ("240.0", False),
        ("1.0", False),
    ]


@pytest.mark.parametrize("counts", [1, 2, 3])
def test_the_offset_of_a_clamp_is_nothing(counts: int) -> None:
    steps = feed(SettlingDetector(), constant(counts, 0, 20, quantity=AMPS, step="0.1"))
    assert {step.phase for step in steps} == {Phase.IDLE}


@pytest.mark.parametrize(("step", "counts"), [("0.01", 7), ("0.001", 60), ("0.0001", 450)])
def test_some_millivolts_are_nothing_until_the_display_rises(step: str, counts: int) -> None:
    # A millivolt range shows tens of millivolts with the leads in the air. Common practice, no source.
    steps = feed(SettlingDetector(), constant(counts, 0, 20, quantity=VOLTS, step=step))
    assert {step.phase for step in steps} == {Phase.IDLE}


def test_the_drop_across_good_contacts_is_accepted_on_a_fine_range() -> None:
    displayed = [
        *constant(1, 0, 2, quantity=VOLTS, step="0.001"),
        *constant(52, 2, 8, quantity=VOLTS, step="0.001"),
    ]
    assert digits_of(displayed) == ["0.052"]


@pytest.mark.parametrize(("unit", "step", "level"), [("mV", "0.1", 600), ("V", "0.001", 90), ("V", "0.1", 6)])
def test_pick_up_that_moves_with_the_hand_is_not_accepted(unit: str, step: str, level: int) -> None:
    rng = Random(7)
    for _ in range(20):
        counts, displayed = float(level), []
        for n in range(600):
            counts = max(0.0, counts + 0.2 * (level - counts) + rng.gauss(0, 0.25 * level))
            displayed.append(shown(n / 5, round(counts), quantity=VOLTS, step=step, unit=unit))
        assert all(state.unproven for state in settled_states(displayed))


def test_an_accepted_small_current_is_lifted_and_measured_again() -> None:
    displayed = [
        *constant(8, 0, 6, quantity=AMPS, step="0.1"),
        *constant(1, 6, 8, quantity=AMPS, step="0.1"),
        *constant(6, 8, 15, quantity=AMPS, step="0.1"),
    ]
    steps = feed(SettlingDetector(), displayed)
    assert [str(reading.digits) for reading in accepted(steps)] == ["0.8", "0.6"]
    assert sum(step.probes_lifted for step in steps) == 1


def test_a_small_current_that_flickers_about_the_largest_nothing_stays_accepted() -> None:
    pattern = cycle([4, 3, 4, 4, 3, 3, 4])
    displayed = [shown(n / 3, counts, quantity=AMPS, step="0.1") for n, counts in enumerate(islice(pattern, 5))]
    displayed = [shown(n / 3, 4, quantity=AMPS, step="0.1") for n in range(20)]
    displayed += [shown(7 + n / 3, next(pattern), quantity=AMPS, step="0.1") for n in range(60)]
    steps = feed(SettlingDetector(), displayed)
    assert len(accepted(steps)) == 1
    assert not any(step.probes_lifted for step in steps)


def test_a_current_that_crosses_ten_counts_is_one_measurement() -> None:
    pattern = cycle([10, 11])
    displayed = [*constant(0, 0, 2, 4, quantity=AMPS, step="0.1")]
    displayed += [shown(2 + n / 4, next(pattern), quantity=AMPS, step="0.1") for n in range(120)]
    steps = feed(SettlingDetector(), displayed)
    assert [str(reading.digits) in {"1.0", "1.1"} for reading in accepted(steps)] == [True]
    assert next(step for step in steps if step.settled_reading).settling_time < 12


def test_a_bounce_of_few_counts_starts_the_quiet_time_again() -> None:
    displayed = [
        *constant(0, 0, 2, quantity=VOLTS, step="0.1"),
        *constant(9, 2, 4.5, quantity=VOLTS, step="0.1"),
        *constant(0, 4.5, 4.8, quantity=VOLTS, step="0.1"),
        *constant(9, 4.8, 12, quantity=VOLTS, step="0.1"),
    ]
    (state,) = settled_states(displayed)
    assert state.settled_reading is not None
    assert not state.unproven
    assert state.settled_reading.timestamp.monotonic_ns >= 8.7e9


def test_a_person_may_accept_few_counts() -> None:
    detector = SettlingDetector()
    feed(detector, constant(6, 0, 1, quantity=VOLTS, step="0.1"))
    detector.accept(shown(1, 6, quantity=VOLTS, step="0.1"))
    steps = feed(detector, constant(6, 1, 8, quantity=VOLTS, step="0.1"))
    assert {step.phase for step in steps} == {Phase.ACCEPTED}
    assert not accepted(steps)


# A last digit that alternates


@pytest.mark.parametrize("pattern", [(0, 1), (0, 0, 1), (0, 1, 1), (0, 0, 1, 1), (0, 0, 0, 0, 1)])
@pytest.mark.parametrize("rate", [2.0, 3.0, 5.0, 10.0])
def test_a_last_digit_that_alternates_between_neighbours_is_steady(pattern: tuple[int, ...], rate: float) -> None:
    # The value lies between two digits of the display. Waiting longer shows nothing else.
    for quantity, step, most in (
        (Quantity.CAPACITANCE, "0.01", 8 / rate + 0.5),
        (VOLTS, "0.1", 8 / rate + 0.5),
        (AMPS, "0.1", max(4.5, 9 / rate)),
        (Quantity.TEMPERATURE, "0.1", 30.0),
    ):
        source = cycle(pattern)
        displayed = [shown(n / rate, 4500 + next(source), quantity=quantity, step=step) for n in range(int(40 * rate))]
        (state,) = settled_states(displayed)
        assert state.settled_reading is not None
        assert state.settled_reading.digits in {4500 * Decimal(step), 4501 * Decimal(step)}
        assert state.settling_time <= most, (quantity, rate)


def test_a_drift_from_one_neighbour_to_the_next_is_not_taken_for_an_alternation() -> None:
    # 1.25 counts a second, on a display that flickers where it changes: slower than a ramp, so it may be accepted, but
    # at its value at that moment.
    rng = Random(3)
    for _ in range(50):
        displayed = [shown(n / 10, round(1000 + n / 8 + rng.uniform(-0.4, 0.4))) for n in range(600)]
        for state in settled_states(displayed):
            assert state.settled_reading is not None
            seconds = state.settled_reading.timestamp.monotonic_ns * 1e-9
            assert abs(float(state.settled_reading.digits or 0) * 100 - (1000 + 1.25 * seconds)) < 1.5
