"""Winding resistance and temperature: the linear law R ∝ k + t, with one constant k per metal.

Sources: IEC 60034-1 (from memory) and the resistance method in UL appliance standards. It applies to the operating
temperatures of windings, about -50 to 200 °C.
"""

from enum import Enum

from meterlink.core.errors import InputError

_COLDEST, _HOTTEST = -50.0, 250.0  # °C; a winding outside these means a wrong reading


class WindingMetal(Enum):
    """A winding metal and its constant k in °C: R extrapolates to zero at -k."""

    COPPER = 234.5  # annealed copper, 1/0.003 929 3 - 20: UL practice; it gives the usual 0.003 93 per K at 20 °C
    COPPER_IEC = 235.0  # IEC 60034-1 (from memory); differs from 234.5 by at most 0.04 % up to 75 °C
    ALUMINIUM = 225.0  # electrical-conductor aluminium, UL and IEC 60034-1 practice; 228 is another convention


def resistance_at_temperature(
    ohms: float, measured_celsius: float, reference_celsius: float, metal_constant: float
) -> float:
    """Convert a resistance from ``measured_celsius`` to ``reference_celsius``: R·(k + t_ref)/(k + t), in Ω.

    Source: IEC 60034-1 (from memory).

    Raises:
        InputError: a temperature is not plausible for a winding, or the resistance is not above zero.
    """
    return (
        _check_positive(ohms)
        * (metal_constant + _check_plausible(reference_celsius, metal_constant))
        / (metal_constant + _check_plausible(measured_celsius, metal_constant))
    )


def winding_temperature(cold_ohms: float, cold_celsius: float, hot_ohms: float, metal_constant: float) -> float:
    """Return the mean temperature of a winding in °C: (R_hot/R_cold)·(k + t_cold) - k.

    Source: the resistance method of IEC 60034-1 (from memory) and UL appliance standards. The temperature rise is this
    minus the ambient at the time of the hot reading.

    Raises:
        InputError: the cold temperature is not plausible for a winding, or a resistance is not above zero.
    """
    return (
        _check_positive(hot_ohms)
        / _check_positive(cold_ohms)
        * (metal_constant + _check_plausible(cold_celsius, metal_constant))
        - metal_constant
    )


def is_plausible_temperature(celsius: float) -> bool:
    """Return whether a winding can have this temperature (-50 to 250 °C); if not, a reading is wrong."""
    return _COLDEST <= celsius <= _HOTTEST


def _check_plausible(celsius: float, k: float) -> float:
    if not is_plausible_temperature(celsius) or k + celsius <= 0:
        raise InputError(
            f"{celsius:g} °C is not plausible for a winding.", f"Give one from {_COLDEST:g} to {_HOTTEST:g} °C."
        )
    return celsius


def _check_positive(ohms: float) -> float:
    if ohms <= 0:
        raise InputError(
            f"The winding resistance {ohms:g} Ω is not above zero.", "Check the reading, or zero the meter's leads."
        )
    return ohms
