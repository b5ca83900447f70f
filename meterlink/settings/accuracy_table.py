"""The accuracy sheet of a meter, in the settings.

Its rows follow the table of the meter::

    [[meter]]
    address = "00:00:5E:00:53:0A"
    temperature_coefficient = 0.1      # share of the line to add per °C outside 18 to 28 °C; default 0.1

    [[meter.accuracy]]
    quantity = "capacitance"
    line = "2 % + 5 digits"
    up_to = "100 uF"                   # the top of the range; without it: every range not listed
    resolution = "0.01 uF"             # one digit of the display; identifies the range of an autoranging meter

    [[meter.accuracy]]
    quantity = "voltage"
    coupling = "AC"                    # without it: both
    line = "1 % + 3 digits"
"""

from collections.abc import Iterable, Mapping
from decimal import Decimal
from typing import Any

from meterlink.core.errors import InputError
from meterlink.core.readings import Coupling
from meterlink.core.units import Amount, Quantity, parse_amount
from meterlink.judge.accuracy import AccuracyRange, AccuracySheet
from meterlink.judge.uncertainty import DEFAULT_TEMPERATURE_COEFFICIENT, parse_accuracy

_FIELDS = {"quantity", "line", "up_to", "resolution", "coupling"}


def parse_accuracy_sheet(entries: object, temperature_coefficient: object = None) -> AccuracySheet | None:
    """Return the accuracy sheet in ``entries``, a list of tables, and ``temperature_coefficient`` (per °C, 0 to 1).

    None if both are empty.

    Raises:
        InputError: a row or the coefficient cannot be used; the message names the row.
    """
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
        raise InputError(f"{unknown[0]!r} is not a field here.", f"Use: {', '.join(sorted(_FIELDS))}.")
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
        _parse_size(entry, "resolution", quantity),
        None if coupling is None else Coupling(coupling),
    )


def _parse_size(entry: Mapping[str, str], field: str, quantity: Quantity) -> Amount | None:
    if field not in entry:
        return None
    amount = parse_amount(entry[field], quantity)
    if amount.digits <= 0:
        raise InputError(f"{field} must be above zero, not {amount}.", "Check the number.")
    return amount


def _is_duplicate(new_row: AccuracyRange, rows: Iterable[AccuracyRange]) -> bool:
    def key(row: AccuracyRange) -> tuple[Quantity, Coupling | None, Decimal | None, Decimal | None]:
        top, step = (None if size is None else size.base_value for size in (row.up_to, row.resolution))
        return row.quantity, row.coupling, top, step

    return any(key(row) == key(new_row) for row in rows)


def _parse_temperature_coefficient(value: object) -> Decimal:
    # In Python a bool is an int. A share above 1 would more than double the line for each degree.
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value <= 1:
        raise InputError(
            f"temperature_coefficient {value!r} cannot be used.", "Give the share to add per °C, from 0 to 1: 0.1."
        )
    return Decimal(repr(value))
