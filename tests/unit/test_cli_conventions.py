"""The conventions of the command line: forms of listings, colours, the nearest name for a misspelt one, completion."""

import json
import re
import shlex
from collections.abc import Iterator
from pathlib import Path

import click
import pytest
from click.shell_completion import ShellComplete
from hypothesis import given
from hypothesis import strategies as st

from meterlink.cli.main import cli
from meterlink.cli.table import Cell, cell_width, table_lines
from meterlink.cli.terminal import colour_choice
from meterlink.core.text import did_you_mean
from meterlink.settings import DATABASE_FILE
from meterlink.store.reader import Reader
from support.broker_messages import store_messages
from support.command_lines import PLAN
from support.commands import parse_json, run_command, run_on_terminal
from support.doc_examples import SEASONS
from support.judge_calls import write_files
from support.recorded_visits import store_visits

ESCAPES = re.compile(r"\x1b\[[0-9;]*m")


def leaves(
    command: click.Command = cli, names: tuple[str, ...] = ()
) -> Iterator[tuple[tuple[str, ...], click.Command]]:
    """Yield ``(names, command)`` of every command that can be run."""
    if not isinstance(command, click.Group):
        yield names, command
        return
    context = click.Context(command)
    for name in command.list_commands(context):
        below = command.get_command(context, name)
        assert below is not None
        yield from leaves(below, (*names, name))


def is_listing(command: click.Command) -> bool:
    return (command.help or "").startswith(("List ", "Show "))


LISTINGS = {" ".join(names): command for names, command in leaves() if is_listing(command)}
# The arguments with which each listing of a folder with visits prints something; of a new listing, add them here.
ARGUMENTS = {
    "answer": None,  # needs a station; tests/system/test_questions_station.py reads its JSON
    "diagnose": (),
    "due": (),
    "find": None,  # needs a radio; tests/system/test_find.py reads its JSON
    "gaps": None,  # no visit here has one; tests/unit/test_cli_gaps.py reads its JSON and lines
    "history": (),
    "meter list": (),
    "meter show": None,  # one meter; tests/system/test_meter_facts.py reads its JSON
    "judge diagnosis": None,  # needs a file; tests/unit/test_cli_judge_diagnosis.py reads its JSON
    "outbox list": (),
    "plan list": (),
    "plan show": ("split-condenser",),
    "profile list": (),
    "seal keys": (),
    "seal list": (),
    "site list": (),
    "site show": ("Mill Lane bakery",),
    "status": None,  # exit status 1 without a daemon; tests/system/test_status.py reads its JSON
    "stock ledger": (),
    "stock list": (),
    "stock restock": (),
    "trend": (),
    "unit list": (),
    "unit show": None,  # one unit; tests/system/test_places.py reads its JSON
    "visit list": (),
    "visit show": None,  # the newest visit, below
}


# The key of the records in a JSON object.
RECORDS = {"stock restock": "lines", "diagnose": "causes", "site show": "units"}


@pytest.fixture
def data(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("METERLINK_DATA", str(tmp_path))
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.fixture
def visits(data: Path) -> Path:
    store_visits(data / DATABASE_FILE, SEASONS)
    return data


# Listings


def test_every_listing_is_known_here() -> None:
    # A command whose help begins with List or Show prints records.
    assert set(LISTINGS) == set(ARGUMENTS)


@pytest.mark.parametrize("name", LISTINGS)
def test_every_listing_prints_json_and_lines(name: str) -> None:
    flags = {flag for parameter in LISTINGS[name].params for flag in parameter.opts}
    assert "--json" in flags
    assert "--lines" in flags
    assert "With --lines: " in (LISTINGS[name].help or "")


@pytest.mark.parametrize("name", [name for name, arguments in ARGUMENTS.items() if arguments is not None])
def test_a_listing_is_one_json_value_and_as_many_lines_as_records(visits: Path, name: str) -> None:
    arguments = (*name.split(), *(ARGUMENTS[name] or ()))
    if name == "profile list":
        (visits / "profiles").mkdir()
        (visits / "profiles" / "yard.toml").write_text("profile = 1", encoding="utf-8")
    if name.startswith("stock"):
        assert run_command("stock", "add", "45+5 MFD 440V", "--place", "left\tbin").status == 0
        assert run_command("stock", "use", "45+5 MFD 440V").status == 0
    if name.startswith("outbox"):
        store_messages(visits / DATABASE_FILE, 2, {1: "Not authorized"})
    status, out, err = run_command(*arguments, "--json")
    assert (status, err) == (0, "")
    value = parse_json(out)
    records = value if isinstance(value, list) else value[RECORDS.get(name, "points")]
    help_text = " ".join((LISTINGS[name].help or "").split())
    columns = re.findall(r"With --lines: ([\w, ]+)\.", help_text)[0].split(", ")
    status, out, err = run_command(*arguments, "--lines")
    assert (status, err) == (0, "")
    lines = out.splitlines()
    assert len(lines) == len(records)
    assert records or name == "diagnose"  # the newest visit found nothing wrong
    assert {line.count("\t") for line in lines} <= {len(columns) - 1}
    for key in columns if records else ():
        value = records[0].get(key)
        if isinstance(value, str):  # the same text in both, but for the signs that a terminal would obey
            assert lines[0].split("\t")[columns.index(key)] == value


def test_the_two_forms_exclude_each_other(visits: Path) -> None:
    status, out, err = run_command("history", "--json", "--lines")
    assert (status, out) == (2, "")
    assert "either --json or --lines" in err


def test_nothing_is_cut_in_a_pipe_and_colours_are_left_out(visits: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "20")
    for arguments in (("history",), ("visit", "list"), ("plan", "list")):
        out = run_command(*arguments).out
        assert "…" not in out
        assert "\x1b" not in out
        assert max(map(len, out.splitlines())) > 20


@pytest.mark.parametrize("columns", [12, 40, 62, 80, 120, 200])
def test_a_table_follows_the_terminal(visits: Path, columns: int) -> None:
    for arguments in (("history",), ("visit", "list"), ("plan", "list")):
        out = run_on_terminal(columns, *arguments)
        plain = ESCAPES.sub("", out)
        assert max(map(cell_width, plain.splitlines())) <= columns, plain
        if columns == 200:
            assert out.startswith("\x1b[1m"), "the headings are bold"
            assert "…" not in plain


@pytest.mark.parametrize("columns", [30, 62, 80, 100, 120])
def test_no_value_limit_or_verdict_is_cut(visits: Path, columns: int) -> None:
    # 7.4… of 7.49 µF, or WITHIN without its close call, would read as another result.
    rows = json.loads(run_command("history", "--json").out)
    for arguments in (("history",), ("visit", "show", rows[-1]["visit_uid"])):
        shown = " ".join(ESCAPES.sub("", run_on_terminal(columns, *arguments)).split())
        for row in rows if arguments == ("history",) else rows[-2:]:
            verdict = row["verdict"].upper() + (" (close call)" if row["margin"] == "close call" else "")
            for text in (row["reading"], verdict, row["component"]):
                assert text in shown, (columns, text)


def test_no_color_leaves_every_word(visits: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("FORCE_COLOR", "1")
    coloured = run_command("history").out
    assert "\x1b[31m" in coloured or "\x1b[33m" in coloured or "\x1b[32m" in coloured
    monkeypatch.setenv("NO_COLOR", "1")
    assert run_command("history").out == ESCAPES.sub("", coloured)


@pytest.mark.parametrize(
    ("environment", "choice"),
    [
        ({}, None),
        ({"NO_COLOR": ""}, None),  # an empty variable says nothing
        ({"NO_COLOR": "1"}, False),
        ({"NO_COLOR": "0"}, False),  # any text counts
        ({"FORCE_COLOR": "1"}, True),
        ({"FORCE_COLOR": "0"}, None),
        ({"CLICOLOR_FORCE": "1"}, True),
        ({"CLICOLOR": "0"}, False),
        ({"CLICOLOR": "1"}, None),
        ({"TERM": "dumb"}, False),
        ({"TERM": "dumb", "FORCE_COLOR": "1"}, True),
        ({"NO_COLOR": "1", "FORCE_COLOR": "1"}, False),
    ],
)
def test_the_environment_chooses_colours(environment: dict[str, str], choice: bool | None) -> None:
    assert colour_choice(environment) is choice


# Help

COMMANDS = {" ".join(names): command for names, command in leaves()}


def help_examples(command: click.Command) -> list[list[str]]:
    """Return the arguments of the examples in a command's help."""
    joined = re.sub(r" \\\n *", " ", command.help or "")
    lines = re.findall(r"^ *meterlink (.+)$", joined, re.MULTILINE)
    # Only the first command of a pipe or a chain is this one.
    return [shlex.split(re.split(r" [|&>]+ ", line)[0]) for line in lines]


@pytest.mark.parametrize("name", COMMANDS)
def test_every_help_has_an_example_that_is_right(data: Path, name: str) -> None:
    write_files(data)
    (data / "plan.toml").write_text(PLAN, encoding="utf-8")
    examples = help_examples(COMMANDS[name])
    assert examples, "its help has no example"
    for args in examples:
        typed = args[len(name.split()) :]
        assert [*name.split(), *typed] == args
        COMMANDS[name].make_context(name, typed)  # raises where an option or a value is wrong
        if name.startswith(("judge ", "plan ", "schema")):
            assert run_command(*args).status in {0, 3}, args


def test_the_help_of_a_group_lists_every_command_below_a_heading() -> None:
    for names in ((), ("judge",)):
        out = run_command(*names, "--help").out
        group = cli if not names else cli.get_command(click.Context(cli), "judge")
        assert isinstance(group, click.Group)
        for name in group.list_commands(click.Context(group)):
            assert len(re.findall(rf"^  {name}  ", out, re.MULTILINE)) == 1, name


# Tables


def test_wide_characters_stay_in_line() -> None:
    assert [cell_width(text) for text in ("abc", "冷蔵", "e\u0301", "µF")] == [3, 4, 1, 2]
    lines = table_lines(("Site", "State"), [("冷蔵庫", "open"), ("bakery", "closed")], None)
    assert lines is not None
    assert [ESCAPES.sub("", line) for line in lines] == ["Site    State", "冷蔵庫  open", "bakery  closed"]


@given(
    st.lists(st.tuples(st.text(max_size=30), st.text(max_size=30), st.text(max_size=30)), min_size=1, max_size=5),
    st.integers(1, 120),
)
def test_a_table_fits_or_there_is_none(rows: list[tuple[str, str, str]], width: int) -> None:
    clean = [tuple(Cell(text if text.isprintable() else "") for text in row) for row in rows]
    lines = table_lines(("One", "Two", "Three"), clean, width)
    if lines is not None:
        assert max(map(cell_width, (ESCAPES.sub("", line) for line in lines)), default=0) <= width
    whole = table_lines(("One", "Two", "Three"), clean, None)
    assert whole is not None
    assert not any("…" in line for line in whole) or any("…" in cell.text for row in clean for cell in row)


# Misspelt names


@pytest.mark.parametrize(
    ("typed", "nearest"),
    [
        (("histroy",), "Did you mean history?"),
        (("visit", "shwo"), "Did you mean show?"),
        (("plan", "lst"), "Did you mean list?"),
        (("profile", "chek", "a.toml"), "Did you mean check?"),
        (("judge", "capacitr"), "Did you mean capacitor?"),
        (("history", "--untis", "x"), "--unit"),
        (("visit", "close", "--outcome", "repared"), "Did you mean repaired?"),
        (("plan", "show", "split-condensor"), "Did you mean split-condenser?"),
        (("plan", "show", "split"), "Did you mean split-condenser?"),  # a name that was begun
        (("plan", "check", "walk-in-coler"), "Did you mean walk-in-cooler?"),
    ],
)
def test_a_misspelt_name_is_answered_with_the_nearest(data: Path, typed: tuple[str, ...], nearest: str) -> None:
    status, out, err = run_command(*typed)
    assert (status, out) == (2, "")
    assert nearest in err
    assert len(err.splitlines()) == 1


def test_a_name_like_no_other_gets_the_list(data: Path) -> None:
    err = run_command("plan", "qqq").err
    assert "There are check, list, show." in err
    assert "There is no command 'qqq'" in err
    assert "split-condenser" in run_command("plan", "show", "qqq").err


def test_a_misspelt_unit_and_component_of_the_history(visits: Path) -> None:
    units = {visit.site.unit for visit in Reader(visits / DATABASE_FILE).visits()}
    assert "Condenser 1" in units
    assert "Did you mean Condenser 1?" in run_command("history", "--unit", "Condensor 1").out
    assert "Did you mean run capacitor?" in run_command("history", "--component", "run capacitr").out


@given(st.text(max_size=20), st.lists(st.text(max_size=20), max_size=6))
def test_the_nearest_name_is_a_known_one(word: str, known: list[str]) -> None:
    found = did_you_mean(word, known)
    assert not found or found.removeprefix("Did you mean ").removesuffix("?") in known


def test_two_meanings_of_a_beginning_are_an_error(visits: Path) -> None:
    uids = [visit.uid for visit in Reader(visits / DATABASE_FILE).visits()]
    assert run_command("visit", "show", uids[0][:-1]).status == 0
    assert run_command("history", "--visit", uids[0], "--json").status == 0
    assert run_command("visit", "show", "no-such-visit").status == 2
    shared = next(first for first in "0123456789abcdef" if sum(uid.startswith(first) for uid in uids) != 1)
    assert run_command("visit", "show", shared).status == 2


def test_the_history_of_one_visit(visits: Path) -> None:
    uid = Reader(visits / DATABASE_FILE).visits()[0].uid
    rows = json.loads(run_command("history", "--visit", uid, "--json").out)
    assert {row["visit_uid"] for row in rows} == {uid}


# Completion


def completed(*words: str) -> list[str]:
    completion = ShellComplete(cli, {}, "meterlink", "_METERLINK_COMPLETE")
    return [item.value for item in completion.get_completions(list(words[:-1]), words[-1])]


def test_a_shell_completes_commands_and_values(visits: Path) -> None:
    assert completed("hi") == ["history"]
    assert completed("visit", "sh") == ["show"]
    assert completed("visit", "close", "--outcome", "rep") == ["repaired"]
    assert completed("visit", "begin", "--plan", "split") == ["split-condenser"]
    assert completed("visit", "begin", "--unit", "cond") == ["Condenser 1"]
    uids = [visit.uid for visit in Reader(visits / DATABASE_FILE).visits()]
    assert completed("visit", "show", "") == uids[::-1]
    assert completed("visit", "show", uids[0][:5])[0] == uids[0]


def test_without_a_database_a_shell_completes_nothing(data: Path) -> None:
    assert completed("visit", "rating", "") == []
    (data / DATABASE_FILE).write_bytes(b"no database")
    assert completed("history", "--unit", "") == []
