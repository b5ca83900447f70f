"""The page about profiles: its examples are run, and its tables name every key there is."""

import json
import re
import tomllib
from pathlib import Path

import jsonschema
import pytest
from click.testing import CliRunner

import meterlink
from meterlink.commands.decode import command as decode
from meterlink.profiles import check_profile
from meterlink.profiles.schema import json_schema

PAGE = (Path(meterlink.__file__).parent / "docs" / "profiles.md").read_text(encoding="utf-8")
FILES = dict(re.findall(r"```(?:toml|json) (\S+)\n(.*?)```", PAGE, re.DOTALL))
RUNS = re.findall(r"```console\n\$ meterlink decode (.*?)\n(.*?)```", PAGE, re.DOTALL)
PROFILES = [name for name in FILES if name.endswith(".toml")]


def test_there_is_an_example_of_every_driver() -> None:
    assert len(RUNS) == 3
    assert {tomllib.loads(FILES[name])["driver"] for name in PROFILES} == {"framed", "segmented", "lined"}


@pytest.mark.parametrize("name", PROFILES)
def test_the_examples_are_profiles(name: str) -> None:
    assert [str(finding) for finding in check_profile(FILES[name]).findings] == []
    jsonschema.validate(json.loads(json.dumps(tomllib.loads(FILES[name]))), json_schema())


@pytest.mark.parametrize(("arguments", "output"), RUNS)
def test_the_examples_print_what_the_page_says(
    arguments: str, output: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name, text in FILES.items():
        (tmp_path / name).write_text(text, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    result = CliRunner().invoke(decode, arguments.split(), catch_exceptions=False)
    assert (result.exit_code, result.output) == (0, output)


def test_every_key_is_on_the_page() -> None:
    schema = json_schema()
    keys = set()
    tables = [schema, schema["$defs"]["meaning"]]
    while tables:
        table = tables.pop()
        for key, inner in table.get("properties", {}).items():
            keys.add(key)
            for one in (inner, inner.get("items", {}), *inner.get("anyOf", ())):
                tables += [one] if isinstance(one, dict) else []
    missing = {key for key in keys if not re.search(rf"[`\[{{. ]{key}[`\] =:]", PAGE)}
    assert missing == set()
