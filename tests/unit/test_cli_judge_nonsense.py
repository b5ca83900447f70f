"""Nonsense typed into every subcommand that test_cli_judge_electrical.py leaves out, and into the files they read."""

import json
import re
from contextlib import redirect_stderr, redirect_stdout
from io import StringIO
from pathlib import Path

import click
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from meterlink.cli.judge import command as judge
from meterlink.cli.main import cli, main
from support.recorded_visits import store_visits

SETTINGS = """
[[meter]]
address = "00:00:5E:00:53:0A"
name = "clamp meter"
[[meter.accuracy]]
quantity = "capacitance"
line = "1 % + 2 digits"
"""
STOCK = '[[part]]\nrating = "45 uF 440 V"\ncount = 2\nnote = "left bin"\n'
VISITS = "date,value,unit,meter\n2025-05-01,45.0,uF,one\n2025-06-01,44.6,uF,one\n"
CASE = """
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
readings = ["4.50 uF", { display = "44.8 uF", meter = "second", minutes = 6, accuracy = "2 % + 5 digits" }]
"""
FILES = {"settings.toml": SETTINGS, "truck.toml": STOCK, "visits.csv": VISITS, "case.toml": CASE}

RULE_OPTIONS = [
    "--accuracy=1 % + 2 digits",
    "--rule=guarded-acceptance",
    "--guard-factor=1",
    "--ambient-temperature=35C",
]
# One valid call of each subcommand; the tests replace every value in it in turn.
VALID_CALLS = {
    "capacitor": ["--rated=45uF", "--tolerance=6 %", "--reading=43.1uF", *RULE_OPTIONS],
    "coil": ["--low=10ohm", "--high=18ohm", "--reading=14.2ohm", "--meter=clamp meter", *RULE_OPTIONS[1:]],
    "conformity": ["--low=228V", "--high=252V", "--reading=230.1V", "--coupling=AC", "--max-risk=5 %", *RULE_OPTIONS],
    "risk": [
        "--low=42.3uF",
        "--high=47.7uF",
        "--mean=44uF",
        "--spread=1.2uF",
        "--accuracy=1 % + 2 digits",
        "--guard-factor=1",
    ],
    "rating": ["45+7.5 MFD ±6% 440 VAC", "--kind=run", "--unit=uF"],
    "replacement": ["--part=45 uF 370 V", "--stock=truck.toml", "--kind=run"],
    "trend": ["--point=2025-05-01=45.0uF", "--csv=visits.csv", "--low=42uF", "--high=48uF", "--on=2026-05-01"],
    "diagnosis": ["--readings=case.toml", "--mains=60Hz", "--ground-minimum=1Mohm"],
}
ELSEWHERE = {  # test_cli_judge_electrical.py
    "amps", "combine", "contactor", "contacts", "control", "discharge", "insulation", "reference-resistance", "split",
    "supply", "unbalance", "under-load", "winding-temperature", "windings",
}  # fmt: skip
NONSENSE = [
    "", " ", "nonsense", "nan", "inf", "-inf", "1e400", "1e30V", "-5V", "0V", "0ohm", "0uF", "OL", "5", "5 bananas",
    "=", "-", "--", "%", "5 %", "-5 %", "100 %", "1/1", "45+7.5+5 uF", "٤٥ uF", "1e-30F", "-300C", "9" * 200,
    "24V24V", "no-such-file", ".", "2025-13-45=1uF", "9999-12-31", "0001-01-01", "\x1b[2J", "\u202e1",
]  # fmt: skip


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    for name, content in FILES.items():
        (tmp_path / name).write_text(content, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("METERLINK_DATA", str(tmp_path))
    return tmp_path


def run(*args: str) -> tuple[int, str, str]:
    out, err = StringIO(), StringIO()
    with redirect_stdout(out), redirect_stderr(err), pytest.raises(SystemExit) as stopped:
        main(list(args))
    assert isinstance(stopped.value.code, int)
    return stopped.value.code, out.getvalue(), err.getvalue()


def check_outcome(*args: str) -> None:
    status, out, err = run(*args)
    assert status in {0, 2}, err
    if status:
        assert err.startswith("meterlink: ")
        assert err.endswith("\n")
        # A file may have several errors: one line for each.
        assert all(re.match(r".*\.toml:\d+:\d+: |and \d+ more\.$", line) for line in err.splitlines()[1:]), err
        assert "Traceback" not in err
        # A program chooses from the interpretations of an ambiguous rating.
        assert out == "" or ("rating" in args and "interpretations" in json.loads(out))
    else:
        assert err == ""
        if args[-1] == "--json" and not out.startswith("Usage: "):
            json.loads(out, parse_constant=lambda name: pytest.fail(f"{name} is not JSON"))


def with_value(arg: str, value: str) -> str:
    """Return the argument or option ``arg`` with ``value`` in place of its own value."""
    option, equals, _ = arg.partition("=")
    return f"{option}={value}" if equals and option.startswith("--") else value


def test_every_subcommand_is_tested_here_or_there() -> None:
    assert set(VALID_CALLS) | ELSEWHERE == set(judge.list_commands(click.Context(judge)))


@pytest.mark.parametrize("name", VALID_CALLS)
def test_the_valid_calls_are_valid(folder: Path, name: str) -> None:
    for more in ([], ["--json"]):
        status, _, err = run("judge", name, *VALID_CALLS[name], *more)
        assert (status, err) == (0, "")


@pytest.mark.parametrize("name", VALID_CALLS)
@pytest.mark.parametrize("nonsense", NONSENSE)
def test_nonsense_in_any_argument_is_one_line_and_status_2(folder: Path, name: str, nonsense: str) -> None:
    args = VALID_CALLS[name]
    for index, arg in enumerate(args):
        for more in ([], ["--json"]):
            check_outcome("judge", name, *args[:index], with_value(arg, nonsense), *args[index + 1 :], *more)


_values = st.one_of(
    st.text(
        st.characters(exclude_categories=["Cs"], exclude_characters="\0"), max_size=12
    ),  # text that a shell can pass on
    st.builds(
        "{:g}{}".format,
        st.floats(-1e31, 1e31) | st.floats(-500, 500),
        st.sampled_from(["", "V", "uF", " MFD", "/5 uF", "+5 uF 440 V", "ohm", "Hz", "C", " %", "-01-01=1uF"]),
    ),
)


def test_no_typed_text_makes_a_traceback(folder: Path) -> None:
    @settings(max_examples=200)
    @given(st.data())
    def type_values(data: st.DataObject) -> None:
        name = data.draw(st.sampled_from(sorted(VALID_CALLS)))
        args = [with_value(arg, data.draw(_values)) if data.draw(st.booleans()) else arg for arg in VALID_CALLS[name]]
        check_outcome("judge", name, *args, *data.draw(st.sampled_from([[], ["--json"]])))

    type_values()


READ = {"settings.toml": "coil", "truck.toml": "replacement", "visits.csv": "trend", "case.toml": "diagnosis"}


@pytest.mark.parametrize(("file", "name"), READ.items())
def test_no_file_makes_a_traceback(folder: Path, file: str, name: str) -> None:
    good = FILES[file].encode()

    @settings(max_examples=100)
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
        check_outcome("judge", name, *VALID_CALLS[name])

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
    status, out, err = run(*args)
    assert (status, out, err.count("\n")) == (2, "", 1)
    assert err.startswith("meterlink: ")
