"""The page about profiles names every key (its examples are run with those of the other pages)."""

import json
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import jsonschema
import pytest

import meterlink
from meterlink.profiles import profile_schema
from meterlink.profiles.model import ChecksumKind, DriverName, Flag, NumberType

PAGE = (Path(meterlink.__file__).parent / "docs" / "profiles.md").read_text(encoding="utf-8")
EXAMPLES = re.findall(r"```toml\n# \S+\n(.*?)```", PAGE, re.DOTALL)


def test_there_is_an_example_of_every_driver() -> None:
    assert {tomllib.loads(text)["driver"] for text in EXAMPLES} == set(DriverName)


@pytest.mark.parametrize("text", EXAMPLES)
def test_the_examples_fit_the_schema(text: str) -> None:
    jsonschema.validate(json.loads(json.dumps(tomllib.loads(text))), profile_schema())


def test_every_flag_and_type_is_on_the_page() -> None:
    assert [word for word in (*Flag, *NumberType, *ChecksumKind) if f"`{word}`" not in PAGE] == []


def test_every_key_is_on_the_page() -> None:
    keys = set(_keys(profile_schema()))
    assert {"reflect_in", "one_per_packet", "flag", "pools", "response"} <= keys
    missing = {key for key in keys if not re.search(rf"[`\[{{. ]{key}[`\] =:]", PAGE)}
    assert missing == set()


def _keys(schema: Any) -> Iterator[str]:
    """Yield the keys of every table that a schema describes, at any depth."""
    if isinstance(schema, dict):
        yield from schema.get("properties", {})
        for part in schema.values():
            yield from _keys(part)
    elif isinstance(schema, list):
        for part in schema:
            yield from _keys(part)
