"""The page about profiles names every key (its examples are run with those of the other pages)."""

import json
import re
import tomllib
from pathlib import Path

import jsonschema
import pytest

import meterlink
from meterlink.profiles.model import ChecksumKind, DriverName, Flag, NumberType
from meterlink.profiles.schema import json_schema

PAGE = (Path(meterlink.__file__).parent / "docs" / "profiles.md").read_text(encoding="utf-8")
EXAMPLES = re.findall(r"```toml\n# \S+\n(.*?)```", PAGE, re.DOTALL)


def test_there_is_an_example_of_every_driver() -> None:
    assert {tomllib.loads(text)["driver"] for text in EXAMPLES} == set(DriverName)


@pytest.mark.parametrize("text", EXAMPLES)
def test_the_examples_fit_the_schema(text: str) -> None:
    jsonschema.validate(json.loads(json.dumps(tomllib.loads(text))), json_schema())


def test_every_flag_and_type_is_on_the_page() -> None:
    assert [word for word in (*Flag, *NumberType, *ChecksumKind) if f"`{word}`" not in PAGE] == []


def test_every_key_is_on_the_page() -> None:
    top = json_schema()
    keys = set()
    tables = [top, top["$defs"]["meaning"]]
    while tables:
        table = tables.pop()
        for key, inner in table.get("properties", {}).items():
            keys.add(key)
            for schema in (inner, inner.get("items", {}), *inner.get("anyOf", ())):
                tables += [schema] if isinstance(schema, dict) else []
    missing = {key for key in keys if not re.search(rf"[`\[{{. ]{key}[`\] =:]", PAGE)}
    assert missing == set()
