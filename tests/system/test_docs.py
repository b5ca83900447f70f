"""README.md and meterlink/docs do what they say: every example is run, every settings block is read."""

import re
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import click
import pytest

import meterlink
from meterlink.cli.judge import command as judge
from meterlink.cli.judge.readings_file import READINGS
from meterlink.cli.main import cli, main
from meterlink.core.units import Quantity
from meterlink.core.verdicts import Verdict
from meterlink.judge.uncertainty import assumed_accuracy
from meterlink.profiles import check_profile
from meterlink.settings import SETTINGS_FILE, load_settings, settings_schema, stock_schema
from meterlink.settings.stock import STOCK
from meterlink.tomlfile.documents import check_document
from support.doc_examples import (
    PAGES,
    ROOT,
    blocks,
    examples,
    prepare_folder,
    refresh_page,
    run_command,
    run_statements,
    shorten_alike,
    statements,
)

TEXTS = {page.name if page.parent == ROOT else f"docs/{page.name}": page.read_text(encoding="utf-8") for page in PAGES}
JUDGE = TEXTS["docs/judge.md"]


def commands(group: click.Group, *path: str) -> Iterator[tuple[str, ...]]:
    context = click.Context(group)
    for name in group.list_commands(context):
        found = group.get_command(context, name)
        yield (*path, name)
        if isinstance(found, click.Group):
            yield from commands(found, *path, name)


COMMANDS = list(commands(cli))


@pytest.fixture(scope="module")
def folders(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    made = {}
    for name, text in TEXTS.items():
        made[name] = tmp_path_factory.mktemp("page")
        prepare_folder(text, made[name])
    return made


@pytest.mark.parametrize("page", [name for name, text in TEXTS.items() if any(examples(text))])
def test_the_examples_print_what_the_page_shows(page: str, folders: dict[str, Path]) -> None:
    # In order, in one test: an example may need the files of an earlier example.
    for example in examples(TEXTS[page]):
        printed = run_command(example.args, folders[page])
        assert not any(line in {"...", "```"} or line.endswith(", ...}") for line in printed), "looks like a cut"
        assert (example.args, list(example.expected_output)) == (
            example.args,
            shorten_alike(example.expected_output, printed),
        ), "run: python tests/support/doc_examples.py"
        assert example.expected_output not in {(), ("...",)}, "an example shows something of what it prints"


PYTHON_PAGES = [name for name, text in TEXTS.items() if any(statements(text))]


@pytest.mark.parametrize("page", PYTHON_PAGES)
def test_a_statement_prints_what_the_page_shows(page: str, folders: dict[str, Path]) -> None:
    given = list(statements(TEXTS[page]))
    for statement, printed in zip(given, run_statements(given, folders[page]), strict=True):
        assert (statement.source, list(statement.expected_output)) == (
            statement.source,
            shorten_alike(statement.expected_output, printed),
        ), "run: python tests/support/doc_examples.py"


def test_the_python_page_uses_every_function() -> None:
    assert set(PYTHON_PAGES) == {"docs/database.md", "docs/python.md", "docs/seal.md"}
    sources = " ".join(statement.source for statement in statements(TEXTS["docs/python.md"]))
    functions = {name for name in meterlink.__all__ if name.islower()} - {"__version__"}
    assert len(functions) > 5
    assert {name for name in functions if f"meterlink.{name}(" in sources} == functions


def test_each_wall_has_a_test_that_exists() -> None:
    named = re.findall(r"`(\w+\.py)(?:::(\w+))?`", TEXTS["docs/security.md"])
    assert len(named) > 20
    files = {path.name: path.read_text(encoding="utf-8") for path in (ROOT / "tests").rglob("test_*.py")}
    missing = [(file, test) for file, test in named if not re.search(rf"def {test or 'test_'}", files.get(file, ""))]
    assert missing == []
    walls = TEXTS["docs/security.md"].split("## The walls\n")[1].split("\n## ")[0]
    rows = [line for line in walls.splitlines() if line.startswith("| ") and " ---" not in line][1:]
    assert [row for row in rows if ".py" not in row.rsplit(" | ", 1)[-1]] == []


def test_there_are_examples_to_run() -> None:
    assert len(list(examples(TEXTS["README.md"]))) >= 2


def test_every_judgement_has_an_example_in_words_and_in_json() -> None:
    given = [example.args[1:] for example in examples(JUDGE) if example.args[0] == "judge"]
    names = judge.list_commands(click.Context(judge))
    assert {args[0] for args in given if "--json" not in args} == set(names)
    assert {args[0] for args in given if "--json" in args} == set(names)
    assert set(re.findall(r"^### (.+)$", JUDGE, re.MULTILINE)) == set(names)


@pytest.mark.parametrize("path", COMMANDS, ids=" ".join)
def test_every_command_is_spoken_of(path: tuple[str, ...]) -> None:
    wanted = re.compile(rf"\bmeterlink {' '.join(path)}(?![\w-])")
    assert any(wanted.search(text) for text in TEXTS.values())


@pytest.mark.parametrize("path", [(), *COMMANDS], ids=" ".join)
def test_every_help_runs_and_fits_80_columns(
    path: tuple[str, ...], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.chdir(tmp_path)
    with pytest.raises(SystemExit) as ended:
        main([*path, "--help"])
    out, err = capsys.readouterr()
    assert (ended.value.code, err) == (0, "")
    assert out.startswith(f"Usage: meterlink {' '.join(path)}".rstrip())
    assert max(map(len, out.splitlines())) <= 80


# Every TOML block is one of these four, and can be used; the last is whatever is neither of the others.


def _tables() -> Iterator[Any]:
    for name, text in TEXTS.items():
        for block in blocks(text):
            # The errors of the plan in plans.md and of the files in settings.md are shown there, and tested.
            if block.language == "toml" and ' = "mistakes"' not in block.content:
                yield pytest.param(block.content, id=f"{name}:{block.start}")


@pytest.mark.parametrize("content", list(_tables()))
def test_a_toml_block_can_be_used(content: str, tmp_path: Path) -> None:
    table = tomllib.loads(content)
    if "part" in table:
        assert check_document(content, STOCK).require("the page")
    elif "profile" in table:
        assert not check_profile(content).problems
    elif "point" in table:
        assert check_document(content, READINGS).require("the page")  # a plan, perhaps with readings
    else:
        (tmp_path / SETTINGS_FILE).write_text(content, encoding="utf-8")
        found = load_settings(tmp_path)
        assert len(found.meters) == len(table.get("meter", []))
        assert (found.mqtt is None) == ("mqtt" not in table)


def test_settings_are_shown_in_the_readme_for_the_judge_and_key_by_key() -> None:
    shown = {
        name: block.content for name, text in TEXTS.items() for block in blocks(text) if "[[meter]]" in block.content
    }
    assert list(shown) == ["README.md", "docs/judge.md", "docs/settings.md"]


@pytest.mark.parametrize(("page", "schema"), [("settings", settings_schema()), ("stock", stock_schema())])
def test_the_page_of_a_file_has_its_every_key(page: str, schema: dict[str, Any]) -> None:
    (block,) = (block for block in blocks(TEXTS[f"docs/{page}.md"]) if block.language == "toml" and not block.file)
    keys = set(re.findall(r"^(?:# )?([\w-]+) = ", block.content, re.MULTILINE))
    tables = set(re.findall(r"^\[+(?:\w+\.)*(\w+)", block.content, re.MULTILINE))
    assert keys | tables == set(_schema_keys(schema))


def _schema_keys(schema: dict[str, Any]) -> Iterator[str]:
    for key, value in schema.get("properties", {}).items():
        yield key
        yield from _schema_keys(value.get("items", value))


# Tables that repeat the code.


def _rows(heading: str) -> dict[str, str]:
    lines = iter(JUDGE.splitlines())
    assert heading in lines
    next(lines)
    rows = {}
    for line in lines:
        if not line.startswith("|"):
            break
        _, first, second, *_ = (cell.strip() for cell in line.split("|"))
        rows[first.strip("`")] = second
    return rows


def test_every_verdict_is_explained() -> None:
    assert set(_rows("| word | meaning |")) == {str(verdict) for verdict in Verdict}


def test_the_assumed_accuracies_are_the_ones_taken() -> None:
    shown = _rows("| quantity | assumed |")
    assert set(shown) == set(map(str, Quantity)) - {"battery"}  # a state of charge is no test point's quantity
    for quantity, line in shown.items():
        assert str(assumed_accuracy(Quantity(quantity))) == f"{line}, assumed"


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_links_lead_somewhere(page: Path) -> None:
    text = page.read_text(encoding="utf-8")
    anchors = {
        re.sub(r"[^\w -]", "", title).lower().replace(" ", "-")
        for title in re.findall(r"^#+ (.+)$", text, re.MULTILINE)
    }
    for target in re.findall(r"\]\(([^)]+)\)", text):
        file, _, anchor = target.partition("#")
        assert (page.parent / file).exists(), target
        assert file or anchor in anchors, target


def test_nothing_is_called_safe_or_dead() -> None:
    assert not re.findall(r"\b(safe|safely|dead)\b", JUDGE, re.IGNORECASE)


# The rule by which an output may be cut short, and the rewriting.

OBJECT = '{"verdict": "within", "low": 10, "high": 18}'


@pytest.mark.parametrize(
    ("shown", "printed", "same"),
    [
        (["one", "two"], ["one", "two"], True),
        (["one", "two"], ["one", "2"], False),
        (["one"], ["one", "two"], False),
        (["one", "two"], ["one"], False),
        ([], ["one"], False),
        (["one", "..."], ["one", "two", "three"], True),
        (["one", "..."], ["1", "two", "three"], False),
        (["one", "two", "..."], ["one", "two"], False),  # it says there is more, and there is none
        (["one", "...", "three"], ["one", "two", "three"], False),  # only at the end
        (['{"verdict": "within", ...}'], [OBJECT], True),
        (['{"verdict": "within", "low": 10, ...}'], [OBJECT], True),
        (['{"verdict": "outside", ...}'], [OBJECT], False),
        (['{"low": 10, ...}'], [OBJECT], False),
        (['{"verdict": "within", "low": 10, "high": 18, ...}'], [OBJECT], False),  # nothing is left out
        (['{"verdict": "within", ...}', "..."], [OBJECT, "two"], True),
        (['{"verdict": "within", ...}'], ["WITHIN"], False),
    ],
)
def test_what_agrees(shown: list[str], printed: list[str], same: bool) -> None:
    assert (shorten_alike(tuple(shown), printed) == shown) is same


STALE = """
# Page

```console
$ meterlink judge combine 40uF 5uF
stale
$ meterlink judge combine \\
> 40uF 40uF --json
{"series": 1, ...}
$ meterlink judge combine 40uF
```

```pycon
>>> a = 40
>>> for b in (5, 40):
...     print(a + b)
stale
>>> a
>>> None
stale
```

```text
$ meterlink this is left alone
```
"""


def test_a_stale_page_is_rewritten_and_then_stays() -> None:
    today = refresh_page(STALE)
    assert '> 40uF 40uF --json\n{"series": 20, ...}\n$' in today
    assert "4.444 µF in series, 45 µF in parallel\n" in today
    assert "meterlink: A combination needs two capacitors or more, not 40 µF alone. Give each value" in today
    assert "\n...     print(a + b)\n45\n80\n>>> a\n40\n>>> None\n```\n" in today
    assert today.endswith("```text\n$ meterlink this is left alone\n```\n")
    assert refresh_page(today) == today


def test_only_our_own_command_is_run() -> None:
    with pytest.raises(AssertionError, match="rm"):
        list(examples("```console\n$ rm -r /\n```\n"))
