"""`meterlink judge diagnosis`: readings written in a file."""

import json
import re
from importlib import resources

import pytest
from click.testing import CliRunner

from meterlink.cli.judge.diagnosis import diagnosis
from meterlink.core.errors import InputError
from meterlink.plans import shipped_plans
from support.point_texts import HERM_POINT

HERM = f"{HERM_POINT}readings = READINGS\n"


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
        ('"44.8 uF"', "13:1: point 1 (herm), readings: '44.8 uF' is not a list. Write readings = [\"4.50 uF\"]."),
        ("[44.8]", "13:13: point 1 (herm), readings 1: 44.8 is not text or a table."),
        ('["44.8 uF", ""]', '13:24: point 1 (herm), readings 2: it is empty. Write it as "4.50 uF".'),
        ("[{ meter = 'one' }]", '13:13: point 1 (herm), readings 1: display is missing. Write display = "4.50 uF".'),
        (
            '["44.8 furlongs"]',
            "13:13: point 1 (herm), readings 1, display: '44.8 furlongs': 'furlongs' is not a unit known here.",
        ),
        ('["-3 uF"]', "13:13: point 1 (herm), readings 1, display: -3 µF is not possible"),
        ('[{ display = "-3 uF" }]', "13:15: point 1 (herm), readings 1, display: -3 µF is not possible"),
        ('[{ display = "44.8 uF", colour = "red" }]', "13:36: point 1 (herm), readings 1, colour: 'colour' is not a"),
        (
            '[{ display = "44.8 uF", minutes = "six" }]',
            "readings 1, minutes: 'six' is not a number. Write minutes = 6.",
        ),
        ('[{ display = "44.8 uF", minutes = nan }]', "readings 1, minutes: nan cannot be used. Write minutes = 6."),
        ('[{ display = "44.8 uF", accuracy = "good" }]', "readings 1, accuracy: 'good' is not an accuracy line."),
        ('[{ display = "44.8 uF", low_battery = 1 }]', "readings 1, low_battery: 1 is not true or false."),
        ("[", "14:1: not valid TOML"),
    ],
)
def test_an_unusable_file(run, readings, message):
    with pytest.raises(InputError, match=re.escape(message)):
        run(readings)


def test_every_error_is_listed_in_one_go(run):
    readings = """[
    "44.8 uF",
    "44.8 furlongs",
    7,
    { display = "-3 uF", colour = "red" },
    { display = "44.9 parsecs", minutes = "six" },
    "4 u",
]"""
    text = HERM.replace('state = "isolated and discharged"', 'state = "idle"') + HERM.replace("READINGS", '["-2 uF"]')
    with pytest.raises(InputError) as caught:
        run(readings, text=text)
    lines = [line.partition("case.toml:")[2] for line in str(caught.value).splitlines()]
    assert [line.partition(", ")[2].partition(": ")[0] for line in lines] == [
        "state",
        "readings 2, display",
        "readings 3",
        "readings 4, colour",
        "readings 5, minutes",
        "readings 6, display",
        "key",
        "readings 1, display",
    ]


def test_points_are_read_as_in_a_plan(run):
    with pytest.raises(InputError, match="terminals: it has 1 item, not 2"):
        run("[]", text=HERM.replace('["C", "HERM"]', '["C"]'))
    with pytest.raises(InputError, match=r"case.toml:1:1: point is missing. Write each as \[\[point\]\]."):
        run("[]", text='name = "x"')
    with pytest.raises(InputError, match=r"'points' is not a field here. Did you mean point\?"):
        run("[]", text=HERM.replace("[[point]]", "[[points]]"))


@pytest.mark.parametrize("name", shipped_plans())
def test_a_plan_is_a_file_without_readings(run, name):
    text = resources.files("meterlink.plans").joinpath(f"{name}.toml").read_text(encoding="utf-8")
    assert json.loads(run("", "--json", text=text))["causes"] == []


def test_no_such_file(tmp_path):
    with pytest.raises(InputError, match="cannot be read"):
        CliRunner().invoke(diagnosis, ["--readings", str(tmp_path / "none.toml")], catch_exceptions=False)


# Replacements


FAN = HERM.replace("herm", "fan").replace("HERM", "FAN").replace("45 uF", "5 uF").replace("READINGS", '["5.01 uF"]')
SWAP = """
[[replacement]]
component = "run capacitor"
readings_before = { herm = 1, fan = 1 }
"""


def test_a_replacement_divides_the_readings(run):
    fields = json.loads(run('["38.2 uF", "45.1 uF"]', "--json", text=HERM + FAN + SWAP))
    herm, fan = fields["repairs"]
    assert herm == {
        "part": "run capacitor HERM",
        "terminals": "C–HERM",
        "outcome": "proven",
        "text": "Repair proven: C–HERM read 38.2 µF of 45 before and 45.1 after.",
    }
    assert fan["outcome"] == "not proven"
    assert fields["causes"] == []
    assert "Replaced: Repair proven: C–HERM" in run('["38.2 uF", "45.1 uF"]', text=HERM + FAN + SWAP)


def test_labels_rate_the_old_part_and_the_new_one(run):
    swap = SWAP + 'old_rating = "45+5 uF 440 V"\nnew_rating = "50+7.5 uF 440 V"\n'
    fields = json.loads(run('["38.2 uF", "50.1 uF"]', "--json", text=HERM + FAN + swap))
    assert fields["repairs"][0]["text"] == "Repair proven: C–HERM read 38.2 µF of 45 before and 50.1 of 50 after."


def test_without_a_replacement_the_jump_is_a_question(run):
    fields = json.loads(run('["38.2 uF", "45.1 uF"]', "--json"))
    (question,) = fields["questions"]
    assert question["question"].startswith("Was the run capacitor HERM replaced in between?")
    assert [choice["key"] for choice in question["choices"]] == ["yes", "no"]
    output = run('["38.2 uF", "45.1 uF"]')
    assert "Question: Was the run capacitor HERM replaced" in output
    assert "Repair proven" in output


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("run capacitor", "blower", "replacement 1, component: no test point has the part 'blower'."),
        ("fan = 1", "fan = 7", "replacement 1, readings_before.fan: fan has 1 reading."),
        ("herm = 1, ", "", "herm has readings, and may be at the old part or at the new one."),
        ("fan = 1", "fan = 1, coil = 1", "replacement 1, readings_before.coil: this test point is not at the part."),
        ("readings_before", 'old_rating = "45"\nreadings_before', "replacement 1, old_rating: "),
        ("readings_before = { herm = 1, fan = 1 }", "", "readings_before is missing"),
        (
            "readings_before = { herm = 1, fan = 1 }",
            'sections = ["FAN"]\nnew_rating = "45+5 uF 440 V"\nreadings_before = { fan = 1 }',
            "sections: '45+5 uF 440 V' is a dual capacitor: one part.",
        ),
    ],
)
def test_an_unusable_replacement(run, old, new, message):
    assert old in SWAP
    with pytest.raises(InputError, match=re.escape(message)):
        run('["38.2 uF", "45.1 uF"]', text=HERM + FAN + SWAP.replace(old, new))
