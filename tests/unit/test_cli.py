"""The command line as a shell sees it: output, exit status, start-up."""

import ast
import json
import subprocess
import sys
import textwrap
from functools import partial
from pathlib import Path

import pytest

from support.command_lines import commands, prepare
from support.commands import run_command, run_for_json

printed_json = partial(run_for_json, "judge")

CAPACITOR = ("capacitor", "--rated", "45uF", "--tolerance", "6 %", "--reading")
COIL = ("coil", "--low", "10ohm", "--high", "18ohm", "--reading")


def test_a_capacitor_section_at_its_limit() -> None:
    fields = printed_json(*CAPACITOR, "42.3uF")
    assert fields["verdict"] == "within"
    assert (fields["low"], fields["high"], fields["reading"], fields["unit"]) == (42.3, 47.7, 42.3, "µF")
    assert fields["deviation_percent"] == -6
    assert fields["margin"] == "close call"


def test_a_coil() -> None:
    fields = printed_json(*COIL, "14.2ohm")
    assert (fields["verdict"], fields["low"], fields["high"], fields["reading"], fields["unit"]) == (
        "within",
        10,
        18,
        14.2,
        "Ω",
    )
    assert fields["margin"] == "clear"


@pytest.mark.parametrize(
    ("args", "verdict"),
    [
        ((*COIL, "OL"), "open"),
        ((*COIL, "OL Mohm"), "open"),
        ((*COIL, "0.2 Ω"), "shorted"),
        ((*COIL, "6.1 ohms"), "outside"),
        ((*CAPACITOR, "0.01 MFD"), "open"),
        ((*CAPACITOR, "OL", "--answer", "overload"), "over range"),
        ((*CAPACITOR, "OL", "--answer", "almost zero"), "shorted"),
        ((*CAPACITOR, "OL uF", "--answer", "2"), "cannot tell"),
        ((*CAPACITOR, "41.00 mfd"), "outside"),
        ((*CAPACITOR, "0.000045 F"), "within"),
        (("coil", "--low", "1k", "--high", "1.2 kΩ", "--reading", "1100 ohm"), "within"),
    ],
)
def test_verdicts_in_every_spelling(args: tuple[str, ...], verdict: str) -> None:
    assert printed_json(*args)["verdict"] == verdict


@pytest.mark.parametrize("spelling", ["45uF", "45 µF", "45 \u03bcF", "45 MFD", "45 mfd", "45e-6 F", "45000 nF"])
def test_one_rating_in_many_spellings(spelling: str) -> None:
    fields = printed_json("capacitor", "--rated", spelling, "--reading", "45.3 uF")
    assert fields["verdict"] == "within"
    assert fields["deviation_percent"] == pytest.approx(2 / 3, abs=1e-4)


def test_words_for_a_person() -> None:
    code, out, _ = run_command("judge", *CAPACITOR, "40.0uF", "--accuracy", "1 % + 2 digits")
    assert code == 0
    assert out.splitlines()[0] == "OUTSIDE, -11.1 %"
    assert "below the low limit of 42.3 µF" in out


BAD = [
    ("judge", "capacitor", "--rated", "45", "--reading", "42uF"),
    ("judge", *CAPACITOR, "42"),
    ("judge", *CAPACITOR, "-42uF"),
    ("judge", *CAPACITOR, "nan"),
    ("judge", *CAPACITOR, "42 ohm"),
    ("judge", *CAPACITOR, "42,3 uF"),
    ("judge", *CAPACITOR, "42.3uF", "--accuracy", "good"),
    ("judge", "capacitor", "--rated", "45uF", "--tolerance", "6", "--reading", "42uF"),
    ("judge", "capacitor", "--rated", "0uF", "--reading", "42uF"),
    ("judge", "capacitor", "--reading", "42uF"),
    ("judge", "coil", "--low", "20ohm", "--high", "10ohm", "--reading", "14ohm"),
    ("judge", "spanner"),
    ("nonsense",),
    ("history", "--since", "last tuesday"),
    ("run", "--plan", "no-such-plan"),
    ("demo", "--displays"),
]


@pytest.mark.parametrize("args", BAD, ids=" ".join)
def test_bad_input_is_one_clear_line_and_exit_status_2(
    args: tuple[str, ...], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("METERLINK_DATA", str(tmp_path))
    code, out, err = run_command(*args)
    assert code == 2
    assert out == ""
    assert len(err.splitlines()) == 1
    assert err.startswith("meterlink: ")


def python(code: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([sys.executable, "-c", textwrap.dedent(code)], capture_output=True, text=True, check=False)


def test_help_loads_nothing_it_does_not_need() -> None:
    done = python(
        """
        import sys
        from meterlink.cli.main import main
        try:
            main(["--help"])
        except SystemExit:
            pass
        heavy = {"pint", "bleak", "textual", "bumble", "sqlite3", "sqlite_utils", "aiomqtt", "asyncio"}
        print(sorted(heavy & set(sys.modules)), file=sys.stderr)
        """
    )
    assert done.stderr == "[]\n"


def test_a_judgement_loads_nothing_it_does_not_need() -> None:
    done = python(
        """
        import sys
        from meterlink.cli.main import main
        try:
            main(["judge", "capacitor", "--rated", "5uF", "--tolerance", "6 %", "--reading", "4700nF"])
        except SystemExit:
            pass
        heavy = {"pint", "numpy", "bleak", "sqlite3", "sqlite_utils", "asyncio", "tomllib", "statistics"}
        rooms = {"meterlink.settings", "meterlink.plans", "meterlink.profiles", "meterlink.tomlfile"}
        print(sorted((heavy | rooms) & set(sys.modules)))
        """
    )
    assert done.stdout.splitlines()[0].startswith("WITHIN"), done.stderr
    assert done.stdout.splitlines()[-1] == "[]"


def test_settings_are_read_without_the_reader_of_labels(tmp_path: Path) -> None:
    (tmp_path / "settings.toml").write_text('[[meter]]\naddress = "00:00:5E:00:53:0A"\n', encoding="utf-8")
    code = f"""
        import sys
        from pathlib import Path
        from meterlink.settings import load_settings
        settings = load_settings(Path({str(tmp_path)!r}))
        print(len(settings.meters), "meterlink.judge.label.ratings" in sys.modules)
        """
    assert python(code).stdout == "1 False\n"


def run_the_daemon_for_a_moment(folder: Path) -> list[str]:
    """Run ``meterlink run`` in a process of its own; return ``[how it ended, *top-level modules it had loaded]``."""
    done = python(
        f"""
        import asyncio, signal, sys
        from meterlink.cli.main import main
        from meterlink.station.station import Station
        collect = Station._collect
        async def collect_a_moment(self):
            self._loop.call_later(0.5, signal.raise_signal, signal.SIGTERM)
            await collect(self)
        Station._collect = collect_a_moment
        try:
            main(["run", "--data", {str(folder)!r}])
        except SystemExit as ended:
            print("ended", ended.code)
        print(*sorted({{name.partition(".")[0] for name in sys.modules}}), sep="\\n")
        """
    )
    assert "Traceback" not in done.stderr
    return done.stdout.splitlines()


def test_the_daemon_loads_neither_the_dashboard_nor_the_simulators(tmp_path: Path) -> None:
    ended, *loaded = run_the_daemon_for_a_moment(tmp_path)
    assert ended == "ended 0"
    assert not {"textual", "rich", "bumble", "meterlink_tui", "meterlink_simulators"} & set(loaded)
    assert {"bleak", "sqlite3"} <= set(loaded)
    assert "pint" not in loaded


def test_a_daemon_whose_schema_is_up_to_date_loads_neither_sqlite_utils_nor_numpy(tmp_path: Path) -> None:
    assert "sqlite_utils" in run_the_daemon_for_a_moment(tmp_path)  # the first start creates the tables
    ended, *loaded = run_the_daemon_for_a_moment(tmp_path)
    assert ended == "ended 0"
    assert {"bleak", "sqlite3"} <= set(loaded)
    assert not {"sqlite_utils", "numpy", "pint"} & set(loaded)


def test_nothing_of_ours_imports_numpy() -> None:
    root = Path(__file__).parents[2]
    folders = ("meterlink", "drivers/meterlink_drivers", "tui/meterlink_tui", "simulators/meterlink_simulators")
    files = [path for folder in folders for path in (root / folder).rglob("*.py")]
    assert len(files) > 200
    imported = {
        name.partition(".")[0]
        for path in files
        for node in ast.walk(ast.parse(path.read_text("utf-8")))
        for name in (
            [alias.name for alias in node.names]
            if isinstance(node, ast.Import)
            else [node.module or ""]
            if isinstance(node, ast.ImportFrom)
            else []
        )
    }
    assert {"click", "bleak", "pint"} <= imported
    assert "numpy" not in imported


def test_a_typed_reading_that_cannot_tell_names_the_step_it_was_taken_with() -> None:
    # On a range of 9 µF ±1 %, a meter good to 20 % cannot tell, with any display.
    typed = ["judge", "capacitor", "--rated", "9uF", "--tolerance", "1 %", "--accuracy", "20 %", "--reading"]
    status, out, _ = run_command(*typed, "9uF")
    assert status == 0
    assert out.startswith("CANNOT TELL")
    assert "Taken as a display in steps of 1 µF. If it shows more decimals, type them all." in out


def test_a_typed_reading_is_asked_about_where_left_out_zeros_change_the_verdict() -> None:
    typed = ["judge", "capacitor", "--rated", "5uF", "--tolerance", "6 %", "--reading"]
    status, out, _ = run_command(*typed, "5uF")
    assert (status, out.splitlines()) == (
        3,
        [
            "Did the display show 5, 5.0 or 5.00 µF?",
            "  1  5: CANNOT TELL",
            "  2  5.0: WITHIN, close call",
            "  3  5.00: or more zeros: WITHIN",
            "Answer with --answer and the number or the key of a choice.",
        ],
    )
    assert run_command(*typed, "5uF", "--answer", "5.00")[:2] == (
        0,
        run_command(*typed, "5.00uF").out.replace("±6 %.", "±6 %. Answered: the display showed 5.00, or more zeros."),
    )
    for answer in ("1", "5"):
        assert run_command(*typed, "5uF", "--answer", answer).out.startswith("CANNOT TELL")
    assert run_command(*typed, "5uF", "--answer", "5.000").status == 2
    assert run_command(*typed, "5.00uF", "--answer", "5.00").status == 2  # nothing is asked


@pytest.mark.parametrize(
    ("args", "answer", "verdict"),
    [
        # A display of whole volts may be off by 8 V, one of tenths by 3.6 V: 257 V is 5 V above the limit of 252 V.
        (("supply", "--service", "240V", "--reading", "257V"), "257.0", "outside"),
        (("contactor", "--coil", "24V", "--at", "pick-up", "--reading", "19V"), "19.0", "outside"),
        (("control", "--reading", "22V"), "22.0", "within"),
        # 0.1 A on a display of tenths may be no current; on a display of hundredths the motor runs.
        (("amps", "--fla", "1.2A", "--reading", "0.1A"), "0.10", "within"),
        (("insulation", "--reading", "5Mohm"), "5.0", "within"),
        (("conformity", "--low", "10V", "--high", "20V", "--reading", "12V"), "12.0", "within"),
        (("coil", "--low", "10ohm", "--high", "18ohm", "--reading", "11ohm"), "11.0", "within"),
    ],
)
def test_every_command_on_one_reading_asks(args: tuple[str, ...], answer: str, verdict: str) -> None:
    status, out, _ = run_command("judge", *args, "--json")
    question = json.loads(out)
    assert (status, question["usual"]) == (3, None)
    assert answer in [choice["key"] for choice in question["choices"]], question
    assert printed_json(*args, "--answer", answer)["verdict"] == verdict


def test_the_readings_of_windings_and_to_ground_are_asked_about_in_turn() -> None:
    readings = ("1-2=4.0ohm", "2-3=1.0ohm", "1-3=5.0ohm")
    assert run_command("judge", "windings", *readings, "--to-ground", "5Mohm").out.startswith("Did the display show 5")
    answered = printed_json("windings", *readings, "--to-ground", "5Mohm", "--answer", "5.0")
    assert answered["to_ground"]["margin"] == "clear"
    assert run_command("judge", "windings", *readings, "--to-ground", "5.0Mohm", "--answer", "1").status == 2


@pytest.mark.parametrize("empty", ["", " ", "\t", "\u200b"], ids=ascii)
def test_an_empty_value_is_an_error_that_names_its_option(empty: str) -> None:
    # A script whose variable is not set types it: no command guesses a meaning.
    for command in commands():
        for flag in command.valued:
            given = [(flag, empty)] if not flag.startswith("--") else [(flag, empty), (f"{flag}={empty}",)]
            for args in given:
                status, out, err = run_command(*command.names, *args)
                assert (status, out) == (2, "")
                assert err.startswith(f"meterlink: {flag} has an empty value: give it one, or leave it out.")


def test_an_option_given_twice_is_an_error_that_names_it() -> None:
    # Of two readings or two folders the first would be dropped without a word.
    assert run_command("judge", "supply", "--service", "240V", "--reading", "238V", "--reading=120V") == (
        2, "", "meterlink: --reading is given 2 times: give it once. See: meterlink judge supply --help\n",
    )  # fmt: skip
    assert run_command("judge", "rating", "45 MFD 440V", "--json", "--json").status == 0  # a flag means the same
    points = ("--point", "2025-05-01=45.0uF", "--point", "2026-05-01=44.1uF")
    assert run_command("judge", "trend", *points, "--rated", "45uF").status == 0


def test_an_empty_argument_and_a_nul_are_errors() -> None:
    status, out, err = run_command("judge", "rating", "")
    assert (status, out) == (2, "")
    assert err.startswith("meterlink: An empty text stands after 'rating': write it, or leave it out.")
    status, out, err = run_command("profile", "check", "a\0b")
    assert (status, out) == (2, "")
    assert "has a character NUL" in err


def test_no_error_repeats_control_characters() -> None:
    for args in (("diagnose", "\x1b[2J"), ("diagnose", "--data", "..\u202e")):
        status, _, err = run_command(*args)
        assert status == 2
        assert err.rstrip("\n").isprintable()


def test_a_profile_and_a_picture_overwrite_only_their_own_kind(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    prepare(tmp_path)
    before = Path("settings.toml").read_bytes()
    for args in (("teach", "yard.jsonl", "-o", "settings.toml"), ("watch", "--picture", "settings.toml")):
        status, out, err = run_command(*args)
        assert (status, out) == (2, "")
        assert "settings.toml exists, and is no p" in err
    assert Path("settings.toml").read_bytes() == before
    Path("empty.toml").touch()
    assert run_command("watch", "--picture", "empty.toml").status == 2
    assert Path("empty.toml").read_bytes() == b""
    for _ in range(2):  # the second time over the first profile
        assert run_command("teach", "yard.jsonl", "-o", "yard.toml").status == 0
