"""A meter's accuracy sheet: its accuracy lines by quantity, coupling and range, as its manual lists them.

In the settings it is written below the meter it belongs to::

    [[meter]]
    address = "00:00:5E:00:53:0A"
    temperature_coefficient = 0.1      # share of the line to add per °C outside 18 to 28 °C; 0.1 where left out

    [[meter.accuracy]]
    quantity = "capacitance"
    line = "2 % + 5 digits"
    up_to = "100 uF"                   # the top of the range; left out: every range not listed
    step = "0.01 uF"                   # what one digit is on it; tells the ranges of an autoranging meter apart

    [[meter.accuracy]]
    quantity = "voltage"
    coupling = "AC"                    # left out: both
    line = "1 % + 3 digits"
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from meterlink.core.errors import InputError
from meterlink.core.readings import Coupling
from meterlink.core.units import Amount, Quantity, parse_amount
from meterlink.judge.measured_value import MeasuredValue, convert_interval
from meterlink.judge.uncertainty import DEFAULT_TEMPERATURE_COEFFICIENT, AccuracyLine, assumed_accuracy, parse_accuracy

_FIELDS = {"quantity", "line", "up_to", "step", "coupling"}


@dataclass(frozen=True, slots=True)
class AccuracyRange:
    """One row of the sheet. None is: no upper end, step not given, alternating and direct alike."""

    quantity: Quantity
    line: AccuracyLine
    up_to: Amount | None = None
    resolution: Amount | None = None
    coupling: Coupling | None = None

    def covers(self, measured: MeasuredValue) -> bool:
        """Whether what was measured may have been read on this range; an overload may on any."""
        if self.quantity is not measured.quantity or (self.coupling and measured.coupling not in {None, self.coupling}):
            return False
        return (
            self.up_to is None or measured.digits is None or abs(measured.digits) <= abs(self.up_to.to(measured.unit))
        )

    def resolution_in(self, unit: str) -> Decimal | None:
        """Return the step in ``unit``, None where the row does not give it."""
        return None if self.resolution is None else convert_interval(self.resolution.digits, self.resolution.unit, unit)


@dataclass(frozen=True, slots=True)
class AccuracySheet:
    """Every row of one meter's sheet; ``per_degree`` is its temperature coefficient, as `AccuracyLine.at` takes it."""

    ranges: tuple[AccuracyRange, ...]
    temperature_coefficient: Decimal = DEFAULT_TEMPERATURE_COEFFICIENT

    def line_for(self, measured: MeasuredValue) -> AccuracyLine:
        """Return the line of the range that ``measured`` was read on; the assumed one where the sheet lists none.

        A display step gives the range away; otherwise an autoranging meter is on the lowest range that reaches. Where
        rows for alternating and for direct fit and the meter does not say which it is, the wider line is taken.
        """
        rows = self.rows_for(measured)
        stepped = [
            row for row in rows if measured.resolution and row.resolution_in(measured.unit) == measured.resolution
        ]
        rows = stepped or rows
        if not rows:
            return assumed_accuracy(measured.quantity)
        lowest = min(_top(row, measured.unit) for row in rows)
        fitting = [row.line for row in rows if _top(row, measured.unit) == lowest]
        return max(fitting, key=lambda line: line.half_width(measured.digits or Decimal(1), measured.resolution))

    def rows_for(self, measured: MeasuredValue) -> list[AccuracyRange]:
        """Return the rows that cover ``measured``; those of its own coupling, where there are any."""
        rows = [row for row in self.ranges if row.covers(measured)]
        return [row for row in rows if measured.coupling and row.coupling is measured.coupling] or rows


def _top(row: AccuracyRange, unit: str) -> Decimal:
    return Decimal("Infinity") if row.up_to is None else abs(row.up_to.to(unit))


Accuracy = AccuracyLine | AccuracySheet


def accuracy_line_for(
    accuracy: Accuracy | None, measured: MeasuredValue, celsius: Decimal | None = None
) -> AccuracyLine:
    """Return the line to judge ``measured`` by: out of a sheet, as given, or assumed (None).

    ``celsius`` is how warm the meter itself is; None takes it to be within 18 to 28 °C. InputError as for
    `AccuracyLine.at`.
    """
    match accuracy:
        case AccuracySheet():
            line, per_degree = accuracy.line_for(measured), accuracy.temperature_coefficient
        case AccuracyLine():
            line, per_degree = accuracy, DEFAULT_TEMPERATURE_COEFFICIENT
        case None:
            line, per_degree = assumed_accuracy(measured.quantity), DEFAULT_TEMPERATURE_COEFFICIENT
    return line if celsius is None else line.at_temperature(celsius, per_degree)


def parse_accuracy_sheet(entries: object, temperature_coefficient: object = None) -> AccuracySheet | None:
    """Return the sheet written as the list of tables ``entries``, None where nothing is; InputError naming the row."""
    if not isinstance(entries, list) or not all(isinstance(entry, dict) for entry in entries):
        raise InputError("accuracy is not a list of tables.", "Write each range as [[meter.accuracy]].")
    ranges: list[AccuracyRange] = []
    for number, entry in enumerate(entries, 1):
        try:
            row = _parse_range(entry)
        except InputError as error:
            raise InputError(f"accuracy row {number}: {error.message}", error.remedy) from error
        if _is_duplicate(row, ranges):
            raise InputError(f"accuracy row {number}: another row is for the same range.", "Keep one of them.")
        ranges.append(row)
    per_degree = (
        DEFAULT_TEMPERATURE_COEFFICIENT
        if temperature_coefficient is None
        else _parse_temperature_coefficient(temperature_coefficient)
    )
    return AccuracySheet(tuple(ranges), per_degree) if ranges or temperature_coefficient is not None else None


def _parse_range(entry: Mapping[str, Any]) -> AccuracyRange:
    unknown = sorted(set(entry) - _FIELDS)
    if unknown:
        raise InputError(f"{unknown[0]!r} is not a field of it.", f"Use: {', '.join(sorted(_FIELDS))}.")
    wrong = sorted(field for field, value in entry.items() if not isinstance(value, str))
    if wrong:
        raise InputError(f"{wrong[0]} {entry[wrong[0]]!r} is not text.", f'Write {wrong[0]} = "…", with its unit.')
    try:
        quantity = Quantity(entry.get("quantity", ""))
    except ValueError:
        raise InputError(
            f"quantity {entry.get('quantity', '')!r} is not known.", f"Use one of: {', '.join(Quantity)}."
        ) from None
    coupling = entry.get("coupling")
    if coupling not in {None, *Coupling}:
        raise InputError(f"coupling {coupling!r} is not known.", f"Use {' or '.join(Coupling)}, or leave it out.")
    return AccuracyRange(
        quantity,
        parse_accuracy(entry.get("line", "")),
        _parse_size(entry, "up_to", quantity),
        _parse_size(entry, "step", quantity),
        None if coupling is None else Coupling(coupling),
    )


def _parse_size(entry: Mapping[str, str], field: str, quantity: Quantity) -> Amount | None:
    if field not in entry:
        return None
    amount = parse_amount(entry[field], quantity)
    if amount.digits <= 0:
        raise InputError(f"{field} {amount} cannot be.", "Give one above zero.")
    return amount


def _is_duplicate(row: AccuracyRange, others: Iterable[AccuracyRange]) -> bool:
    def key(each: AccuracyRange) -> tuple[Quantity, Coupling | None, Decimal | None, Decimal | None]:
        top, step = (None if size is None else size.base_value for size in (each.up_to, each.resolution))
        return each.quantity, each.coupling, top, step

    return any(key(row) == key(other) for other in others)


def _parse_temperature_coefficient(given: object) -> Decimal:
    # bool is an int to Python; a share above 1 would double the line with every degree.
    if isinstance(given, bool) or not isinstance(given, int | float) or not 0 <= given <= 1:
        raise InputError(
            f"temperature_coefficient {given!r} cannot be used.", "Give the share to add per °C, from 0 to 1: 0.1."
        )
    return Decimal(repr(given))
