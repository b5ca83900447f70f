"""Settling on made-up displays; the simulated meters come in the system tests."""

import math
from collections.abc import Iterable
from dataclasses import replace
from decimal import Decimal
from random import Random

import pytest

from meterlink.core.clock import Timestamp
from meterlink.core.readings import Reading, Status
from meterlink.core.units import Quantity
from meterlink.settling.detector import Phase, SettlingDetector, SettlingState

UNITS = {Quantity.CAPACITANCE: "µF", Quantity.RESISTANCE: "Ω", Quantity.VOLTAGE: "V", Quantity.TEMPERATURE: "°C"}


def reading(at: float, counts: int | None, *, quantity: Quantity = Quantity.CAPACITANCE, step: str = "0.01") -> Reading:
    unit = UNITS[quantity]
    stamp = Timestamp(0, round(at * 1e9))
    if counts is None:
        return Reading(quantity, None, unit, stamp, Status.OVERLOAD)
    return Reading(quantity, counts * Decimal(step), unit, stamp, resolution=Decimal(step))


def blank(at: float) -> Reading:
    return Reading(Quantity.CAPACITANCE, None, "µF", Timestamp(0, round(at * 1e9)), Status.INVALID)


def feed(detector: SettlingDetector, readings: Iterable[Reading]) -> list[SettlingState]:
    return [detector.feed(one) for one in readings]


def held(steps: list[SettlingState]) -> list[Reading]:
    return [step.settled_reading for step in steps if step.settled_reading is not None]


def constant(counts: int | None, begin: float, end: float, rate: float = 10.0, **more: object) -> list[Reading]:
    return [
        reading(begin + n / rate, counts, **more)  # type: ignore[arg-type]
        for n in range(round((end - begin) * rate))
    ]


def test_a_constant_display_is_held_once_after_the_quiet_time() -> None:
    steps = feed(SettlingDetector(), constant(4500, 0, 5))
    assert [one.digits for one in held(steps)] == [Decimal("45.00")]
    first = next(step for step in steps if step.settled_reading)
    assert 0.8 <= first.settling_time < 1.0
    assert steps[-1].phase is Phase.ACCEPTED


def test_progress_grows_towards_the_hold() -> None:
    steps = feed(SettlingDetector(), constant(4500, 0, 0.8))
    assert [step.progress for step in steps] == sorted(step.progress for step in steps)
    assert steps[0].probes_touched
    assert not any(step.probes_touched for step in steps[1:])


def test_a_slow_meter_needs_five_readings() -> None:
    steps = feed(SettlingDetector(), constant(4500, 0, 6, rate=2))
    index = next(n for n, step in enumerate(steps) if step.settled_reading)
    assert index == 4


def test_an_endless_ramp_is_never_held() -> None:
    assert not held(feed(SettlingDetector(), [reading(n / 10, 1000 + n) for n in range(600)]))
    # … nor a slow one, a count every 0.7 s
    assert not held(feed(SettlingDetector(), [reading(n / 10, 1000 + n // 7) for n in range(600)]))


@pytest.mark.parametrize("tau", [0.1, 0.4, 1.0, 2.0])
@pytest.mark.parametrize("rate", [2.0, 5.0, 10.0])
def test_a_creeping_display_is_held_within_a_count_of_its_end(tau: float, rate: float) -> None:
    for final in (447.3, 1250.4, 4999.6):
        steps = feed(
            SettlingDetector(),
            (reading(n / rate, round(final * (1 - math.exp(-n / rate / tau)))) for n in range(1, round(60 * rate))),
        )
        (one,) = held(steps)
        assert one.digits is not None
        assert abs(one.digits * 100 - round(final)) <= 1


def test_a_flickering_display_is_held_near_its_middle() -> None:
    rng = Random(4)
    for _ in range(50):
        steps = feed(SettlingDetector(), [reading(n / 10, 4500 + rng.choice((-1, 0, 0, 1))) for n in range(300)])
        (one,) = held(steps)
        assert one.digits is not None
        assert abs(one.digits * 100 - 4500) <= 1


def test_a_bounce_starts_the_quiet_time_again_but_not_the_measurement() -> None:
    steps = feed(
        SettlingDetector(),
        [*constant(4500, 0, 0.6), *constant(0, 0.6, 0.8), *constant(4500, 0.8, 2.0)],
    )
    assert len(held(steps)) == 1
    assert sum(step.probes_touched for step in steps) == 1
    assert not any(step.probes_lifted for step in steps)
    assert next(step for step in steps if step.settled_reading).settling_time >= 1.6


def test_lifted_and_clipped_again_is_a_new_measurement() -> None:
    steps = feed(
        SettlingDetector(),
        [*constant(4500, 0, 2), *constant(0, 2, 3), *constant(750, 3, 5)],
    )
    assert [one.digits for one in held(steps)] == [Decimal("45.00"), Decimal("7.50")]
    assert sum(step.probes_lifted for step in steps) == 1
    assert sum(step.probes_touched for step in steps) == 2


def test_moved_without_a_lift_is_a_new_measurement_too() -> None:
    steps = feed(SettlingDetector(), [*constant(4500, 0, 2), *constant(750, 2, 4)])
    assert [one.digits for one in held(steps)] == [Decimal("45.00"), Decimal("7.50")]


def test_a_change_of_range_starts_the_quiet_time_again() -> None:
    steps = feed(
        SettlingDetector(),
        [*constant(4500, 0, 0.6), *(blank(0.6 + n / 10) for n in range(3)), *constant(450, 0.9, 2.5, step="0.1")],
    )
    (one,) = held(steps)
    assert str(one.digits) == "45.0"


def test_nothing_on_the_probes_is_never_held() -> None:
    assert not held(feed(SettlingDetector(), constant(0, 0, 10)))
    assert not held(feed(SettlingDetector(), constant(None, 0, 10, quantity=Quantity.RESISTANCE)))


def test_an_open_coil_is_held_only_when_somebody_says_so() -> None:
    detector = SettlingDetector()
    feed(detector, constant(None, 0, 3, quantity=Quantity.RESISTANCE))
    detector.accept(reading(3, None, quantity=Quantity.RESISTANCE))
    assert feed(detector, constant(None, 3, 4, quantity=Quantity.RESISTANCE))[-1].phase is Phase.IDLE


def test_a_value_held_by_hand_waits_for_the_probes_to_move() -> None:
    detector = SettlingDetector()
    feed(detector, constant(30, 0, 0.3, quantity=Quantity.RESISTANCE))
    detector.accept(reading(0.3, 30, quantity=Quantity.RESISTANCE))
    steps = feed(detector, constant(30, 0.4, 3, quantity=Quantity.RESISTANCE))
    assert not held(steps)
    assert steps[-1].phase is Phase.ACCEPTED


def test_same_readings_give_the_same_steps() -> None:
    rng = Random(9)
    readings = [reading(n / 10, 4000 + rng.randrange(3)) for n in range(200)]
    assert feed(SettlingDetector(), readings) == feed(SettlingDetector(), readings)


def creep(final: float, tau: float, rate: float, rng: Random, flicker: float = 0.0) -> Iterable[Reading]:
    """Come up on ``final`` counts for a minute; a share of the readings is a count off beyond rounding and noise."""
    for n in range(1, round(60 * rate)):
        counts = final * (1 - math.exp(-n / rate / tau)) + rng.uniform(-0.3, 0.3)
        by = rng.choice((-1, 1)) if rng.random() < flicker else 0
        yield reading(n / rate, math.floor(counts + 0.5) + by)


@pytest.mark.parametrize("flicker", [0.0, 0.4])
def test_a_creep_with_a_flickering_end_is_held_within_a_count_and_soon(flicker: float) -> None:
    rng = Random(12)
    late = []
    for _ in range(300):
        final, tau, rate = rng.uniform(200, 6000), rng.uniform(0.2, 0.7), rng.choice((5.0, 10.0))
        (step,) = (
            one for one in feed(SettlingDetector(), creep(final, tau, rate, rng, flicker)) if one.settled_reading
        )
        assert step.settled_reading is not None
        assert step.settled_reading.digits is not None
        assert abs(step.settled_reading.digits * 100 - math.floor(final + 0.5)) <= 1
        late.append(step.settling_time - tau * math.log(final / 0.5))  # since half a count was to go
    late.sort()
    assert late[150] < (3 if flicker else 1.5)
    assert late[-1] < 15


def test_a_heavy_flicker_takes_seconds_not_tens_of_seconds() -> None:
    rng = Random(5)
    took = []
    for _ in range(100):
        shown = [reading(n / 10, 4500 + (rng.choice((-1, 1)) if rng.random() < 0.4 else 0)) for n in range(300)]
        (step,) = (one for one in feed(SettlingDetector(), shown) if one.settled_reading)
        took.append(step.settling_time)
    took.sort()
    assert took[50] < 2
    assert took[-1] < 8


@pytest.mark.parametrize("speed", [3.0, -3.0, 5.0, 40.0])
@pytest.mark.parametrize("rate", [2.0, 5.0, 10.0])
def test_a_ramp_is_never_held_with_noise_either(speed: float, rate: float) -> None:
    rng = Random(6)
    for _ in range(30):
        begin = 3000 + rng.random()
        assert not held(
            feed(
                SettlingDetector(),
                [
                    reading(n / rate, math.floor(begin + speed * n / rate + rng.uniform(-0.3, 0.3) + 0.5))
                    for n in range(round(20 * rate))
                ],
            )
        )


def test_a_drift_too_slow_to_see_is_held_at_what_it_shows() -> None:
    # A count in ten seconds is no ramp: in the quiet time nothing moves.
    steps = feed(SettlingDetector(), [reading(n / 10, 1000 + n // 100) for n in range(600)])
    assert held(steps)[0].digits == Decimal("10.00")


def test_a_temperature_takes_longer() -> None:
    steps = feed(SettlingDetector(), constant(251, 0, 10, quantity=Quantity.TEMPERATURE, step="0.1"))
    assert next(step for step in steps if step.settled_reading).settling_time >= 5.9
    # A surface that warms by a tenth of a degree a second, which a bead follows late, is not held.
    warming = [reading(n / 10, 250 + n // 10, quantity=Quantity.TEMPERATURE, step="0.1") for n in range(400)]
    assert not held(feed(SettlingDetector(), warming))


def test_a_gap_starts_the_quiet_time_again() -> None:
    steps = feed(SettlingDetector(), [*constant(4500, 0, 0.6), *constant(4500, 4.0, 6.0)])
    (one,) = held(steps)
    assert 4.8 <= one.timestamp.monotonic_ns * 1e-9 <= 4.95


def test_a_short_gap_does_not() -> None:
    steps = feed(SettlingDetector(), [*constant(4500, 0, 0.4), *constant(4500, 1.4, 3.0)])
    (one,) = held(steps)
    assert one.timestamp.monotonic_ns * 1e-9 < 2.2


def test_a_meter_slower_than_a_gap_is_held_all_the_same() -> None:
    assert len(held(feed(SettlingDetector(), constant(4500, 0, 60, rate=0.4)))) == 1


def test_a_creep_is_remembered_across_a_gap() -> None:
    # Large capacitor, link lost near the end of its creep: what comes after looks still, but is three counts short.
    tau, final = 2.2, 4000
    shown = [reading(n / 10, round(final * (1 - math.exp(-n / 10 / tau)))) for n in range(1, 600)]
    lost = [one for one in shown if not 8.0 < one.timestamp.monotonic_ns * 1e-9 < 15.5]
    (one,) = held(feed(SettlingDetector(), lost))
    assert one.digits == Decimal("40.00")


def test_a_hold_stands_over_a_gap() -> None:
    detector = SettlingDetector()
    assert held(feed(detector, constant(4500, 0, 2)))
    steps = feed(detector, constant(4501, 9, 12))
    assert {step.phase for step in steps} == {Phase.ACCEPTED}
    assert not held(steps)


def test_overload_while_charging_is_not_held_but_what_follows_is() -> None:
    for seconds in (0.3, 1.0, 1.5):
        shown = [*constant(None, 0, seconds), *constant(8012, seconds, seconds + 3)]
        (one,) = held(feed(SettlingDetector(), shown))
        assert one.digits == Decimal("80.12")


def test_lasting_overload_is_held() -> None:
    (one,) = held(feed(SettlingDetector(), constant(None, 0, 5)))
    assert one.status is Status.OVERLOAD
    assert 3.0 <= one.timestamp.monotonic_ns * 1e-9 < 3.2


def test_a_value_after_a_held_overload_is_a_new_measurement() -> None:
    steps = feed(SettlingDetector(), [*constant(None, 0, 4), *constant(8012, 4, 7)])
    assert [one.status for one in held(steps)] == [Status.OVERLOAD, Status.OK]


@pytest.mark.parametrize("counts", [-1, -3, -9, -40])
def test_a_negative_offset_of_open_leads_is_nothing(counts: int) -> None:
    steps = feed(SettlingDetector(), constant(counts, 0, 5))
    assert {step.phase for step in steps} == {Phase.IDLE}


def test_a_negative_voltage_is_something_unless_it_is_a_few_counts() -> None:
    assert not held(feed(SettlingDetector(), constant(-7, 0, 5, quantity=Quantity.VOLTAGE)))
    assert held(feed(SettlingDetector(), constant(-2400, 0, 5, quantity=Quantity.VOLTAGE)))


def test_a_held_nought_may_flicker() -> None:
    steps = feed(
        SettlingDetector(),
        [
            *constant(0, 0, 2, quantity=Quantity.RESISTANCE, step="0.1"),
            *constant(1, 2, 4, quantity=Quantity.RESISTANCE, step="0.1"),
        ],
    )
    assert len(held(steps)) == 1
    assert steps[-1].phase is Phase.ACCEPTED


def test_a_low_battery_changes_nothing() -> None:
    shown = constant(4500, 0, 3)
    low = [replace(one, low_battery=n > 4) for n, one in enumerate(shown)]
    plain, marked = feed(SettlingDetector(), shown), feed(SettlingDetector(), low)
    assert [step.phase for step in plain] == [step.phase for step in marked]
    assert held(marked)[0].low_battery


def test_a_single_wrong_reading_starts_the_quiet_time_again() -> None:
    shown = constant(4500, 0, 4)
    shown[6] = reading(0.6, 5200)
    (one,) = held(feed(SettlingDetector(), shown))
    assert one.digits == Decimal("45.00")
    assert one.timestamp.monotonic_ns * 1e-9 >= 1.4


def test_a_wrong_reading_is_never_the_one_held() -> None:
    for wrong in range(5, 20):
        shown = constant(4500, 0, 4)
        shown[wrong] = reading(wrong / 10, 5200)
        assert [one.digits for one in held(feed(SettlingDetector(), shown))] == [Decimal("45.00")]


def floats(values: Iterable[float], rate: float = 10.0, quantity: Quantity = Quantity.CAPACITANCE) -> list[Reading]:
    """Readings of a meter that does not tell its step, as a binary float."""
    return [
        Reading(quantity, Decimal(value), UNITS[quantity], Timestamp(0, round(n / rate * 1e9)))
        for n, value in enumerate(values)
    ]


def test_a_float_within_its_fourth_digit_is_held() -> None:
    rng = Random(2)
    (one,) = held(feed(SettlingDetector(), floats(44.6321 + rng.uniform(-0.004, 0.004) for _ in range(100))))
    assert one.value == pytest.approx(44.63e-6, abs=0.01e-6)
    assert one.timestamp.monotonic_ns * 1e-9 < 2


def test_a_creeping_float_is_held_at_its_end() -> None:
    for tau in (0.2, 0.5, 2.0):
        shown = floats(44.6321 * (1 - math.exp(-n / 10 / tau)) for n in range(1, 600))
        (one,) = held(feed(SettlingDetector(), shown))
        assert one.value == pytest.approx(44.6321e-6, abs=0.01e-6)


def test_a_float_of_a_coarse_display_tells_its_step_by_its_changes() -> None:
    # 45.2 and 45.3 of a 2000-count meter: a flicker of one count, not of ten.
    rng = Random(3)
    (one,) = held(feed(SettlingDetector(), floats(rng.choice((45.2, 45.3)) for _ in range(100))))
    assert one.timestamp.monotonic_ns * 1e-9 < 3


def test_a_ramping_float_is_never_held() -> None:
    assert not held(feed(SettlingDetector(), floats(20 + 0.0371 * n for n in range(400))))


def test_a_float_that_wanders_about_nought_is_idle() -> None:
    rng = Random(4)
    noise = [rng.gauss(0, 0.002) for _ in range(100)]
    assert not held(feed(SettlingDetector(), floats(noise, quantity=Quantity.VOLTAGE)))
