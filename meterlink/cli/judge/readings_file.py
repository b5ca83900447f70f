"""A TOML file of readings: the test points of a plan, each with its readings."""

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from pathlib import Path
from typing import Any

from meterlink.cli.judge.replacement_table import WRITTEN_REPLACEMENTS, WrittenReplacement, rated_specification
from meterlink.core.equipment import PointKind, TestPoint
from meterlink.core.errors import InputError
from meterlink.core.readings import Coupling
from meterlink.core.replacements import Replacement
from meterlink.core.text import LONGEST_NAME, count_phrase
from meterlink.core.units import Quantity, parse_unit, quantity_of
from meterlink.diagnosis.observations import Observation, PointReadings, observe
from meterlink.judge.judging import MeasuredValue
from meterlink.judge.label.ratings import parse_rating
from meterlink.judge.uncertainty import AccuracyLine, parse_accuracy
from meterlink.plans.derived_table import DERIVED
from meterlink.plans.point_table import POINT
from meterlink.plans.question_table import QUESTION
from meterlink.tomlfile.documents import document_schema
from meterlink.tomlfile.field_types import Boolean, Converted, Either, ListOf, Number, Parsed, Schema, Text
from meterlink.tomlfile.files import load_document
from meterlink.tomlfile.positions import TomlPath
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


@dataclass(frozen=True, slots=True)
class ReadingsFile:
    """The test points of a file with their readings, and the parts replaced between them."""

    point_readings: tuple[PointReadings, ...]
    replacements: tuple[Replacement, ...]


def read_readings(file: str) -> ReadingsFile:
    """Return the test points in ``file`` with their readings, and the replacements.

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
        return MeasuredValue.from_text(value_text, expected), coupling
    except InputError as first_error:
        unit_text = value_text.strip().lstrip("+-0123456789. ")
        try:
            quantity = quantity_of(parse_unit(unit_text))
        except InputError:
            raise first_error from None
        return MeasuredValue.from_text(value_text, quantity), coupling


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


def _check_replacements(
    point: tuple[PointTable, ...], replacement: tuple[WrittenReplacement, ...]
) -> Iterator[FieldError]:
    points = [table.test_point for table in point]
    count = {table.test_point.key: len(table.readings) for table in point}
    for position, written in enumerate(replacement):
        at = ("replacement", position)
        covered = written.placed_after(0).covered_keys(points)
        if not covered:
            remedy = "Name the component of a point, and its circuit or none."
            yield FieldError((*at, "component"), f"no test point has the part {written.component!r}.", remedy)
            continue
        before = dict(written.readings_before)
        for key in before.keys() - covered:
            yield FieldError((*at, "readings_before", key), "this test point is not at the part.", "Remove it.")
        for key in sorted(covered):
            if count[key] and key not in before:
                message = f"{key} has readings, and may be at the old part or at the new one."
                yield FieldError((*at, "readings_before"), message, f"Add {key} = the readings of the old part.")
            elif before.get(key, 0) > count[key]:
                message = f"{key} has {count_phrase(count[key], 'reading')}."
                yield FieldError((*at, "readings_before", key), message, "Count its readings before the replacement.")
        yield from _check_ratings(written, [found for found in points if found.key in covered], at)


def _check_ratings(written: WrittenReplacement, points: Sequence[TestPoint], at: TomlPath) -> Iterator[FieldError]:
    for field, text in (("old_rating", written.old_rating), ("new_rating", written.new_rating)):
        capacitors = [found for found in points if found.kind is PointKind.CAPACITOR]
        try:
            for found in capacitors if text else ():
                rated_specification(text, found)
            if text and capacitors and written.sections and len(parse_rating(text).sections) > 1:
                yield FieldError((*at, "sections"), f"{text!r} is a dual capacitor: one part.", "Leave sections out.")
        except InputError as error:
            yield FieldError((*at, field), error.message, error.remedy)


def _make_case(point: tuple[PointTable, ...], replacement: tuple[WrittenReplacement, ...]) -> ReadingsFile:
    """Number the readings in the order of the visit: at each replacement, first all those of the old part."""
    points = [table.test_point for table in point]
    numbers: dict[tuple[str, int], int] = {}  # by key and position
    placed = []
    for written in replacement:
        for key, count in written.readings_before:
            for position in range(count):
                numbers.setdefault((key, position), len(numbers) + 1)
        placed.append(written.placed_after(len(numbers)))
    for table in point:
        for position in range(len(table.readings)):
            numbers.setdefault((table.test_point.key, position), len(numbers) + 1)
    covered = [written.covered_keys(points) for written in placed]
    result = []
    for table in point:
        key = table.test_point.key
        at_point = [written for written, keys in zip(placed, covered, strict=True) if key in keys]
        observations = []
        for position, reading in enumerate(table.readings):
            number = numbers[key, position]
            observations.append(reading.observe(_rated_at(table.test_point, number, at_point), number))
        result.append(PointReadings(_rated_at(table.test_point, len(numbers) + 1, at_point), tuple(observations)))
    return ReadingsFile(tuple(result), tuple(placed))


def _rated_at(point: TestPoint, number: int, replacements: Sequence[Replacement]) -> TestPoint:
    """Return ``point`` with the rating of the part that was there at the reading ``number``.

    A capacitor's label rates its readings; the limits of other parts are those of the point.
    """
    if point.kind is not PointKind.CAPACITOR:
        return point
    rating = ""
    for replacement in replacements:
        if number <= (replacement.after_number or 0):
            rating = replacement.old_rating or rating
            break
        rating = replacement.new_rating or rating
    return replace(point, specification=rated_specification(rating, point)) if rating else point


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
    _make_case,
    Key("name", Text(80), ""),
    Key("point", Tables(_POINT, 1, _MOST_POINTS, unique=("key",)), description="In the order of measurement."),
    Key("question", Tables(QUESTION, 0, _MOST_POINTS, unique=("key",)), (), description="Of a plan; not used."),
    Key("derived", Tables(DERIVED, 0, _MOST_POINTS, unique=("key",)), (), description="Of a plan; not used."),
    Key("replacement", WRITTEN_REPLACEMENTS, (), description="Parts swapped between readings, in their order."),
    checks=(_check_replacements,),
)
"""The table of a readings file."""


def readings_schema() -> Schema:
    """Return the JSON Schema of files of readings."""
    return document_schema(READINGS, "Meterlink readings", "Test points, each with its readings, and parts replaced.")
