"""Settling on displays from a second generator, on which nothing was tuned.

It shares no code with `studies.settling`: every display is worked out step by step from a circuit or a body (Euler's
method), sampled by a converter that averages over its period, and rounded. Values and shares are our own choice; common
practice, no source.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal
from random import Random

import pytest

from meterlink.core.clock import Timestamp
from meterlink.core.readings import Reading, Status
from meterlink.core.units import Quantity
from meterlink.settling.detector import SettlingDetector

STEP = 0.01  # s of the integration


@dataclass(frozen=True)
class Converter:
    """Averages a value over its period and rounds it; it hears ``hiss`` counts of noise (standard deviation)."""

    rate: float
    digit: Decimal
    hiss: float
    rng: Random

    def displays(self, values: Iterator[float]) -> Iterator[tuple[float, int | None]]:
        """Yield ``(time, counts)``: None for an overload, which is an infinite value in the period."""
        per_reading = round(1 / self.rate / STEP)
        number = 0
        while True:
            period = [next(values) for _ in range(per_reading)]
            number += 1
            mean = sum(period) / per_reading
            if math.isinf(mean):
                yield number * per_reading * STEP, None
            else:
                yield number * per_reading * STEP, round(mean / float(self.digit) + self.rng.gauss(0, self.hiss))


def accept_first(
    converter: Converter, values: Iterator[float], quantity: Quantity, unit: str, seconds: float
) -> tuple[float, Decimal | None, bool] | None:
    """Return ``(time, digits, unproven)`` of the first accepted reading, None for none within ``seconds``."""
    detector = SettlingDetector()
    for time, counts in converter.displays(values):
        if time > seconds:
            return None
        stamp = Timestamp(0, round(time * 1e9))
        if counts is None:
            reading = Reading(quantity, None, unit, stamp, Status.OVERLOAD)
        else:
            reading = Reading(quantity, counts * converter.digit, unit, stamp, resolution=converter.digit)
        state = detector.feed(reading)
        if state.settled_reading is not None:
            return time, state.settled_reading.digits, state.unproven
    raise AssertionError  # the displays have no end


def random_converter(rng: Random, *digits: str) -> Converter:
    return Converter(rng.choice((2.0, 2.5, 4.0, 5.0, 10.0)), Decimal(rng.choice(digits)), rng.uniform(0, 0.25), rng)


def off(accepted: tuple[float, Decimal | None, bool] | None, end: float) -> float:
    """Return how far the accepted value is from ``end``; a test without an accepted value fails here."""
    assert accepted is not None
    assert accepted[1] is not None
    return abs(float(accepted[1]) - end)


# Bodies and circuits


def two_bodies(air: float, begin: float, bead_tau: float, shell_tau: float, coupling: float) -> Iterator[float]:
    """Yield the temperature of a bead in a shell: both follow the air, the bead also the shell."""
    bead = shell = begin
    while True:
        shell += (air - shell) * STEP / shell_tau
        bead += ((1 - coupling) * (air - bead) + coupling * (shell - bead)) * STEP / bead_tau
        yield bead


def motor(rng: Random, running: float) -> Iterator[float]:
    """Yield the current of a motor that is switched on after some seconds: speed first, then the windings' warmth."""
    wait, speed, warmth = rng.uniform(1, 4), 0.0, 0.0
    # A start of several cycles: a shorter one may hide in one reading with the time before it (docs/settling.md).
    inertia, torque = rng.uniform(0.3, 1.0), rng.uniform(1, 2)
    locked, cold, warm_tau = rng.uniform(3.5, 6), rng.uniform(0, 0.2), math.exp(rng.uniform(math.log(3), math.log(60)))
    time = 0.0
    while True:
        time += STEP
        if time < wait:
            yield 0.0
            continue
        speed = min(1.0, speed + torque * (1.05 - speed) * STEP / inertia)
        warmth += (1 - warmth) * STEP / warm_tau
        slip_current = 1 + (locked - 1) * math.sqrt(max(0.0, 1 - speed**4))
        yield running * slip_current * (1 + cold * (1 - warmth))


def charged_through_meter(farads: float, leak: float, top: float) -> Iterator[float]:
    """Yield the ohms of a capacitor with a leak across it: the voltage of a constant current, over that current."""
    volts_per_ampere = 0.0
    for _ in range(100):
        yield math.inf  # in the air
    while True:
        volts_per_ampere += (1 - volts_per_ampere / leak) / farads * STEP
        yield volts_per_ampere if volts_per_ampere < top else math.inf


def capacitance_meter(microfarads: float, current: float, wake: float) -> Iterator[float]:
    """Yield a capacitance that is measured by ramps: overload until the first ramp is over, then a filtered value."""
    for _ in range(100):
        yield 0.0
    ramp = microfarads * 1e-6 * 1.0 / current + wake  # s to one volt
    shown = 0.7 * microfarads
    time = 0.0
    while True:
        time += STEP
        if time < ramp:
            yield math.inf
        else:
            shown += (microfarads - shown) * STEP / max(0.2, ramp / 6)
            yield shown


def touched(value: float, stray: float, wait: float) -> Iterator[float]:
    """Yield the pick-up of the leads in the air, then a value."""
    time = 0.0
    while True:
        time += STEP
        yield value if time > wait else stray


# The checks


@pytest.mark.study(everyday=25, sample=50, full=3_000)  # displays
def test_a_temperature_is_near_its_end(study_size: int) -> None:
    rng = Random(20_261)
    for number in range(study_size):
        converter = random_converter(rng, "0.1", "1", "0.5")
        air, begin = rng.uniform(-5, 50), rng.uniform(10, 35)
        bead_tau = rng.uniform(1, 10)
        values = two_bodies(air, begin, bead_tau, rng.uniform(2, 50), rng.uniform(0, 0.8))
        accepted = accept_first(converter, values, Quantity.TEMPERATURE, "°C", 900)
        digit = float(converter.digit)
        # A third of a degree or a digit may be left, and half a digit is rounding.
        assert off(accepted, air) <= max(0.3, digit) + 0.6 * digit, (number, converter, air, begin, accepted)


@pytest.mark.study(everyday=25, sample=50, full=3_000)  # displays
def test_the_current_of_a_motor_is_near_its_end(study_size: int) -> None:
    rng = Random(20_262)
    for number in range(study_size):
        converter = random_converter(rng, "0.1", "0.01")
        digit = float(converter.digit)
        running = math.exp(rng.uniform(math.log(6 * digit), math.log(40)))
        accepted = accept_first(converter, motor(rng, running), Quantity.CURRENT, "A", 900)
        assert off(accepted, running) <= max(2 * digit, 0.02 * running) + 0.6 * digit, (number, running, accepted)


@pytest.mark.study(everyday=25, sample=50, full=3_000)  # displays
def test_ohms_across_a_capacitor_are_those_of_its_bleeder_or_none(study_size: int) -> None:
    rng = Random(20_263)
    for number in range(study_size):
        converter = random_converter(rng, "10", "100", "1000")
        digit = float(converter.digit)
        farads = math.exp(rng.uniform(math.log(5e-6), math.log(1e-3)))
        top = digit * rng.choice((2000, 6000))
        alone = charged_through_meter(farads, math.inf, top)
        assert accept_first(converter, alone, Quantity.RESISTANCE, "Ω", 120) is None, (number, farads, converter)
        leak = rng.uniform(30 * digit, 1000 * digit)
        if leak * farads > 20:
            continue  # longer than anybody waits
        accepted = accept_first(
            converter, charged_through_meter(farads, leak, top), Quantity.RESISTANCE, "Ω", 60 + 15 * leak * farads
        )
        assert off(accepted, leak) <= 1.5 * digit, (number, farads, leak, converter, accepted)


@pytest.mark.study(everyday=25, sample=50, full=3_000)  # displays
def test_an_overload_before_a_capacitance_is_not_accepted(study_size: int) -> None:
    rng = Random(20_264)
    for number in range(study_size):
        converter = random_converter(rng, "0.1", "1")
        microfarads = rng.uniform(60, 1200)
        values = capacitance_meter(microfarads, rng.uniform(6e-5, 1e-3), rng.uniform(0, 5))
        accepted = accept_first(converter, values, Quantity.CAPACITANCE, "µF", 300)
        assert off(accepted, microfarads) <= 1.6 * float(converter.digit), (number, microfarads, accepted)


@pytest.mark.study(everyday=25, sample=50, full=3_000)  # displays
def test_few_counts_that_are_steady_are_accepted(study_size: int) -> None:
    rng = Random(20_265)
    for number in range(study_size):
        quantity, unit = rng.choice(((Quantity.CURRENT, "A"), (Quantity.VOLTAGE, "V")))
        converter = random_converter(rng, "0.1")
        stray, value = rng.uniform(0, 0.08), rng.uniform(0.55, 1.0)
        accepted = accept_first(converter, touched(value, stray, rng.uniform(1.5, 5)), quantity, unit, 60)
        assert off(accepted, value) <= 0.16, (number, quantity, value, accepted)
        assert accepted is not None
        assert not accepted[2]


@pytest.mark.study(everyday=25, sample=50, full=3_000)  # displays
def test_pick_up_of_leads_in_the_air_proves_no_contact(study_size: int) -> None:
    rng = Random(20_266)

    def swaying(level: float) -> Iterator[float]:
        # The distance to the live wire sways with the arm: a pendulum of some seconds, damped and pushed.
        distance, speed, pull = 1.0, 0.0, rng.uniform(1, 6)
        while True:
            speed += (-pull * (distance - 1) - 0.8 * speed) * STEP + rng.gauss(0, 0.05)
            distance = max(0.3, distance + speed * STEP)
            yield level / distance

    for number in range(study_size):
        digit, unit = rng.choice((("0.1", "mV"), ("0.001", "V"), ("0.01", "V"), ("0.1", "V")))
        level = math.exp(rng.uniform(math.log(0.01), math.log(0.8))) * (1000 if unit == "mV" else 1)
        converter = random_converter(rng, digit)
        accepted = accept_first(converter, swaying(level), Quantity.VOLTAGE, unit, 120)
        assert accepted is None or accepted[2], (number, level, converter, accepted)


@pytest.mark.study(everyday=25, sample=50, full=3_000)  # displays
def test_volts_and_ohms_between_two_digits_are_accepted_soon(study_size: int) -> None:
    rng = Random(20_267)
    for number in range(study_size):
        quantity, unit = rng.choice(((Quantity.RESISTANCE, "Ω"), (Quantity.VOLTAGE, "V"), (Quantity.CAPACITANCE, "µF")))
        converter = random_converter(rng, "0.1")
        value = rng.randrange(50, 5000) * 0.1 + 0.05  # half-way: the last digit alternates
        air = math.inf if quantity is Quantity.RESISTANCE else 0.0
        accepted = accept_first(converter, touched(value, air, 1.0), quantity, unit, 60)
        assert off(accepted, value) <= 0.16, (number, quantity, value, accepted)
        assert accepted is not None
        assert accepted[0] - 1.0 <= 1.5 + 30 / converter.rate
