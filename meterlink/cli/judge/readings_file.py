"""A TOML file of readings: the test points of a plan, each with its readings."""

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from pathlib import Path
from typing import Any

from meterlink.cli.judge.output import parse_measured_value
from meterlink.core.equipment import TestPoint
from meterlink.core.errors import InputError
from meterlink.core.readings import Coupling
from meterlink.core.text import LONGEST_NAME
from meterlink.core.units import Quantity, parse_unit, quantity_of
from meterlink.diagnosis.observations import Observation, PointReadings, observe
from meterlink.judge.judging import MeasuredValue
from meterlink.judge.uncertainty import AccuracyLine, parse_accuracy
from meterlink.plans.derived_table import DERIVED
from meterlink.plans.point_table import POINT
from meterlink.tomlfile.field_types import Boolean, Converted, Either, ListOf, Number, Parsed, Text
from meterlink.tomlfile.files import load_document
from meterlink.tomlfile.tables import Computed, FieldError, Key, Table, Tables

_MOST_POINTS, _MOST_READINGS = 500, 1000  # as many points as a plan has; more readings of each than anybody takes
# "240 V AC", "31 VDC".
_VALUE_WITH_COUPLING = re.compile(r"(?P<value>.*[Vv])\s*(?P<coupling>ac|dc)", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class WrittenReading:
    """A reading as written. ``seconds`` is its time from any start, None where it is not known."""

    display: str
    meter: str = "the meter"
    seconds: float | None = None
    accuracy: AccuracyLine | None = None
    low_battery: bool = False

    def observe(self, point: TestPoint, number: int) -> Observation:
        """Return the reading at ``point``, judged.

        Raises:
            InputError: the display's text is not a value with a unit, or the value is impossible.
        """
        value, coupling = _parse_display(self.display, point.quantity)
        return replace(
            observe(point, value, number, self.accuracy),
            meter=self.meter,
            time=self.seconds,
            coupling=coupling,
            low_battery=self.low_battery,
        )


@dataclass(frozen=True, slots=True)
class PointTable:
    """A ``[[point]]`` table: a test point with its readings."""

    test_point: TestPoint
    readings: tuple[WrittenReading, ...]


def read_point_readings(file: str) -> tuple[PointReadings, ...]:
    """Return the test points in ``file`` with their readings.

    Raises:
        InputError: the file cannot be read or has errors; the message lists each with its line and column.
    """
    return load_document(Path(file), "readings", READINGS)


def _parse_display(text: str, expected: Quantity) -> tuple[MeasuredValue, Coupling | None]:
    """Return ``(value, coupling)`` of a display's text; a text without a unit is of the ``expected`` quantity.

    Raises:
        InputError: the text is not a value with a unit.
    """
    match = _VALUE_WITH_COUPLING.fullmatch(text.strip())
    value_text, coupling = (match["value"], Coupling(match["coupling"].upper())) if match else (text, None)
    try:
        return parse_measured_value(value_text, expected), coupling
    except InputError as first_error:
        unit_text = value_text.strip().lstrip("+-0123456789. ")
        try:
            quantity = quantity_of(parse_unit(unit_text))
        except InputError:
            raise first_error from None
        return parse_measured_value(value_text, quantity), coupling


def _check_displays(quantity: Quantity, partial_readings: Sequence[Any]) -> Iterator[FieldError]:
    for position, reading in enumerate(partial_readings):
        if isinstance(reading, WrittenReading):
            try:
                _parse_display(reading.display, quantity)
            except InputError as error:
                yield FieldError(("readings", position, "display"), error.message, error.remedy)


def _check_values(test_point: TestPoint, partial_readings: Sequence[Any]) -> Iterator[FieldError]:
    unreadable = {problem.at for problem in _check_displays(test_point.quantity, partial_readings)}
    for position, reading in enumerate(partial_readings):
        path = ("readings", position, "display")
        if isinstance(reading, WrittenReading) and path not in unreadable:
            try:
                reading.observe(test_point, 0)
            except InputError as error:
                yield FieldError(path, error.message, error.remedy)


def _make_point_readings(point: tuple[PointTable, ...]) -> tuple[PointReadings, ...]:
    result, number = [], 0
    for table in point:
        observations = []
        for reading in table.readings:
            number += 1
            observations.append(reading.observe(table.test_point, number))
        result.append(PointReadings(table.test_point, tuple(observations)))
    return tuple(result)


def _seconds(minutes: Decimal) -> float:
    return float(minutes) * 60.0


_DISPLAY = Text(40, example='"4.50 uF"')
_READING: Either[WrittenReading] = Either(
    Converted(_DISPLAY, WrittenReading),
    Table(
        WrittenReading,
        Key("display", _DISPLAY),
        Key("meter", Text(LONGEST_NAME), "the meter"),
        Key("minutes", Converted(Number("-1e6", "1e6", example="6"), _seconds), None, attribute="seconds"),
        Key("accuracy", Parsed(parse_accuracy, '"2 % + 5 digits"'), None),
        Key("low_battery", Boolean(), default=False),
    ),
)
_POINT = POINT.extended(
    PointTable,
    Key("readings", ListOf(_READING, 0, _MOST_READINGS, example='["4.50 uF"]'), ()),
    computed=(Computed("test_point", TestPoint),),
    checks=(_check_displays, _check_values),
)
READINGS = Table(
    _make_point_readings,
    Key("name", Text(80), ""),
    Key("point", Tables(_POINT, 1, _MOST_POINTS, unique=("key",)), description="In the order of measurement."),
    Key("derived", Tables(DERIVED, 0, _MOST_POINTS, unique=("key",)), (), description="Of a plan; not used."),
)
"""The table of a readings file."""
