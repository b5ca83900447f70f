"""The abilities of a simulated meter: functions, ranges, accuracy lines, and the fixed errors of one specimen."""

import math
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum
from random import Random

from meterlink.core.readings import Coupling
from meterlink.core.units import Amount, Quantity, to_base
from meterlink.judge.uncertainty import AccuracyLine


class MeterFunction(StrEnum):
    """Positions of the dial."""

    CAPACITANCE = "capacitance"
    RESISTANCE = "resistance"
    AC_VOLTS = "AC volts"
    DC_VOLTS = "DC volts"
    FREQUENCY = "frequency"
    TEMPERATURE = "temperature"
    AC_AMPS = "AC amps"

    @property
    def quantity(self) -> Quantity:
        """The measured quantity."""
        return _QUANTITY[self]

    @property
    def coupling(self) -> Coupling | None:
        """AC or DC; None where the display shows neither."""
        return _COUPLING.get(self)

    @property
    def signed(self) -> bool:
        """Whether the display can show a minus."""
        return self in {MeterFunction.DC_VOLTS, MeterFunction.TEMPERATURE}


_QUANTITY = {
    MeterFunction.CAPACITANCE: Quantity.CAPACITANCE,
    MeterFunction.RESISTANCE: Quantity.RESISTANCE,
    MeterFunction.AC_VOLTS: Quantity.VOLTAGE,
    MeterFunction.DC_VOLTS: Quantity.VOLTAGE,
    MeterFunction.FREQUENCY: Quantity.FREQUENCY,
    MeterFunction.TEMPERATURE: Quantity.TEMPERATURE,
    MeterFunction.AC_AMPS: Quantity.CURRENT,
}
_COUPLING = {
    MeterFunction.AC_VOLTS: Coupling.AC,
    MeterFunction.DC_VOLTS: Coupling.DC,
    MeterFunction.AC_AMPS: Coupling.AC,
}

# A specimen in calibration uses up to half of its accuracy line; the other half is left for drift.
_ACCURACY_SHARE = 0.5
# Noise before rounding, in counts either way: with probes on a part, and with open leads, which pick up hum.
NOISE = 0.3
OPEN_NOISE = 1.0
# Capacitance that open leads add to the display, F (some 30 cm of test lead). Common practice, no source.
STRAY_FARADS = 40e-12


@dataclass(frozen=True, slots=True)
class Range:
    """One range: ``full_scale`` as printed (``60.00 µF``) is never quite reached; its last place is one count.

    ``accuracy`` allows at least one digit.
    """

    full_scale: Amount
    accuracy: AccuracyLine

    @property
    def unit(self) -> str:
        """The display unit."""
        return self.full_scale.unit

    @property
    def max_counts(self) -> int:
        """Counts of the highest display: 5999 on a 6000-count meter."""
        return int(self.full_scale.digits / self.full_scale.resolution) - 1

    @property
    def count_value(self) -> float:
        """One count in the base unit of the quantity."""
        return float(to_base(self.full_scale.resolution, self.full_scale.unit))

    def display_digits(self, counts: int) -> Decimal:
        """Return the displayed number for ``counts``, trailing zeros kept."""
        return counts * self.full_scale.resolution


@dataclass(frozen=True, slots=True)
class FunctionSpec:
    """A function with its ranges, lowest first."""

    function: MeterFunction
    ranges: tuple[Range, ...]


@dataclass(frozen=True, slots=True)
class MeterSpec:
    """A kind of meter, and one specimen of it: ``seed`` fixes its errors.

    ``rate`` is display refreshes a second; ``battery`` and ``low_battery_percent`` are in percent, ``drain`` in percent
    a minute. ``encoding`` and ``variant`` choose its radio protocol (`meterlink_simulators.encoders.catalogue`).
    """

    name: str
    address: str
    seed: int
    rate: float
    counts: int
    functions: tuple[FunctionSpec, ...]
    battery: float = 100.0
    drain: float = 0.0
    low_battery_percent: float = 10.0
    encoding: str = "presented"
    variant: int = 0


class SystematicError:
    """The error of one specimen in one range: a gain and an offset, drawn once from its seed.

    With `NOISE` and rounding they stay within the accuracy line: the offset uses at most half of the digits beyond
    the first, and noise and half a count of rounding fit into the first.
    """

    def __init__(self, seed: int, function: MeterFunction, range_number: int, scale: Range) -> None:
        rng = Random(f"{seed}/{function}/{range_number}")
        accuracy = scale.accuracy
        self._gain = 1 + rng.uniform(-_ACCURACY_SHARE, _ACCURACY_SHARE) * float(accuracy.percent) / 100
        self._offset = rng.uniform(-_ACCURACY_SHARE, _ACCURACY_SHARE) * float(accuracy.digits - 1)
        self._count = scale.count_value
        self._signed = function.signed

    def counts(self, value: float, noise: float = 0.0) -> int:
        """Return the counts shown for ``value`` (base unit), with ``noise`` counts added before rounding."""
        counts = math.floor(value / self._count * self._gain + self._offset + noise + 0.5)
        return counts if self._signed else max(0, counts)
