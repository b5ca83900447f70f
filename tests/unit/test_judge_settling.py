"""Settling on made-up displays; the simulated meters come in the system tests."""

import math
from collections.abc import Iterable
from decimal import Decimal
from random import Random

import pytest

from meterlink.clock import Stamp
from meterlink.judge.settling import Phase, SettlingDetector, Step
from meterlink.readings import Reading, Status
from meterlink.units import Quantity


def reading(at: float, counts: int | None, *, quantity: Quantity = Quantity.CAPACITANCE, step: str = "0.01") -> Reading:
    unit = {Quantity.CAPACITANCE: "µF", Quantity.RESISTANCE: "Ω"}.get(quantity, "V")
    stamp = Stamp(0, round(at * 1e9))
    if counts is None:
        return Reading(quantity, None, unit, stamp, Status.OVERLOAD)
    return Reading(quantity, counts * Decimal(step), unit, stamp, resolution=Decimal(step))


def blank(at: float) -> Reading:
    return Reading(Quantity.CAPACITANCE, None, "µF", Stamp(0, round(at * 1e9)), Status.INVALID)


def feed(detector: SettlingDetector, readings: Iterable[Reading]) -> list[Step]:
    return [detector.feed(one) for one in readings]


def held(steps: list[Step]) -> list[Reading]:
    return [step.settled for step in steps if step.settled is not None]


def constant(counts: int | None, begin: float, end: float, rate: float = 10.0, **more: object) -> list[Reading]:
    return [
        reading(begin + n / rate, counts, **more)  # type: ignore[arg-type]
        for n in range(round((end - begin) * rate))
    ]


def test_a_constant_display_is_held_once_after_the_quiet_time() -> None:
    steps = feed(SettlingDetector(), constant(4500, 0, 5))
    assert [one.digits for one in held(steps)] == [Decimal("45.00")]
    first = next(step for step in steps if step.settled)
    assert 0.8 <= first.settled_in < 1.0
    assert steps[-1].phase is Phase.HELD


def test_progress_grows_towards_the_hold() -> None:
    steps = feed(SettlingDetector(), constant(4500, 0, 0.8))
    assert [step.progress for step in steps] == sorted(step.progress for step in steps)
    assert steps[0].touched
    assert not any(step.touched for step in steps[1:])


def test_a_slow_meter_needs_four_readings() -> None:
    steps = feed(SettlingDetector(), constant(4500, 0, 6, rate=2))
    index = next(n for n, step in enumerate(steps) if step.settled)
    assert index == 3


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
    assert sum(step.touched for step in steps) == 1
    assert not any(step.lifted for step in steps)
    assert next(step for step in steps if step.settled).settled_in >= 1.6


def test_lifted_and_clipped_again_is_a_new_measurement() -> None:
    steps = feed(
        SettlingDetector(),
        [*constant(4500, 0, 2), *constant(0, 2, 3), *constant(750, 3, 5)],
    )
    assert [one.digits for one in held(steps)] == [Decimal("45.00"), Decimal("7.50")]
    assert sum(step.lifted for step in steps) == 1
    assert sum(step.touched for step in steps) == 2


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
    detector.hold(reading(3, None, quantity=Quantity.RESISTANCE))
    assert feed(detector, constant(None, 3, 4, quantity=Quantity.RESISTANCE))[-1].phase is Phase.IDLE


def test_a_value_held_by_hand_waits_for_the_probes_to_move() -> None:
    detector = SettlingDetector()
    feed(detector, constant(30, 0, 0.3, quantity=Quantity.RESISTANCE))
    detector.hold(reading(0.3, 30, quantity=Quantity.RESISTANCE))
    steps = feed(detector, constant(30, 0.4, 3, quantity=Quantity.RESISTANCE))
    assert not held(steps)
    assert steps[-1].phase is Phase.HELD


def test_same_readings_give_the_same_steps() -> None:
    rng = Random(9)
    readings = [reading(n / 10, 4000 + rng.randrange(3)) for n in range(200)]
    assert feed(SettlingDetector(), readings) == feed(SettlingDetector(), readings)
