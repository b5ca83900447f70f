"""``meterlink judge diagnosis``: the likely causes behind readings in a file, without a database."""

import json
import re
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import click

from meterlink.cli.diagnosis_output import (
    diagnosis_fields,
    diagnosis_lines,
    diagnosis_options,
    parse_ground_minimum,
    parse_mains_frequency,
)
from meterlink.cli.judge.output import json_option, parse_measured_value
from meterlink.core.equipment import TestPoint
from meterlink.core.errors import InputError
from meterlink.core.readings import Coupling
from meterlink.core.text import clean_text
from meterlink.core.units import Quantity, parse_unit, quantity_of
from meterlink.diagnosis.engine import diagnose
from meterlink.diagnosis.observations import Case, Observation, PointReadings, observe
from meterlink.judge.judging import MeasuredValue
from meterlink.judge.uncertainty import parse_accuracy
from meterlink.plans import read_points
from meterlink.station.rules import shipped_rules
from meterlink.tomlfile.files import read_table

_READING_KEYS = {"display", "meter", "minutes", "accuracy", "low_battery"}
# "240 V AC", "31 VDC".
_VALUE_WITH_COUPLING = re.compile(r"(?P<value>.*[Vv])\s*(?P<coupling>ac|dc)", re.IGNORECASE)


@click.command()
@click.option("--readings", "file", required=True, metavar="FILE", help="TOML: test points, each with its readings.")
@diagnosis_options
@json_option
def diagnosis(file: str, mains: str | None, ground_minimum: str | None, *, as_json: bool) -> None:
    """Show the likely causes behind readings in a file, each with its evidence and the next measurement.

    The file is a plan: its test points, each with its readings in order, newest last. A reading is the text on the
    display ("4.50 uF", "OL", "31 V DC") or a table: display, and optionally meter, minutes (its time, from any start),
    accuracy ("2 % + 5 digits") and low_battery.

    \b
        [[point]]
        key = "herm"
        circuit = "compressor"
        component = "run capacitor"
        section = "HERM"
        terminals = ["C", "HERM"]
        quantity = "capacitance"
        state = "isolated and discharged"
        kind = "capacitor"
        rated = "45 uF"
        readings = ["4.50 uF", { display = "44.8 uF", meter = "second" }]
    """  # \b: click does not wrap this paragraph
    hertz, minimum = parse_mains_frequency(mains), parse_ground_minimum(ground_minimum)
    result = diagnose(Case(read_point_readings(file), hertz, minimum), shipped_rules())
    if as_json:
        click.echo(json.dumps(diagnosis_fields(result), ensure_ascii=False))
        return
    for line in diagnosis_lines(result):
        click.echo(line)


def read_point_readings(file: str) -> tuple[PointReadings, ...]:
    """Return the test points in ``file`` with their readings.

    Raises:
        InputError: the file cannot be read or used; the message names the first problem.
    """
    table = read_table(Path(file), "readings")
    entries = table.get("point")
    reading_lists = [
        entry.pop("readings", []) if isinstance(entry, dict) else []
        for entry in (entries if isinstance(entries, list) else [])
    ]
    result, number = [], 0
    for point, readings in zip(read_points(table, file), reading_lists, strict=True):
        location = f"{file}, {point.key}"
        if not isinstance(readings, list):
            raise InputError(f"{location}: readings is not a list.", 'Write readings = ["4.50 uF"].')
        observations = []
        for reading in readings:
            number += 1
            try:
                observations.append(_parse_observation(point, reading, number))
            except InputError as error:
                raise InputError(f"{location}: {error.message}", error.remedy) from error
        result.append(PointReadings(point, tuple(observations)))
    return tuple(result)


def _parse_observation(point: TestPoint, reading: object, number: int) -> Observation:
    fields = reading if isinstance(reading, dict) else {"display": reading}
    if unknown := sorted(set(fields) - _READING_KEYS):
        raise InputError(f"{unknown[0]!r} is not a field of a reading.", f"Use: {', '.join(sorted(_READING_KEYS))}.")
    display = _text_field(fields, "display")
    if not display:
        raise InputError("a reading has no display text.", 'Write "4.50 uF" or { display = "4.50 uF" }.')
    minutes, low_battery = fields.get("minutes"), fields.get("low_battery", False)
    if not (minutes is None or isinstance(minutes, int | float)) or not isinstance(low_battery, bool):
        raise InputError("minutes must be a number, and low_battery true or false.", "Write minutes = 6.")
    line = _text_field(fields, "accuracy")
    value, coupling = _parse_displayed(display, point.quantity)
    observation = observe(point, value, number, parse_accuracy(line) if line else None)
    return replace(
        observation,
        meter=clean_text(_text_field(fields, "meter")) or "the meter",
        time=None if minutes is None else minutes * 60.0,
        coupling=coupling,
        low_battery=low_battery,
    )


def _text_field(fields: Mapping[str, Any], name: str) -> str:
    text = fields.get(name, "")
    if not isinstance(text, str):
        raise InputError(f"{name} {text!r} is not text.", "Put it in quotes, a value with its unit.")
    return text


def _parse_displayed(text: str, expected: Quantity) -> tuple[MeasuredValue, Coupling | None]:
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
