"""``meterlink judge diagnosis``: the likely causes behind readings in a file, without a database."""

import json

import click

from meterlink.cli.diagnosis_output import (
    diagnosis_fields,
    diagnosis_lines,
    diagnosis_options,
    parse_ground_minimum,
    parse_mains_frequency,
)
from meterlink.cli.judge.readings_file import read_readings
from meterlink.cli.output import Form, listing_options
from meterlink.diagnosis.engine import diagnose
from meterlink.diagnosis.observations import Case
from meterlink.station.rules import shipped_rules


@click.command()
@click.option("--readings", "file", required=True, metavar="FILE", help="TOML: test points, each with its readings.")
@diagnosis_options
@listing_options("title", "kind", "confidence", "score", "is_decided", "next_measurement")
def diagnosis(file: str, mains: str | None, ground_minimum: str | None, *, form: Form) -> None:
    """Show the likely causes behind readings in a file, each with its evidence and the next measurement.

    \b
        meterlink judge diagnosis --readings case.toml

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

    A part that was replaced is a table, too. The first readings of each of its test points are those of the old part:
    readings_before says how many. All sections of a dual capacitor are one part. Optional: circuit, sections (of parts
    of their own), old_rating and new_rating as marked on capacitors.

    \b
        [[replacement]]
        component = "run capacitor"
        readings_before = { herm = 1 }
    """  # \b: click does not wrap this paragraph
    hertz, minimum = parse_mains_frequency(mains), parse_ground_minimum(ground_minimum)
    readings = read_readings(file)
    case = Case(readings.point_readings, hertz, minimum, readings.replacements)
    result = diagnose(case, shipped_rules())
    fields = diagnosis_fields(result)
    if form.as_json:
        click.echo(json.dumps(fields, ensure_ascii=False))  # one line, as every answer of the judge
        return
    if form.prints(fields, fields["causes"]):
        return
    for line in diagnosis_lines(result):
        click.echo(line)
