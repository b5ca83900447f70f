"""What a simulated meter can measure: functions, ranges, accuracy lines, and the fixed errors of one specimen."""

import math
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum
from random import Random

from meterlink.core.readings import Coupling
from meterlink.core.units import Amount, Quantity, to_base
from meterlink.judge.uncertainty import AccuracyLine


class Function(StrEnum):
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
        """What is measured."""
        return _QUANTITY[self]

    @property
    def coupling(self) -> Coupling | None:
        """AC or DC, where the display says so."""
        return _COUPLING.get(self)

    @property
    def signed(self) -> bool:
        """Whether the display can show a minus."""
        return self in {Function.DC_VOLTS, Function.TEMPERATURE}


_QUANTITY = {
    Function.CAPACITANCE: Quantity.CAPACITANCE,
    Function.RESISTANCE: Quantity.RESISTANCE,
    Function.AC_VOLTS: Quantity.VOLTAGE,
    Function.DC_VOLTS: Quantity.VOLTAGE,
    Function.FREQUENCY: Quantity.FREQUENCY,
    Function.TEMPERATURE: Quantity.TEMPERATURE,
    Function.AC_AMPS: Quantity.CURRENT,
}
_COUPLING = {Function.AC_VOLTS: Coupling.AC, Function.DC_VOLTS: Coupling.DC, Function.AC_AMPS: Coupling.AC}

# A specimen in calibration uses up to half of its accuracy line; the other half is left for drift until the next one.
_SHARE_USED = 0.5
# Noise before rounding, in counts either way: with probes on a part, and with open leads, which pick up hum.
NOISE = 0.3
OPEN_NOISE = 1.0
# Added to the indication by leads lying open on capacitance, F (some 30 cm of test lead). Common practice, no source.
STRAY_FARADS = 40e-12


@dataclass(frozen=True, slots=True)
class Range:
    """One range: ``full`` is the full scale as printed (``60.00 µF``), never quite reached; its last place a count.

    ``accuracy`` allows at least one digit.
    """

    full: Amount
    accuracy: AccuracyLine

    @property
    def unit(self) -> str:
        """The display unit."""
        return self.full.unit

    @property
    def most(self) -> int:
        """Counts of the highest display: 5999 on a 6000-count meter."""
        return int(self.full.digits / self.full.resolution) - 1

    @property
    def count(self) -> float:
        """One count in the base unit of the quantity."""
        return float(to_base(self.full.resolution, self.full.unit))

    def digits(self, counts: int) -> Decimal:
        """Return the display for a number of counts, trailing zeros kept."""
        return counts * self.full.resolution


@dataclass(frozen=True, slots=True)
class FunctionSpec:
    """A function with its ranges, lowest first."""

    function: Function
    ranges: tuple[Range, ...]


@dataclass(frozen=True, slots=True)
class MeterSpec:
    """A kind of meter and the specimen at hand.

    ``rate`` is display refreshes a second; ``battery`` and ``low_below`` are in percent, ``drain`` in percent a minute.
    ``encoding`` and ``variant`` are what it speaks on the air (see `meterlink_simulators.encoders.catalogue`).
    """

    name: str
    address: str
    seed: int
    rate: float
    counts: int
    functions: tuple[FunctionSpec, ...]
    battery: float = 100.0
    drain: float = 0.0
    low_below: float = 10.0
    encoding: str = "presented"
    variant: int = 0


class FixedError:
    """What one specimen shows for a value in one range: a gain and an offset drawn once from its seed.

    Together with `NOISE` and rounding they stay within the accuracy line: the offset takes at most half of the
    digits beyond the first, and noise and half a count of rounding fit into that first one.
    """

    def __init__(self, seed: int, function: Function, number: int, scale: Range) -> None:
        rng = Random(f"{seed}/{function}/{number}")
        accuracy = scale.accuracy
        self._gain = 1 + rng.uniform(-_SHARE_USED, _SHARE_USED) * float(accuracy.percent) / 100
        self._offset = rng.uniform(-_SHARE_USED, _SHARE_USED) * float(accuracy.digits - 1)
        self._count = scale.count
        self._signed = function.signed

    def counts(self, value: float, noise: float = 0.0) -> int:
        """Return the counts shown for ``value`` (base unit), with ``noise`` counts added before rounding."""
        counts = math.floor(value / self._count * self._gain + self._offset + noise + 0.5)
        return counts if self._signed else max(0, counts)
