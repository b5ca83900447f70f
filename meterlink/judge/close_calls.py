"""What would settle a close call: a finer range, the meter's own line, another meter, or a cleaner test.

Nothing is named that would not do: each remedy is worked out on the reading in hand. Where the display's part of the
doubt dominates, that finds the range; where the percentage does, the meter.
"""

from dataclasses import dataclass
from decimal import ROUND_FLOOR, Decimal

from meterlink.core.equipment import PointKind
from meterlink.core.units import Quantity
from meterlink.judge.accuracy import Accuracy, AccuracySheet, accuracy_line_for
from meterlink.judge.measured_value import MeasuredValue, convert_interval, format_decimal
from meterlink.judge.uncertainty import AccuracyLine, TrapezoidalDistribution

# A finer range is only spoken of while the reading has this many counts at most: ten times as many still fit four
# digits, which is what an ordinary handheld meter shows. Common practice, no source.
_MAX_COUNTS_FOR_FINER_RANGE = 999
# Percent of reading that no handheld meter promises. Common practice, no source.
_FINEST_PERCENT = Decimal("0.05")
# What test leads, clips and a tarnished terminal add to an ohms reading. Common practice, no source.
TEST_LEAD_OHMS = Decimal("0.5")  # Ω


@dataclass(frozen=True, slots=True)
class CloseCall:
    """A reading (never an overload) that its meter leaves in doubt, with what it was judged by.

    ``allowed`` is the expanded uncertainty, in the reading's own unit, below which it would be settled.
    """

    kind: PointKind
    measured: MeasuredValue
    allowed_uncertainty: Decimal
    accuracy: Accuracy | None = None
    celsius: Decimal | None = None

    def advice(self) -> str:
        """Return one sentence: what costs nothing first, then what would settle it."""
        first, then = self._retest_advice(), self._measurement_advice()
        return f"{first}; {then[0].lower()}{then[1:]}" if first else then

    def _retest_advice(self) -> str:
        if self.kind is PointKind.CAPACITOR:
            # A charge left on it, or a bleeder or winding still across it, skews the reading. Common practice.
            return "Discharge it again through a resistor and retest with every lead off"
        ohms = self.measured.quantity is Quantity.RESISTANCE
        if ohms and convert_interval(self.allowed_uncertainty, self.measured.unit, "Ω") <= TEST_LEAD_OHMS:
            return "Clean the terminals, take the leads' own ohms off and retest"
        return ""

    def _measurement_advice(self) -> str:
        step, unit = self.measured.resolution, self.measured.unit
        if self.allowed_uncertainty <= 0:
            return "It reads the limit itself: only a finer display shows on which side it lies."
        if self._would_settle(accuracy_line_for(self.accuracy, self.measured), step):
            return "The same meter would settle it once it is back between 18 and 28 °C."
        if finer := self._listed_range() if self._lists_resolutions() else self._next_decade():
            return f"{finer} would settle it."
        most = self._largest_half_width()
        if most is None:
            return f"Only a meter with steps finer than {format_decimal(step)} {unit} can settle it."
        percent = _round_down(most / abs(self.measured.digits) * 100) if self.measured.digits else None
        needed = f"±{format_decimal(_round_down(most))} {unit}" + (
            "" if percent is None else f" ({format_decimal(percent)} %)"
        )
        if percent is not None and percent < _FINEST_PERCENT:
            return f"It would take {needed} here, which no handheld meter has: treat it as lying on the limit."
        if accuracy_line_for(self.accuracy, self.measured).assumed:
            return f"A meter good to {needed} here would settle it: enter this one's accuracy line, now only assumed."
        return f"A meter good to {needed} here would settle it."

    def _lists_resolutions(self) -> bool:
        return isinstance(self.accuracy, AccuracySheet) and any(
            row.resolution is not None for row in self.accuracy.rows_for(self.measured)
        )

    def _listed_range(self) -> str:
        """Name the coarsest finer range on the meter's own sheet that would do."""
        assert isinstance(self.accuracy, AccuracySheet)  # noqa: S101  # only called with one
        sheet, unit = self.accuracy, self.measured.unit
        rows = [(step, row) for row in sheet.rows_for(self.measured) if (step := row.resolution_in(unit)) is not None]
        for step, row in sorted(rows, key=lambda listed: listed[0], reverse=True):
            line = (
                row.line
                if self.celsius is None
                else row.line.at_temperature(self.celsius, sheet.temperature_coefficient)
            )
            if step < self.measured.resolution and self._would_settle(line, step):
                return f"Its range up to {row.up_to}" if row.up_to else f"Its range in steps of {row.resolution}"
        return ""

    def _next_decade(self) -> str:
        """Name a range with one digit more that would do, where an ordinary meter may have one."""
        measured, tenth = self.measured, self.measured.resolution / 10
        room = measured.digits and abs(measured.digits) <= _MAX_COUNTS_FOR_FINER_RANGE * measured.resolution
        if room and self._would_settle(accuracy_line_for(self.accuracy, measured, self.celsius), tenth):
            return f"A range that shows {format_decimal(tenth)} {measured.unit}"
        return ""

    def _would_settle(self, line: AccuracyLine, resolution: Decimal) -> bool:
        half_width = line.half_width(self.measured.digits or Decimal(0), resolution)
        return TrapezoidalDistribution(float(half_width), float(resolution) / 2).half_width() < self.allowed_uncertainty

    def _largest_half_width(self) -> Decimal | None:
        """Return how far off a meter with this display may be and still settle it, None where no meter would."""
        half_step, allowed = float(self.measured.resolution) / 2, float(self.allowed_uncertainty)
        # The expanded uncertainty grows with the meter's error, from that of the display alone: halve the interval.
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
    """Two significant figures, downwards: what is promised must do."""
    return number.quantize(Decimal(1).scaleb(number.adjusted() - 1), ROUND_FLOOR) if number else number
