"""Advice for a close call: a finer range, the meter's own accuracy line, a better meter, or a cleaner test.

Each remedy is calculated for the reading in hand, so the advice names only remedies that settle it. Where the display
step dominates the uncertainty, a finer range helps; where the percentage dominates, a better meter.
"""

from dataclasses import dataclass
from decimal import ROUND_FLOOR, Decimal

from meterlink.core.equipment import PointKind
from meterlink.core.units import Quantity
from meterlink.judge.accuracy import Accuracy, AccuracySheet, accuracy_line_for
from meterlink.judge.measured_value import MeasuredValue, convert_interval, format_decimal
from meterlink.judge.uncertainty import AccuracyLine, TrapezoidalDistribution

# A finer range is suggested up to this many counts: ten times as many still fit the four digits of an ordinary
# handheld meter. Common practice, no source.
_MAX_COUNTS_FOR_FINER_RANGE = 999
# Percent of reading below the accuracy of any handheld meter. Common practice, no source.
_FINEST_PERCENT = Decimal("0.05")
# Resistance that test leads, clips and a tarnished terminal add to a reading. Common practice, no source.
TEST_LEAD_OHMS = Decimal("0.5")  # Ω


@dataclass(frozen=True, slots=True)
class CloseCall:
    """A reading (never an overload) whose uncertainty reaches across a limit.

    ``allowed_uncertainty`` is the expanded uncertainty, in the reading's own unit, below which the close call is
    settled. ``accuracy`` and ``celsius`` are the arguments the reading was judged with.
    """

    kind: PointKind
    measured: MeasuredValue
    allowed_uncertainty: Decimal
    accuracy: Accuracy | None = None
    celsius: Decimal | None = None

    def advice(self) -> str:
        """Return the advice: first the remedy that costs nothing, then the one that settles the close call."""
        repeat, measurement = self._repeat_advice(), self._measurement_advice()
        return f"{repeat}; {measurement[0].lower()}{measurement[1:]}" if repeat else measurement

    def _repeat_advice(self) -> str:
        if self.kind is PointKind.CAPACITOR:
            # A remaining charge, or a bleeder or winding still across it, skews the reading. Common practice.
            return "Discharge it again through a resistor and measure it again with every lead off"
        ohms = self.measured.quantity is Quantity.RESISTANCE
        if ohms and convert_interval(self.allowed_uncertainty, self.measured.unit, "Ω") <= TEST_LEAD_OHMS:
            return "Clean the terminals, subtract the resistance of the leads and measure again"
        return ""

    def _measurement_advice(self) -> str:
        step, unit = self.measured.resolution, self.measured.unit
        if self.allowed_uncertainty <= 0:
            return "It reads exactly the limit: only a finer display shows which side it is on."
        if self._would_settle(accuracy_line_for(self.accuracy, self.measured), step):
            return "The same meter would settle it at 18 to 28 °C: let it warm up or cool down first."
        if finer := self._listed_range() if self._lists_resolutions() else self._next_decade():
            return f"{finer} would settle it."
        most = self._largest_half_width()
        if most is None:
            return f"Only a meter with steps finer than {format_decimal(step)} {unit} can settle it."
        # A percentage of a temperature depends on its unit.
        digits = None if self.measured.quantity is Quantity.TEMPERATURE else self.measured.digits
        percent = _round_down(most / abs(digits) * 100) if digits else None
        needed = f"±{format_decimal(_round_down(most))} {unit}" + (
            "" if percent is None else f" ({format_decimal(percent)} %)"
        )
        if percent is not None and percent < _FINEST_PERCENT:
            return f"This needs an accuracy of {needed}, which no handheld meter has: treat it as on the limit."
        remedy = f"A meter good to {needed} here would settle it."
        if accuracy_line_for(self.accuracy, self.measured).assumed:
            return f"{remedy} This meter's accuracy is assumed: enter its accuracy line."
        return remedy

    def _lists_resolutions(self) -> bool:
        return isinstance(self.accuracy, AccuracySheet) and any(
            row.resolution is not None for row in self.accuracy.rows_for(self.measured)
        )

    def _listed_range(self) -> str:
        """Name the coarsest range on the meter's own sheet that is fine enough."""
        assert isinstance(self.accuracy, AccuracySheet)  # noqa: S101  # only called with a sheet
        sheet, unit = self.accuracy, self.measured.unit
        rows = [(step, row) for row in sheet.rows_for(self.measured) if (step := row.resolution_in(unit)) is not None]
        for step, row in sorted(rows, key=lambda stepped: stepped[0], reverse=True):
            line = (
                row.line
                if self.celsius is None
                else row.line.at_temperature(self.celsius, sheet.temperature_coefficient)
            )
            if step < self.measured.resolution and self._would_settle(line, step):
                return f"Its range up to {row.up_to}" if row.up_to else f"Its range in steps of {row.resolution}"
        return ""

    def _next_decade(self) -> str:
        """Name a range with one more digit, where an ordinary meter may have it and it is fine enough."""
        measured, tenth = self.measured, self.measured.resolution / 10
        room = measured.digits and abs(measured.digits) <= _MAX_COUNTS_FOR_FINER_RANGE * measured.resolution
        if room and self._would_settle(accuracy_line_for(self.accuracy, measured, self.celsius), tenth):
            return f"A range that shows {format_decimal(tenth)} {measured.unit}"
        return ""

    def _would_settle(self, line: AccuracyLine, resolution: Decimal) -> bool:
        half_width = line.half_width(self.measured.digits or Decimal(0), resolution, self.measured.unit)
        return TrapezoidalDistribution(float(half_width), float(resolution) / 2).half_width() < self.allowed_uncertainty

    def _largest_half_width(self) -> Decimal | None:
        """Return the largest meter error, in the reading's unit, that settles it on this display; None for none."""
        half_step, allowed = float(self.measured.resolution) / 2, float(self.allowed_uncertainty)
        # The expanded uncertainty grows with the meter's error, so bisection finds the limit.
        good, bad = 0.0, 2 * allowed
        if TrapezoidalDistribution(good, half_step).half_width() >= allowed:
            return None
        for _ in range(60):
            middle = (good + bad) / 2
            if TrapezoidalDistribution(middle, half_step).half_width() < allowed:
                good = middle
            else:
                bad = middle
        return Decimal(repr(good))


def _round_down(number: Decimal) -> Decimal:
    """Round down to two significant figures, so that a meter of the printed accuracy is good enough."""
    return number.quantize(Decimal(1).scaleb(number.adjusted() - 1), ROUND_FLOOR) if number else number
