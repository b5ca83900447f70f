"""The charge of a capacitor: peak voltage, stored energy, and the time a resistor needs to discharge it.

The formulas assume a sound capacitor and a sound resistor. A resistor can be open and a lead can be off, so the result
is a time to wait before measuring; the voltage must be measured anyway.
"""

from math import exp, log, sqrt

from meterlink.core.errors import InputError

# NEC 460.6 (2020 and earlier, low-voltage capacitors): 50 V or less within 1 minute of disconnection. The article
# excludes capacitors that are parts of other apparatus (from memory), for example a unit's run capacitor, so here it is
# a caution only.
RESIDUAL_VOLTAGE_LIMIT = 50.0  # V
DISCHARGE_TIME_LIMIT = 60.0  # s


def peak_voltage(volts_rms: float) -> float:
    """Return the peak √2·V of a sine wave of ``volts_rms``: the highest voltage of a remaining charge (textbook)."""
    return sqrt(2) * volts_rms


def stored_energy(farads: float, volts: float) -> float:
    """Return the energy CV²/2 in joules at ``volts`` DC (textbook).

    Raises:
        InputError: ``farads`` is not above zero.
    """
    return _positive(farads, "capacitance", "F") * volts**2 / 2


def residual_voltage(volts: float, farads: float, ohms: float, seconds: float) -> float:
    """Return the volts left after ``seconds``: V·e^(-t/RC) (textbook), from ``volts`` DC through ``ohms``.

    Raises:
        InputError: ``farads`` or ``ohms`` is not above zero.
    """
    return volts * exp(-seconds / (_positive(ohms, "resistance", "Ω") * _positive(farads, "capacitance", "F")))


def bleed_down_time(volts: float, farads: float, ohms: float, threshold: float = RESIDUAL_VOLTAGE_LIMIT) -> float:
    """Return the seconds RC·ln(V/threshold) until ``threshold`` volts are left (textbook); 0 when already below.

    Raises:
        InputError: an argument is not above zero.
    """
    tau = _positive(ohms, "resistance", "Ω") * _positive(farads, "capacitance", "F")
    return tau * _time_constants(volts, threshold)


def max_bleed_resistance(
    volts: float, farads: float, seconds: float = DISCHARGE_TIME_LIMIT, threshold: float = RESIDUAL_VOLTAGE_LIMIT
) -> float:
    """Return the highest ohms t/(C·ln(V/threshold)) that discharge to ``threshold`` volts within ``seconds``.

    Infinite when ``volts`` is not above the threshold.

    Raises:
        InputError: an argument is not above zero.
    """
    farads_by_time_constants = _positive(farads, "capacitance", "F") * _time_constants(volts, threshold)
    return _positive(seconds, "time", "s") / farads_by_time_constants if farads_by_time_constants else float("inf")


def _time_constants(volts: float, threshold: float) -> float:
    return max(0.0, log(_positive(volts, "voltage", "V") / _positive(threshold, "threshold", "V")))


def _positive(value: float, name: str, unit: str) -> float:
    if value <= 0:
        raise InputError(f"A {name} of {value:g} {unit} is not above zero.", "Check the number.")
    return value
