"""Commands that read make no folder, a bare command is help, and no command overwrites its own input."""

from pathlib import Path

import pytest
from click.testing import CliRunner

from meterlink.capture.capture_file import format_capture
from meterlink.cli.main import cli, main
from meterlink.core.errors import InputError, SettingsError
from meterlink.settings import load_settings
from meterlink.station.profile_files import load_profile
from support.invented_meters import InventedMeter


@pytest.mark.parametrize(
    "command", [["history"], ["diagnose"], ["trend"], ["enter", "4.70 uF"]], ids=lambda each: each[0]
)
def test_a_mistyped_folder_is_named_and_not_made(tmp_path: Path, command: list[str]) -> None:
    missing = tmp_path / "dta"
    result = CliRunner().invoke(cli, [*command, "--data", str(missing)])
    assert isinstance(result.exception, SettingsError)
    assert result.exception.message == f"There is no data folder {missing}."
    assert not missing.exists()


@pytest.mark.parametrize("arguments", [[], ["judge"], ["plan"], ["profile"]])
def test_a_bare_command_is_a_request_for_help(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as caught:
        main(arguments)
    printed = capsys.readouterr()
    assert caught.value.code == 0
    assert printed.out.startswith("Usage: ")
    assert printed.err == ""


def test_a_syntax_error_in_the_settings_names_file_and_line(tmp_path: Path) -> None:
    (tmp_path / "settings.toml").write_text('[[meter]]\naddress = "00\n', encoding="utf-8")
    with pytest.raises(SettingsError) as caught:
        load_settings(tmp_path)
    assert caught.value.message.startswith(f"{tmp_path / 'settings.toml'}:2:")
    assert "not valid TOML" in caught.value.message


def test_teaching_never_overwrites_the_capture(tmp_path: Path) -> None:
    capture = tmp_path / "bench.jsonl"
    capture.write_text(format_capture(InventedMeter("integer", 5).capture(14, 5)), encoding="utf-8")
    before = capture.read_bytes()
    (tmp_path / "other.toml").symlink_to(capture)
    for output in (capture, tmp_path / "other.toml"):
        result = CliRunner().invoke(cli, ["teach", str(capture), "-o", str(output)])
        assert isinstance(result.exception, InputError)
        assert "would overwrite the capture" in result.exception.message
    assert capture.read_bytes() == before


def test_a_taught_profile_has_a_name_that_its_reader_accepts(tmp_path: Path) -> None:
    capture = tmp_path / "bench.jsonl"
    capture.write_text(format_capture(InventedMeter("integer", 5).capture(14, 5)), encoding="utf-8")
    output = tmp_path / "The meter of the second workshop on the left.toml"
    assert CliRunner().invoke(cli, ["teach", str(capture), "-o", str(output)]).exit_code == 0
    assert load_profile(output).name == "the-meter-of-the-second-worksh"
    result = CliRunner().invoke(cli, ["teach", str(capture), "-o", str(output), "--name", "a" * 31])
    assert isinstance(result.exception, InputError)
