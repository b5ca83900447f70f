"""Measured values from the text of a display, such as ``43.1 uF``."""

from meterlink.core.readings import Coupling
from meterlink.core.units import Quantity, parse_amount
from meterlink.judge.measured_value import MeasuredValue


def measured(text: str, quantity: Quantity, coupling: Coupling | None = None) -> MeasuredValue:
    """Return the value of a display that shows ``text``, in that function."""
    return MeasuredValue.from_amount(quantity, parse_amount(text, quantity), coupling)


def farads(text: str) -> MeasuredValue:
    return measured(text, Quantity.CAPACITANCE)


def ohms(text: str) -> MeasuredValue:
    return measured(text, Quantity.RESISTANCE)


def volts(text: str) -> MeasuredValue:
    return measured(text, Quantity.VOLTAGE)
