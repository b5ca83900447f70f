"""A meter's accuracy sheet: the accuracy lines of its manual, by quantity, coupling and range."""

from dataclasses import dataclass
from decimal import Decimal

from meterlink.core.readings import Coupling
from meterlink.core.units import Amount, Quantity, to_base
from meterlink.judge.measured_value import MeasuredValue, convert_interval, exact_unit
from meterlink.judge.uncertainty import DEFAULT_TEMPERATURE_COEFFICIENT, AccuracyLine, assumed_accuracy


@dataclass(frozen=True, slots=True)
class AccuracyRange:
    """One row of the sheet: a range and its accuracy line.

    ``up_to`` None: no upper end. ``resolution`` None: not listed. ``coupling`` None: for AC and DC.
    """

    quantity: Quantity
    line: AccuracyLine
    up_to: Amount | None = None
    resolution: Amount | None = None
    coupling: Coupling | None = None

    def covers(self, measured: MeasuredValue) -> bool:
        """Whether ``measured`` may have been read on this range; an overload fits any range."""
        if self.quantity is not measured.quantity or (self.coupling and measured.coupling not in {None, self.coupling}):
            return False
        if self.up_to is None or measured.digits is None:
            return True
        return abs(to_base(measured.digits, measured.unit)) <= abs(self.up_to.base_value)

    def resolution_in(self, unit: str) -> Decimal | None:
        """Return the display step in ``unit``, None where the row lists none."""
        return None if self.resolution is None else convert_interval(self.resolution.digits, self.resolution.unit, unit)

    def has_step_of(self, measured: MeasuredValue) -> bool:
        """Whether ``measured`` was read in steps of this range; not where the row, or the value, has none."""
        unit = exact_unit(measured.unit)
        return bool(measured.resolution) and self.resolution_in(unit) == convert_interval(
            measured.resolution, measured.unit, unit
        )


@dataclass(frozen=True, slots=True)
class AccuracySheet:
    """The rows of one meter's sheet.

    ``temperature_coefficient`` is the share of the line to add per °C (see `AccuracyLine.at_temperature`).
    """

    ranges: tuple[AccuracyRange, ...]
    temperature_coefficient: Decimal = DEFAULT_TEMPERATURE_COEFFICIENT

    def line_for(self, measured: MeasuredValue) -> AccuracyLine:
        """Return the line of the range that ``measured`` was read on; the assumed line where no row fits.

        The display step identifies the range. Without a match, the lowest range that reaches the value counts, as on
        an autoranging meter. Where rows for AC and DC fit and the coupling is unknown, the wider line counts.
        """
        rows = self.rows_for(measured)
        rows = [row for row in rows if row.has_step_of(measured)] or rows
        if not rows:
            return assumed_accuracy(measured.quantity)
        lowest = min(_top(row) for row in rows)
        fitting = [row.line for row in rows if _top(row) == lowest]
        return max(
            fitting, key=lambda line: line.half_width(measured.digits or Decimal(1), measured.resolution, measured.unit)
        )

    def rows_for(self, measured: MeasuredValue) -> list[AccuracyRange]:
        """Return the rows that cover ``measured``, limited to its own coupling where such rows exist."""
        rows = [row for row in self.ranges if row.covers(measured)]
        return [row for row in rows if measured.coupling and row.coupling is measured.coupling] or rows


def _top(row: AccuracyRange) -> Decimal:
    return Decimal("Infinity") if row.up_to is None else abs(row.up_to.base_value)


Accuracy = AccuracyLine | AccuracySheet


def accuracy_line_for(
    accuracy: Accuracy | None, measured: MeasuredValue, celsius: Decimal | None = None
) -> AccuracyLine:
    """Return the accuracy line for ``measured``: from a sheet, the line given, or the assumed one (None).

    ``celsius`` is the temperature of the meter itself, -40 to 70 °C; None means within 18 to 28 °C.

    Raises:
        InputError: no meter is specified for ``celsius``.
    """
    match accuracy:
        case AccuracySheet():
            line, per_degree = accuracy.line_for(measured), accuracy.temperature_coefficient
        case AccuracyLine():
            line, per_degree = accuracy, DEFAULT_TEMPERATURE_COEFFICIENT
        case None:
            line, per_degree = assumed_accuracy(measured.quantity), DEFAULT_TEMPERATURE_COEFFICIENT
    return line if celsius is None else line.at_temperature(celsius, per_degree)
