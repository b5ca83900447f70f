"""`meterlink judge diagnosis`: readings written in a file."""

import json

import pytest
from click.testing import CliRunner

from meterlink.cli.judge.diagnosis import diagnosis
from meterlink.core.errors import InputError

HERM = """
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
tolerance = "6 %"
readings = READINGS
"""


@pytest.fixture
def run(tmp_path):
    def invoke(readings: str, *args: str, text: str = HERM):
        file = tmp_path / "case.toml"
        file.write_text(text.replace("READINGS", readings), encoding="utf-8")
        return CliRunner().invoke(diagnosis, ["--readings", str(file), *args], catch_exceptions=False).output

    return invoke


@pytest.mark.parametrize(
    ("readings", "rules"),
    [
        ("[]", []),
        ('["44.8 uF"]', []),
        ('["30.0 uF"]', ["section-failed"]),
        ('["0.02 uF"]', ["section-open"]),
        ('["OL"]', ["section-shorted"]),
        ('["45.1 nF"]', ["wrong-prefix", "section-open"]),
        ('["12.0 ohm"]', ["wrong-function"]),
        ('["310 V DC", "44.8 uF"]', ["charge-on-capacitor"]),
        ('["310 VDC", "44.8 uF"]', ["charge-on-capacitor"]),
        ('["31 VAC", "44.8 uF"]', ["voltage-where-isolated"]),
        ('[{ display = "44.8 uF", low_battery = true }]', ["low-battery"]),
        (
            '[{ display = "44.8 uF", meter = "one" }, { display = "38.0 uF", meter = "two" }]',
            ["meters-disagree", "section-weak"],
        ),
        ('[{ display = "42.2 uF", accuracy = "0.05 % + 1 digit" }]', ["section-weak"]),
    ],
)
def test_readings_in_a_file(run, readings, rules):
    assert [cause["rule"] for cause in json.loads(run(readings, "--json"))["causes"]] == rules


def test_as_text(run):
    output = run('["30.0 uF"]')
    assert "The run capacitor HERM has failed" in output
    assert "LIKELY" in output


@pytest.mark.parametrize(
    ("readings", "message"),
    [
        ('"44.8 uF"', "not a list"),
        ("[44.8]", "not text"),
        ('[""]', "has no display text"),
        ('["44.8 furlongs"]', "furlongs"),
        ('["-3 uF"]', "never negative"),
        ('[{ display = "44.8 uF", colour = "red" }]', "'colour'"),
        ('[{ display = "44.8 uF", minutes = "six" }]', "minutes"),
        ('[{ display = "44.8 uF", accuracy = "good" }]', "accuracy line"),
        ("[", "not valid TOML"),
    ],
)
def test_an_unusable_file(run, readings, message):
    with pytest.raises(InputError, match=message):
        run(readings)


def test_points_are_read_as_in_a_plan(run):
    with pytest.raises(InputError, match="terminals"):
        run("[]", text=HERM.replace('["C", "HERM"]', '["C"]'))
    with pytest.raises(InputError, match="no test points"):
        run("[]", text='name = "x"')


def test_no_such_file(tmp_path):
    with pytest.raises(InputError, match="cannot be read"):
        CliRunner().invoke(diagnosis, ["--readings", str(tmp_path / "none.toml")], catch_exceptions=False)
