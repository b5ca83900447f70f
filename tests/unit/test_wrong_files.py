"""Sixty wrong files at the reader and at the JSON Schema of their kind: both refuse each, at the same place."""

import tomllib
from typing import Any

import jsonschema
import pytest

from meterlink.cli.schema import schema_of
from meterlink.plans import PLAN
from meterlink.profiles.profile_table import PROFILE
from meterlink.settings.parser import SETTINGS
from meterlink.settings.stock import STOCK
from meterlink.tomlfile.documents import check_document
from meterlink.tomlfile.field_types import FieldType
from support.valid_files import FILES

TABLES: dict[str, FieldType[Any]] = {"plan": PLAN, "settings": SETTINGS, "stock": STOCK, "profile": PROFILE}

# (kind of file, old text, new text): one mistake each.
WRONG = [
    ("plan", 'name = "pump"', ""),
    ("plan", 'name = "pump"', "name = 7"),
    ("plan", 'name = "pump"', 'nam = "pump"'),
    ("plan", 'name = "pump"', 'name = "pump"\nversion = 2'),
    ("plan", 'key = "herm"', 'key = "Herm 1"'),
    ("plan", 'circuit = "compressor"', 'circuit = ["compressor"]'),
    ("plan", 'circuit = "compressor"', 'circuit = " "'),
    ("plan", 'circuit = "compressor"', f'circuit = "{"x" * 41}"'),
    ("plan", 'terminals = ["C", "HERM"]', 'terminals = "C, HERM"'),
    ("plan", 'terminals = ["C", "HERM"]', 'terminals = ["C"]'),
    ("plan", 'terminals = ["C", "HERM"]', 'terminals = ["C", "C"]'),
    ("plan", 'terminals = ["C", "HERM"]', 'terminals = ["C", 2]'),
    ("plan", 'quantity = "capacitance"', 'quantity = "farads"'),
    ("plan", 'state = "energized"', "state = true"),
    ("plan", 'kind = "range"\n', ""),
    ("plan", 'rated = "45 uF"', "rated = 45"),
    ("plan", 'tolerance = "6 %"', 'tolerance = "6 %"\nlow = "40 uF"'),
    ("plan", 'low = "18 °C"', 'low = "18 °C"\nlimits = "on site"'),
    ("plan", 'low = "18 °C"', 'limits = "later"'),
    ("plan", 'kind = "split"', 'kind = "splits"'),
    ("plan", 'supply = "supply"', "supply = 7"),
    ("plan", 'supply = "supply"', 'supplies = "supply"'),
    ("plan", 'kind = "range"\nlow', 'kind = "range"\nband = "supply"\nlow'),
    ("plan", 'kind = "range"\nlow', 'kind = "range"\nrated_by = "Which one?"\nlow'),
    ("plan", 'kind = "range"\nlow', 'kind = "range"\noptional = "no"\nlow'),
    ("plan", 'kind = "range"\nlow', 'kind = "range"\nin_series = true\nlow'),
    ("plan", 'kind = "range"\nlow', 'kind = "range"\nhazards = ["water"]\nlow'),
    ("plan", 'kind = "range"\nlow', 'kind = "range"\nwhen = ["fan"]\nlow'),
    ("plan", 'words = "gas"', ""),
    ("plan", 'words = "gas"', 'words = "gas"\nhazard = "water"'),
    ("plan", 'usual = "gas"', 'usual = "Gas!"'),
    ("plan", 'text = "How does it heat?"', "text = 7"),
    ("settings", 'station = "van-3"', 'station = ["van", "3"]'),
    ("settings", 'station = "van-3"', 'stations = "van-3"'),
    ("settings", "[judge]", "[judges]"),
    ("settings", 'rule = "guarded acceptance"', "rule = 3"),
    ("settings", "guard_factor = 0.83", "guard_factor = 0"),
    ("settings", "guard_factor = 0.83", 'guard_factor = "0.83"'),
    ("settings", 'address = "00:00:5E:00:53:0A"', ""),
    ("settings", 'address = "00:00:5E:00:53:0A"', 'address = "00-00-5E-00-53-0A"'),
    ("settings", 'name = "clamp meter"', "name = 5"),
    ("settings", 'pinned_point = "line-volts"', 'pinned_point = ["line-volts"]'),
    ("settings", 'pinned_point = "line-volts"', 'pin = ["line-volts"]'),
    ("settings", "temperature_coefficient = 0.1", "temperature_coefficient = 2"),
    ("settings", 'quantity = "capacitance"', 'quantity = "capacity"'),
    ("settings", 'line = "2 % + 5 digits"', ""),
    ("settings", 'up_to = "100 uF"', "up_to = 100"),
    ("settings", 'host = "broker.example"', "host = 7"),
    ("settings", "port = 8883", "port = 88830"),
    ("settings", "port = 8883", "port = true"),
    ("settings", "[mqtt]", "[[mqtt]]"),
    ("stock", "[[part]]", "[[parts]]"),
    ("stock", "[[part]]", "[part]"),
    ("stock", 'rating = "45+5 uF 440 V"', "rating = 45"),
    ("stock", 'rating = "45+5 uF 440 V"', ""),
    ("stock", "count = 2", "count = -1"),
    ("stock", "count = 2", 'count = "two"'),
    ("stock", 'note = "left bin"', "note = true"),
    ("stock", 'note = "left bin"', 'bin = "left"'),
    ("profile", "profile = 1", "profile = 2"),
    ("profile", 'name = "bench-a"', 'name = "Bench A"'),
    ("profile", 'driver = "framed"', 'driver = "frames"'),
    ("profile", 'driver = "framed"', 'driver = "lined"'),
    ("profile", 'notify = "fff1"', "notify = 0xfff1"),
    ("profile", 'notify = "fff1"', ""),
    ("profile", 'hex = "a5 01"', 'hex = "a5 0"'),
    ("profile", "every = 0.5", "every = 0"),
    ("profile", "length = 8", 'length = "8"'),
    ("profile", 'kind = "sum"', 'kind = "sums"'),
    ("profile", 'type = "int"', 'type = "integer"'),
    ("profile", 'bits = ["1.7-4"]', 'bits = ["1.8"]'),
    ("profile", 'unit = "V", coupling = "DC"', 'unit = "V", couplings = "DC"'),
    ("profile", "0x01 =", "first ="),
    ("profile", '"2.0" = { flag = "overload" }', '"2.0" = { flag = "overloaded" }'),
    ("profile", "[value]", "[values]"),
]


def test_there_are_sixty_and_the_files_are_right() -> None:
    assert len(WRONG) >= 60
    for kind, text in FILES.items():
        checked = check_document(text, TABLES[kind])
        assert checked.value is not None, (kind, checked.problems)
        assert schema_errors(kind, text) == []


@pytest.mark.parametrize(("kind", "old", "new"), WRONG)
def test_reader_and_schema_refuse_the_same_file(kind: str, old: str, new: str) -> None:
    assert old in FILES[kind]
    text = FILES[kind].replace(old, new, 1)
    checked = check_document(text, TABLES[kind])
    assert checked.value is None
    assert schema_errors(kind, text)
    for problem in checked.problems:
        line = text.splitlines()[problem.position.line - 1]
        assert problem.message
        assert problem.remedy
        # The position is that of the mistake, or of the header of the table in which something is missing.
        mistake = any(part and part in line for part in new.splitlines()) or "missing" in problem.message
        assert mistake or line.startswith("["), (problem, line)


def schema_errors(kind: str, text: str) -> list[str]:
    # A float of TOML is a float to jsonschema, too.
    document = tomllib.loads(text)
    return [error.message for error in jsonschema.Draft202012Validator(schema_of(kind)).iter_errors(document)]
