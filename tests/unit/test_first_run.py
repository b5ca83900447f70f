"""``meterlink`` alone: on a terminal it asks for the job and carries it out; elsewhere it prints the help."""

import builtins
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click
import pytest

from meterlink.cli import find as find_module
from meterlink.cli.find import FindOptions
from meterlink.core.errors import RadioError
from meterlink.settings import DATABASE_FILE
from meterlink.store.reader import Reader
from support.commands import CommandResult, run_command

Play = Callable[..., CommandResult]


@pytest.fixture
def opened() -> list[str]:
    """The full-screen commands that were opened."""
    return []


@pytest.fixture
def play(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, opened: list[str]) -> Play:
    """Run ``meterlink`` alone on a terminal, with lines typed in; `EOFError` and `KeyboardInterrupt` are keys, too."""
    monkeypatch.setenv("METERLINK_DATA", str(tmp_path))
    monkeypatch.setattr("meterlink.cli.main.is_interactive", lambda: True)

    def stub(name: str) -> click.Command:
        return click.Command(name, callback=lambda: opened.append(name))

    monkeypatch.setattr("meterlink_tui.command.command", stub("watch"))
    monkeypatch.setattr("meterlink_simulators.command.command", stub("demo"))

    def run(*typed: str | type[BaseException]) -> CommandResult:
        lines = iter(typed)

        def type_line(prompt: str) -> str:
            print(prompt)  # noqa: T201  # as `input` does
            line = next(lines)
            if not isinstance(line, str):
                raise line
            return line

        monkeypatch.setattr(builtins, "input", type_line)
        result = run_command()
        assert next(lines, None) is None, "it has not asked for everything"
        return result

    return run


def visits(folder: Path) -> list[tuple[str, str, str]]:
    path = folder / DATABASE_FILE
    stored = Reader(path).visits() if path.exists() else []
    return [(visit.site.name, visit.site.unit, visit.plan) for visit in stored]


def test_without_a_terminal_it_prints_the_help() -> None:
    result = run_command()
    assert (result.status, result.err) == (0, "")
    assert result.out.startswith("Usage: meterlink")
    assert result.out == run_command("--help").out


def test_it_asks_for_the_demo_a_visit_or_a_meter(play: Play, opened: list[str]) -> None:
    result = play("1")
    assert result.status == 0
    for words in ("try the demo", "begin a visit", "find my meter", "help", "quit"):
        assert words in result.out
    assert opened == ["demo"]


@pytest.mark.parametrize("word", ["quit", "q", "QUIT", EOFError])
def test_quit_and_the_end_of_the_input_leave_with_status_0(play: Play, opened: list[str], word: Any) -> None:
    result = play(word)
    assert (result.status, result.err, opened) == (0, "", [])


def test_ctrl_c_leaves_as_a_shell_expects(play: Play) -> None:
    result = play(KeyboardInterrupt)
    assert (result.status, result.err) == (130, "")
    assert play("2", KeyboardInterrupt).status == 130


@pytest.mark.parametrize("nonsense", ["", "  ", "7", "-1", "1 2", "begin a visitt", "\x1b[A", "冷", "9" * 500])
def test_nonsense_is_asked_again(play: Play, nonsense: str) -> None:
    result = play(nonsense, "q")
    assert (result.status, result.err) == (0, "")
    assert "ype 1, 2, 3, help or quit." in result.out
    assert "\x1b[A" not in result.out


def test_help_lists_the_commands_and_asks_again(play: Play) -> None:
    result = play("help", "q")
    assert "Usage: meterlink" in result.out
    assert result.out.count("try the demo") == 2


def test_a_visit_is_begun_at_a_new_unit(play: Play, opened: list[str], tmp_path: Path) -> None:
    result = play("2", "Mill Lane bakery", "Condenser 1", "99", "x", "")
    assert result.status == 0, result.err
    assert "'99' is none of these: type a number from 1 to 9." in result.out
    assert visits(tmp_path) == [("Mill Lane bakery", "Condenser 1", "single-phase split condenser")]
    assert opened == ["watch"]


def test_known_units_are_offered_and_an_open_visit_goes_on(play: Play, opened: list[str], tmp_path: Path) -> None:
    play("2", "Mill Lane bakery", "Condenser 1", "walk-in-cooler")
    result = play("2", "1")
    assert "Mill Lane bakery / Condenser 1  (the visit is open)" in result.out
    assert "The visit to Condenser 1 goes on." in result.out
    assert len(visits(tmp_path)) == 1
    assert run_command("visit", "close", "--outcome", "repaired").status == 0
    # Its kind is known from the visit before, and its name in any case of letters.
    assert play("2", "mill lane BAKERY", "condenser 1").status == 0
    assert visits(tmp_path) == [
        ("Mill Lane bakery", "Condenser 1", "walk-in cooler condensing unit, single phase")
    ] * 2  # fmt: skip
    assert opened == ["watch"] * 3


@pytest.mark.parametrize("typed", [("",), (EOFError,), ("Pond school", ""), ("Pond school", "Walk-in 2", EOFError)])
def test_going_back_begins_nothing(play: Play, opened: list[str], tmp_path: Path, typed: tuple[Any, ...]) -> None:
    assert play("2", *typed, "q").status == 0
    assert (visits(tmp_path), opened) == ([], [])


def device(name: str, address: str, **more: Any) -> dict[str, Any]:
    fields: dict[str, Any] = {
        "name": name, "address": address, "rssi": -60, "advertised_services": [], "discovered_services": None,
        "driver": "presented", "score": 1.0, "fit": "certain", "driver_configured": False, "driver_scores": [],
        "bound": False, "meter_name": "", "first_address": "", "serial": "", "state": "", "unusable_reason": "",
    }  # fmt: skip
    return fields | more


@pytest.fixture
def bound(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The addresses that were bound; two meters are in range, one of them without a driver."""
    addresses: list[str] = []

    async def find(_folder: Path, options: FindOptions) -> tuple[dict[str, Any], str]:
        if options.bind:
            addresses.append(options.bind)
        devices = [
            device("Godwit 61", "00:00:5E:00:53:0A"),
            device("lamp", "00:00:5E:00:53:0B", driver="", unusable_reason="No driver fits it."),
        ]
        view = {"devices": devices, "broken_drivers": [], "radio_error": ""}
        return view, f"Bound: {options.bind}." if options.bind else ""

    monkeypatch.setattr(find_module, "find", find)
    return addresses


def test_a_meter_is_found_and_bound(play: Play, bound: list[str]) -> None:
    result = play("3", "2", "1", "q")
    assert "1 device can be bound:" in result.out
    assert "'2' is none of these" in result.out
    assert "Bound: 00:00:5E:00:53:0A." in result.out
    assert bound == ["00:00:5E:00:53:0A"]


def test_no_meter_is_bound_without_a_choice(play: Play, bound: list[str]) -> None:
    assert play("3", "", "q").status == 0
    assert bound == []


def test_an_error_of_a_job_is_one_line_and_it_asks_again(play: Play, monkeypatch: pytest.MonkeyPatch) -> None:
    async def fail(*_: object) -> None:
        raise RadioError("Bluetooth is switched off.", "Switch it on.")

    monkeypatch.setattr(find_module, "find", fail)
    result = play("3", "q")
    assert "meterlink: Bluetooth is switched off. Switch it on." in result.out
    assert (result.status, result.out.count("try the demo")) == (0, 2)
