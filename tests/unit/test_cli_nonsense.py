"""Nonsense typed into every command, and into the files that commands read."""

import re
from pathlib import Path

import click
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from meterlink.cli.judge import command as judge
from meterlink.cli.main import cli
from support.commands import parse_json, run_command
from support.examples import examples
from support.judge_calls import CALLS, FILE_OPTIONS, FILES, with_value, write_files
from support.recorded_visits import store_visits

NONSENSE = [
    "", " ", "nonsense", "nan", "inf", "-inf", "1e400", "1e30A", "1e30V", "1e30C", "1e-30F", "-5V", "0V", "0ohm", "0uF",
    "OL", "5", "5 bananas", "1-2=3ohm", "1-2=", "=", "-", "--", "%", "5 %", "-5 %", "100 %", "0 %", "208/230", "1/1",
    "45+7.5+5 uF", "٤٥ uF", "-300C", "20F", "9" * 200, "24V24V", "no-such-file", ".", "2025-13-45=1uF", "9999-12-31",
    "0001-01-01", "\x1b[2J", "\u202e1",
]  # fmt: skip
# No shell passes these on, so no file has such a name; a program that calls `main` may pass them.
UNTYPEABLE = ["45\x00uF", "\ud800"]


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    write_files(tmp_path)
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("METERLINK_DATA", str(tmp_path))
    return tmp_path


def check_outcome(*args: str) -> None:
    """Run a command in text and as JSON: it succeeds, asks (status 3), or its error is one line and its status 2."""
    for typed in (args, (*args, "--json")):
        status, out, err = run_command(*typed)
        assert status in {0, 2, 3}, (typed, err)
        if status != 2:
            assert err == "", typed
            if typed != args and not out.startswith("Usage: "):  # "-h" was typed
                parse_json(out)
            continue
        assert err.startswith("meterlink: "), (typed, err)
        assert err.endswith("\n"), (typed, err)
        # A file may have several errors: one line for each.
        assert all(re.match(r".*\.toml:\d+:\d+: |and \d+ more\.$", line) for line in err.splitlines()[1:]), (typed, err)
        assert "Traceback" not in err, typed
        assert out == "", typed


def test_every_subcommand_is_tested() -> None:
    assert set(CALLS) == set(judge.list_commands(click.Context(judge)))


@pytest.mark.parametrize("name", CALLS)
def test_the_valid_calls_are_valid(folder: Path, name: str) -> None:
    for more in ([], ["--json"]):
        status, _, err = run_command("judge", name, *CALLS[name], *more)
        assert (status, err) == (0, "")


@pytest.mark.parametrize("name", CALLS)
def test_nonsense_in_any_argument_is_one_line_and_status_2(folder: Path, name: str) -> None:
    args = CALLS[name]
    for index, arg in enumerate(args):
        names_a_file = arg.partition("=")[0] in FILE_OPTIONS
        for nonsense in NONSENSE if names_a_file else NONSENSE + UNTYPEABLE:
            check_outcome("judge", name, *args[:index], with_value(arg, nonsense), *args[index + 1 :])


_text = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), max_size=30)
_values = st.one_of(
    _text,
    st.builds(
        "{:g}{}".format,
        st.floats(-1e31, 1e31) | st.floats(-500, 500),
        st.sampled_from(
            ["", "V", "A", "mA", "uF", "nF", " MFD", "/5 uF", "+5 uF 440 V", "ohm", "k", "Mohm", "Hz", "C", "F", " %",
             "s", "min", "-01-01=1uF"]
        ),
    ),
)  # fmt: skip


def test_no_typed_text_makes_a_traceback(folder: Path) -> None:
    @examples(400)
    @given(st.data())
    def type_values(data: st.DataObject) -> None:
        name = data.draw(st.sampled_from(sorted(CALLS)))
        args = [with_value(arg, data.draw(_values)) if data.draw(st.booleans()) else arg for arg in CALLS[name]]
        check_outcome("judge", name, *args)

    type_values()


READ = {"settings.toml": "coil", "truck.toml": "replacement", "visits.csv": "trend", "case.toml": "diagnosis"}


@pytest.mark.parametrize(("file", "name"), READ.items())
def test_no_file_makes_a_traceback(folder: Path, file: str, name: str) -> None:
    good = FILES[file].encode()

    @examples(100)
    @given(st.binary(max_size=60), st.integers(0, len(good)), st.integers(0, 40))
    @example(b"", 0, len(good))
    @example(b"\xff\xfe", 0, 0)
    @example(b"[" * 500, 0, len(good))
    @example(b"a = " + b"[" * 5000, 0, len(good))
    @example(b"a" + b".a" * 5000 + b" = 1", 0, len(good))
    @example(b"[[point]]\nkey = 1\nreadings = 5\n", 0, len(good))
    @example(b"point = 5\n", 0, len(good))
    @example(b"point = [5]\n", 0, len(good))
    @example(b"part = [5]\n", 0, len(good))
    @example(b"[[part]]\nrating = 5\ncount = 1e400\n", 0, len(good))
    def spoil(scrap: bytes, at: int, removed: int) -> None:
        (folder / file).write_bytes(good[:at] + scrap + good[at + removed :])
        check_outcome("judge", name, *CALLS[name])

    spoil()


@pytest.mark.parametrize(
    "args",
    [
        *((name, "--nonsense") for name in cli.list_commands(click.Context(cli))),
        *(("judge", name, "--nonsense") for name in judge.list_commands(click.Context(judge))),
        *(("plan", name, "--nonsense") for name in ("list", "show", "check")),
        *((name, "nonsense") for name in ("history", "trend", "judge", "plan", "run", "watch", "demo")),
        ("history", "--since=nonsense"),
        ("history", "--limit=0"),
        ("history", "--limit=nonsense"),
        ("plan", "show", "nonsense"),
        ("plan", "show", "."),
        ("plan", "check", "nonsense"),
        ("run", "--plan=nonsense"),
    ],
    ids=" ".join,
)
def test_nonsense_beyond_the_judge(folder: Path, args: tuple[str, ...]) -> None:
    store_visits(folder / "meterlink.db", ())  # the error must not be about a missing database
    status, out, err = run_command(*args)
    assert (status, out, err.count("\n")) == (2, "", 1)
    assert err.startswith("meterlink: ")
