"""Slow quantities: temperatures on their way, the current of a motor after its start, capacitors that charge."""

import math
from collections.abc import Callable
from decimal import Decimal

import pytest

from meterlink.core.readings import Reading
from meterlink.core.units import Quantity
from support.settling_displays import constant, settled_states, shown

AMPS, OHMS, CELSIUS = Quantity.CURRENT, Quantity.RESISTANCE, Quantity.TEMPERATURE


def display_of(
    value: Callable[[float], float], seconds: float, rate: float, *, quantity: Quantity, step: str, unit: str = ""
) -> list[Reading]:
    size = float(Decimal(step))
    return [
        shown(n / rate, math.floor(value(n / rate) / size + 0.5), quantity=quantity, step=step, unit=unit)
        for n in range(round(seconds * rate))
    ]


def test_a_constant_temperature_takes_as_long_as_a_slow_sensor_could_hide() -> None:
    # A sheathed thermocouple of 4.5 mm in slow air has τ = 53 s (a cable maker's table, seen). With 0.3 °C to go it
    # moves a display of tenths by a count in 17 s, and with 1 °C to go a display of whole degrees in 42 s.
    for step, least, most in (("0.1", 17, 19), ("1", 41, 44)):
        (state,) = settled_states(constant(25, 0, 60, 2, quantity=CELSIUS, step=step))
        assert least <= state.settling_time <= most


@pytest.mark.parametrize("tau", [3.0, 10.0, 30.0, 60.0])
@pytest.mark.parametrize(("step", "left"), [("0.1", "0.3"), ("1", "1")])
@pytest.mark.parametrize(("begin", "end"), [(24.0, 12.5), (24.0, 55.0), (24.0, 26.2)])
def test_a_temperature_is_not_accepted_on_its_way(tau: float, step: str, left: str, begin: float, end: float) -> None:
    displayed = display_of(lambda now: end + (begin - end) * math.exp(-now / tau), 600, 2, quantity=CELSIUS, step=step)
    states = settled_states(displayed)
    assert len(states) == 1
    reading = states[0].settled_reading
    assert reading is not None
    assert reading.digits is not None
    assert abs(float(reading.digits) - end) <= float(Decimal(left)) + float(Decimal(step)) / 2


def test_a_sensor_with_a_fast_and_a_slow_part_is_not_accepted_when_the_fast_one_is_done() -> None:
    # Four fifths of the way within seconds, the clamp's body follows in a minute: 8 °C → 10 °C on a suction line.
    def temperature(now: float) -> float:
        return 8 + 20 * (0.8 * math.exp(-now / 3) + 0.2 * math.exp(-now / 50))

    for step, left in (("0.1", 0.35), ("1", 1.5)):
        (state,) = settled_states(display_of(temperature, 600, 2, quantity=CELSIUS, step=step))
        assert state.settled_reading is not None
        assert abs(float(state.settled_reading.digits or 0) - 8) <= left


def test_fahrenheit_is_judged_like_celsius() -> None:
    displayed = display_of(lambda now: 75 + 30 * math.exp(-now / 40), 600, 2, quantity=CELSIUS, step="0.1", unit="°F")
    (state,) = settled_states(displayed)
    assert state.settled_reading is not None
    assert abs(float(state.settled_reading.digits or 0) - 75) <= 0.6


def start(running: float, above: float, tau: float) -> Callable[[float], float]:
    """Return the current of a motor that starts after a second: ``above`` is its share above the running current."""

    def amps(now: float) -> float:
        if now < 1:
            return 0.0
        return running * (5 if now < 1.4 else 1 + above * math.exp(-(now - 1.4) / tau))

    return amps


@pytest.mark.parametrize("tau", [5.0, 20.0, 60.0])
@pytest.mark.parametrize(("running", "step"), [(10.8, "0.1"), (10.8, "0.01"), (2.4, "0.1"), (0.9, "0.1")])
@pytest.mark.parametrize("rate", [2.0, 4.0])
def test_the_current_after_a_start_is_not_accepted_on_its_way(
    tau: float, running: float, step: str, rate: float
) -> None:
    # The start of a small hermetic motor takes cycles to a second at four to six times the running current, and the
    # current falls further while motor and load come to their state. Common practice, no source.
    displayed = display_of(start(running, 0.15, tau), 300, rate, quantity=AMPS, step=step)
    states = settled_states(displayed)
    assert len(states) == 1
    assert states[0].settled_reading is not None
    off = abs(float(states[0].settled_reading.digits or 0) - running)
    assert off <= max(2.5 * float(step), 0.02 * running)
    assert states[0].settling_time > 10
    assert not states[0].unproven


def test_an_overload_of_the_clamp_is_a_start_too() -> None:
    amps = start(12.0, 0.1, 40.0)
    displayed = [
        shown(n / 3, None if 1 <= n / 3 < 1.7 else math.floor(amps(n / 3) * 10 + 0.5), quantity=AMPS, step="0.1")
        for n in range(900)
    ]
    (state,) = settled_states(displayed)
    assert state.settled_reading is not None
    assert abs(float(state.settled_reading.digits or 0) - 12) <= 0.3


@pytest.mark.parametrize("running", [11.0, 0.9])
def test_a_start_that_the_link_has_lost_is_a_start_too(running: float) -> None:
    displayed = display_of(start(running, 0.15, 40.0), 300, 4, quantity=AMPS, step="0.1")
    heard = [reading for reading in displayed if not 0.9 < reading.timestamp.monotonic_ns * 1e-9 < 1.45]
    (state,) = settled_states(heard)
    assert state.settled_reading is not None
    assert abs(float(state.settled_reading.digits or 0) - running) <= 0.3
    assert state.settling_time > 10


def test_a_clamp_around_a_running_lead_takes_seconds() -> None:
    (state,) = settled_states(constant(108, 0, 20, 3, quantity=AMPS, step="0.1"))
    assert 3 <= state.settling_time < 5


def test_a_start_beside_an_accepted_current_is_a_start() -> None:
    # The fan's current is accepted on the common lead; then the compressor starts on the same lead.
    def amps(now: float) -> float:
        return 1.5 + start(11.0, 0.15, 30.0)(now - 10)

    first, second = settled_states(display_of(amps, 300, 4, quantity=AMPS, step="0.1"))
    assert str(first.settled_reading.digits if first.settled_reading else "") == "1.5"
    assert second.settled_reading is not None
    assert abs(float(second.settled_reading.digits or 0) - 12.5) <= 0.3


# Ohms


@pytest.mark.parametrize("microfarads", [2, 45, 400, 1000])
@pytest.mark.parametrize("counts", [2000, 6000])
def test_ohms_that_a_charging_capacitor_drives_up_are_not_accepted(microfarads: float, counts: int) -> None:
    # t/C of a constant current (any textbook): 1000 Ω a second on 1000 µF, which a range of 10 kΩ steps shows rarely.
    displayed = []
    for n in range(1500):
        ohms = n / 5 / (microfarads * 1e-6)
        power = next((power for power in range(-1, 5) if ohms < counts * 10.0**power), None)
        number = None if power is None else math.floor(ohms / 10.0**power + 0.5)
        displayed.append(shown(n / 5, number, quantity=OHMS, step=f"1E{power or 0}"))
    assert not settled_states(displayed)


def test_a_bleeder_across_a_start_capacitor_is_accepted_at_its_end() -> None:
    # 15 kΩ across 200 µF: τ = 3 s.
    displayed = display_of(lambda now: -15_000 * math.expm1(-now / 3), 120, 4, quantity=OHMS, step="10")
    (state,) = settled_states(displayed)
    assert state.settled_reading is not None
    assert abs(float(state.settled_reading.digits or 0) - 15_000) <= 10


@pytest.mark.parametrize(("step", "least"), [("0.1", 0.8), ("100", 0.8), ("1000", 2.0), ("10000", 20.0)])
def test_megohms_wait_until_a_charging_capacitor_would_have_moved_them(step: str, least: float) -> None:
    (state,) = settled_states(constant(1234, 0, 40, quantity=OHMS, step=step))
    assert least <= state.settling_time < least + 0.2


def test_a_part_of_few_ohms_is_accepted_as_soon_as_before() -> None:
    (state,) = settled_states(constant(24, 0, 5, quantity=OHMS, step="0.1"))
    assert state.settling_time < 1
