"""The display of open leads, and of the few counts of volts and amps that leads in the air may show as well.

A reading is one of three: *nothing* (the display of open leads), *few counts* (a small value, or pick-up), a *value*.
Few counts prove a contact where the display has risen to them from that of the leads in the air: `FewCounts`.
"""

import math
from collections import deque
from decimal import Decimal
from functools import cache, lru_cache

from meterlink.core.readings import Reading, Status
from meterlink.core.units import Amount, Quantity, to_base

# Open probes show at most so many counts: half the digits of an accuracy line on volts and amps, one count of jitter
# on capacitance. Common practice, no source.
_NOTHING_COUNTS = {
    Quantity.VOLTAGE: 3,
    Quantity.CURRENT: 3,
    Quantity.CAPACITANCE: 3,
    Quantity.FREQUENCY: 0,
}
# … or less than the capacitance of a pair of leads on a fine range, or negative as after zeroing; every part has more.
_NOTHING_CAPACITANCE = Amount(Decimal(5), "nF")
# For a meter that sends no step, V and A: ten counts of a 6000-count display on its lowest trade range.
_NOTHING_WITHOUT_STEP = {
    Quantity.VOLTAGE: Amount(Decimal("0.1"), "V"),
    Quantity.CURRENT: Amount(Decimal("0.1"), "A"),
}
# Few counts: up to ten. On volts also up to three volts on any range, as the pick-up does not depend on the display
# step: a lead beside a live wire (3 pF, 240 V, 60 Hz) drives 0.27 µA, into 10 MΩ 2.7 V. Common practice, no source.
FEW_COUNTS = {Quantity.VOLTAGE: 10, Quantity.CURRENT: 10}
_FEW_VOLTS = Amount(Decimal(3), "V")
# Ten counts below this are nothing; more are nothing until the display has risen to them, as a millivolt range always
# shows some. Common practice, no source.
_LEAST_VOLTS = Amount(Decimal("0.1"), "V")

# A display has risen if it shows more than so many times that of the leads in the air, and so many counts more; it has
# fallen again if it is less by so many counts, and by a share that a poor contact may vary (for amps see below). Common
# practice, no source.
_RISE_FACTOR = 3
_COUNTS_APART = 3
_FALL_SHARE = 0.2
_RISE_TIME = 0.6  # s that a display takes to rise: one refresh of a slow meter may catch it half-way
_AIR_TIME = 0.5  # s before the rise for which the leads were in the air; without contact for less is a bounce

# A motor starts with four to six times its running current; a display that falls below a tenth shows a clamp that was
# taken off. Common practice, no source.
_START_FACTOR = 10

# Display steps whose reach is remembered: those of all ranges of a few meters.
_REMEMBERED_STEPS = 256


def is_nothing(reading: Reading) -> bool:
    """Return whether the display is that of open probes (or of an open part)."""
    if reading.status is Status.OVERLOAD:
        return reading.quantity is Quantity.RESISTANCE
    digits = reading.digits
    if digits is None:
        return False
    if reading.quantity is Quantity.CAPACITANCE and digits < _converted(_NOTHING_CAPACITANCE, reading.unit):
        return True
    if reading.resolution is None:
        nothing = _NOTHING_WITHOUT_STEP.get(reading.quantity)
        return nothing is not None and abs(digits) < _converted(nothing, reading.unit)
    reach = _nothing_reach(reading.quantity, reading.unit, reading.resolution)
    return reach is not None and -reach <= digits <= reach


def is_few_counts(reading: Reading) -> bool:
    """Return whether the display is few counts of volts or amps, or nothing: no more than leads in the air may show."""
    digits = reading.digits
    if digits is None or reading.quantity not in FEW_COUNTS:
        return False
    reach = _few_reach(reading.quantity, reading.unit, reading.resolution)
    return -reach <= digits <= reach


def is_idle(reading: Reading) -> bool:
    """Return whether the display may be that of open probes (or of an open part): nothing, or few counts."""
    return is_nothing(reading) or is_few_counts(reading)


@lru_cache(_REMEMBERED_STEPS)
def _nothing_reach(quantity: Quantity, unit: str, resolution: Decimal) -> Decimal | None:
    max_counts = _NOTHING_COUNTS.get(quantity)
    if max_counts is None:
        return None
    reach = max_counts * resolution
    if quantity is not Quantity.VOLTAGE:
        return reach
    few = min(FEW_COUNTS[quantity] * resolution, _converted(_LEAST_VOLTS, unit) - resolution)
    return max(reach, few)


@lru_cache(_REMEMBERED_STEPS)
def _few_reach(quantity: Quantity, unit: str, resolution: Decimal | None) -> Decimal:
    reach = Decimal(0) if resolution is None else FEW_COUNTS[quantity] * resolution
    return max(reach, _converted(_FEW_VOLTS, unit)) if quantity is Quantity.VOLTAGE else reach


@cache
def _converted(amount: Amount, unit: str) -> Decimal:
    # The constant is converted, once for each unit, and never the reading: that is the judge's task.
    return amount.to(unit)


class FewCounts:
    """Follows a display of few counts: from the leads in the air to a contact, and back.

    ``fallen_from`` is the largest value from which the display has come down, infinite if that was accepted; 0 if it
    has come from none. Levels are in the base unit, without sign.
    """

    def __init__(self, fallen_from: float = 0.0) -> None:
        self.fallen_from = fallen_from
        self.risen_at: float | None = None  # s, of the contact
        self._contact_level = 0.0
        self._lost_at: float | None = None
        self._air: deque[tuple[float, float]] = deque()  # (s, level) of the leads in the air, the newest `_AIR_TIME`

    def add(self, reading: Reading, now: float) -> bool:
        """Add a reading of few counts or nothing; return whether it is not that of leads that have just come off."""
        level = abs(reading.value or 0.0)
        step = 0.0 if reading.resolution is None else float(to_base(reading.resolution, reading.unit))
        if self.risen_at is None and self._has_risen(reading, level, step, now):
            self.risen_at, self._contact_level = now, level
        if self.risen_at is None:
            self._add_air(level, now)
            return True
        share = _FALL_SHARE if reading.quantity is Quantity.VOLTAGE else 1 - 1 / _START_FACTOR
        if not is_nothing(reading) and level >= self._contact_level - max(
            _COUNTS_APART * step, share * self._contact_level
        ):
            self._contact_level, self._lost_at = max(level, self._contact_level), None
            return True
        self._lost_at = now if self._lost_at is None else self._lost_at
        if now - self._lost_at >= _AIR_TIME:
            self.__init__(math.inf)  # type: ignore[misc]  # the object has no other state
            self._add_air(level, now)
        return False

    def _add_air(self, level: float, now: float) -> None:
        self._air.append((now, level))
        while len(self._air) > 1 and now - self._air[1][0] >= _RISE_TIME + _AIR_TIME:
            self._air.popleft()

    def _has_risen(self, reading: Reading, level: float, step: float, now: float) -> bool:
        in_air = [air_level for time, air_level in self._air if now - time >= _RISE_TIME]
        if is_nothing(reading) or not in_air:
            return False
        highest = max(in_air)
        return level > max(_RISE_FACTOR * highest, highest + _COUNTS_APART * step)

    def may_settle(self, reading: Reading) -> bool:
        """Return whether few counts at rest are a reading: risen, or more than the millivolts of leads in the air."""
        if is_nothing(reading):
            return False
        if self.risen_at is not None or reading.quantity is not Quantity.VOLTAGE:
            return True
        return abs(reading.digits or Decimal(0)) >= _converted(_LEAST_VOLTS, reading.unit)

    def is_proven(self, reading: Reading) -> bool:
        """Return whether few counts at rest prove a contact, so that no person must say that there is one.

        A clamp picks up little: there few counts prove nothing only if they are left of a much larger value.
        """
        if self.risen_at is not None:
            return True
        level = abs(reading.value or 0.0)
        return reading.quantity is Quantity.CURRENT and level * _START_FACTOR >= self.fallen_from
