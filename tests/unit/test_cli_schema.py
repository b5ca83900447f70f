"""``meterlink schema``: JSON Schemas that editors can use, of the files that Meterlink reads."""

import json
import tomllib

import jsonschema
import pytest
from click.testing import CliRunner

from meterlink.cli.main import cli
from meterlink.plans import read_plan_text, shipped_plans
from meterlink.settings import settings_schema, stock_schema

SETTINGS = """
#:schema ./settings.schema.json
station = "van-3"
[[meter]]
address = "00:00:5E:00:53:0A"
temperature_coefficient = 0.1
[[meter.accuracy]]
quantity = "capacitance"
line = "2 % + 5 digits"
"""


def printed_schema(kind: str) -> dict[str, object]:
    result = CliRunner().invoke(cli, ["schema", kind])
    assert (result.exit_code, result.stderr) == (0, "")
    schema: dict[str, object] = json.loads(result.stdout)
    jsonschema.Draft202012Validator.check_schema(schema)
    return schema


@pytest.mark.parametrize("kind", ["settings", "stock", "plan", "profile", "readings", "replacements"])
def test_a_schema_says_what_it_is_for(kind: str) -> None:
    schema = printed_schema(kind)
    assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    assert kind in str(schema["title"])


def test_the_printed_schemas_are_those_of_the_readers() -> None:
    assert printed_schema("settings") == settings_schema()
    assert printed_schema("stock") == stock_schema()


def test_the_schemas_check_files() -> None:
    jsonschema.validate(tomllib.loads(SETTINGS), printed_schema("settings"))
    with pytest.raises(jsonschema.ValidationError, match="'adress' was unexpected"):
        jsonschema.validate(tomllib.loads(SETTINGS.replace("address", "adress")), printed_schema("settings"))
    for name in shipped_plans():
        jsonschema.validate(tomllib.loads(read_plan_text(name)), printed_schema("plan"))


def test_a_replacement_is_checked_by_the_schemas() -> None:
    between = {"component": "run capacitor", "on": "2025-05-01"}
    jsonschema.validate({"replacement": [between]}, printed_schema("replacements"))
    with pytest.raises(jsonschema.ValidationError, match="'on' is a required property"):
        jsonschema.validate({"replacement": [{"component": "run capacitor"}]}, printed_schema("replacements"))
    swap = {"component": "run capacitor", "readings_before": {"herm": 1}}
    schema = printed_schema("readings")["properties"]
    assert isinstance(schema, dict)
    jsonschema.validate([swap], schema["replacement"])
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate([swap | {"readings_before": {"herm": "one"}}], schema["replacement"])


def test_every_key_of_the_settings_is_explained_to_an_editor_or_plain() -> None:
    """The keys without a description are those whose name says it all."""
    plain = {"judge", "meter", "accuracy", "quantity", "username"}
    assert set(_undescribed(printed_schema("settings"))) == plain
    assert set(_undescribed(printed_schema("stock"))) == {"part", "note"}


def _undescribed(schema: dict[str, object]) -> list[str]:
    properties = schema.get("properties", {})
    assert isinstance(properties, dict)
    found = [key for key, value in properties.items() if "description" not in value]
    for value in properties.values():
        found += _undescribed(value.get("items", value))
    return found


def test_an_unknown_kind_is_refused() -> None:
    result = CliRunner().invoke(cli, ["schema", "scenario"])
    assert result.exit_code == 2
    assert "settings" in result.stderr
