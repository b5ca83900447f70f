"""``meterlink judge diagnosis``: what readings written in a file point to, without a database."""

import json
import re
import tomllib
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

_READING_KEYS = {"shows", "meter", "minutes", "accuracy", "low_battery"}
# "240 V AC", "31 VDC".
_VALUE_WITH_COUPLING = re.compile(r"(?P<shown>.*[Vv])\s*(?P<coupling>ac|dc)", re.IGNORECASE)


@click.command()
@click.option("--readings", "file", required=True, metavar="FILE", help="TOML: test points, each with its readings.")
@diagnosis_options
@json_option
def diagnosis(file: str, mains: str | None, ground_minimum: str | None, *, as_json: bool) -> None:
    """Say what readings in a file point to: what speaks for it, what against, and what to measure next.

    The file is a plan: its test points, each with the readings taken there in order, newest last. A reading is what the
    display showed ("4.50 uF", "OL", "31 V DC") or a table: shows, and optionally meter, minutes (when, from any
    beginning), accuracy ("2 % + 5 digits") and low_battery.

    \b
        [[point]]
        key = "herm"
        circuit = "compressor"
        component = "run capacitor"
        section = "HERM"
        terminals = ["C", "HERM"]
        quantity = "capacitance"
        state = "isolated and discharged"
        check = "capacitor"
        rated = "45 uF"
        readings = ["4.50 uF", { shows = "44.8 uF", meter = "second" }]
    """  # \b is click's mark for text that is not to be wrapped
    hertz, minimum = parse_mains_frequency(mains), parse_ground_minimum(ground_minimum)
    found = diagnose(Case(read_point_readings(file), hertz, minimum))
    if as_json:
        click.echo(json.dumps(diagnosis_fields(found), ensure_ascii=False))
        return
    for line in diagnosis_lines(found):
        click.echo(line)


def read_point_readings(file: str) -> tuple[PointReadings, ...]:
    """Return the test points and readings in ``file``; InputError naming the first thing that is wrong."""
    try:
        table = tomllib.loads(Path(file).read_text(encoding="utf-8"))
    except OSError as error:
        raise InputError(
            f"{file!r} cannot be read: {error.strerror}.", "Give a TOML file with [[point]] tables."
        ) from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise InputError(f"{file} is not valid TOML: {error}.", "Mend that line.") from error
    except RecursionError as error:
        raise InputError(f"{file} is nested too deeply.", "Give a TOML file with [[point]] tables.") from error
    entries = table.get("point")
    given = [
        entry.pop("readings", []) if isinstance(entry, dict) else []
        for entry in (entries if isinstance(entries, list) else [])
    ]
    takes, number = [], 0
    for point, texts in zip(read_points(table, file), given, strict=True):
        where = f"{file}, {point.key}"
        if not isinstance(texts, list):
            raise InputError(f"{where}: readings are no list.", 'Write readings = ["4.50 uF"].')
        taken = []
        for text in texts:
            number += 1
            try:
                taken.append(_parse_observation(point, text, number))
            except InputError as error:
                raise InputError(f"{where}: {error.message}", error.remedy) from error
        takes.append(PointReadings(point, tuple(taken)))
    return tuple(takes)


def _parse_observation(point: TestPoint, given: object, number: int) -> Observation:
    fields = given if isinstance(given, dict) else {"shows": given}
    if strange := sorted(set(fields) - _READING_KEYS):
        raise InputError(f"{strange[0]!r} is no field of a reading.", f"Use: {', '.join(sorted(_READING_KEYS))}.")
    shown = _text_field(fields, "shows")
    if not shown:
        raise InputError("a reading does not say what the meter showed.", 'Write "4.50 uF" or { shows = "4.50 uF" }.')
    minutes, low_battery = fields.get("minutes"), fields.get("low_battery", False)
    if not (minutes is None or isinstance(minutes, int | float)) or not isinstance(low_battery, bool):
        raise InputError("minutes is a number and low_battery true or false.", "Write minutes = 6.")
    line = _text_field(fields, "accuracy")
    value, coupling = _parse_displayed(shown, point.quantity)
    taken = observe(point, value, number, parse_accuracy(line) if line else None)
    return replace(
        taken,
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
    """Return what a display showed, of the quantity its unit says (without one, of the quantity wanted)."""
    match = _VALUE_WITH_COUPLING.fullmatch(text.strip())
    shown, coupling = (match["shown"], Coupling(match["coupling"].upper())) if match else (text, None)
    try:
        return parse_measured_value(shown, expected), coupling
    except InputError as first:
        word = shown.strip().lstrip("+-0123456789. ")
        try:
            quantity = quantity_of(parse_unit(word))
        except InputError:
            raise first from None
        return parse_measured_value(shown, quantity), coupling
