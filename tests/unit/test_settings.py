"""The settings file, the data folder and the broker's table."""

from decimal import Decimal
from pathlib import Path

import pytest

from meterlink.core.errors import SettingsError
from meterlink.judge.decision_rules import SIMPLE_ACCEPTANCE
from meterlink.publish.config import parse_broker
from meterlink.settings import DATA_FOLDER_VARIABLE, data_dir, load_settings


def write_settings(folder: Path, text: str) -> Path:
    (folder / "settings.toml").write_text(text, encoding="utf-8")
    return folder


def test_no_file_means_the_defaults(tmp_path: Path) -> None:
    settings = load_settings(tmp_path)
    assert settings.capacitor_tolerance == "6 %"
    assert settings.station
    assert settings.rule is SIMPLE_ACCEPTANCE
    assert settings.ambient_celsius is None
    assert settings.mqtt is None
    assert settings.meters == ()


def test_every_setting(tmp_path: Path) -> None:
    settings = load_settings(
        write_settings(
            tmp_path,
            """
            station = "van-3"
            [judge]
            capacitor_tolerance = "5 %"
            rule = "guarded-acceptance"
            guard_factor = 0.83
            ambient_temperature = "95 °F"
            [[meter]]
            address = "00:00:5E:00:53:0A"
            name = "clamp"
            pinned_point = "line-volts"
            temperature_coefficient = 0.05
            [[meter.accuracy]]
            quantity = "voltage"
            coupling = "AC"
            up_to = "600 V"
            line = "1 % + 3 digits"
            [[meter]]
            address = "00:00:5E:00:53:0B"
            [mqtt]
            host = "localhost"
            tls = false
            """,
        )
    )
    assert (settings.station, settings.capacitor_tolerance) == ("van-3", "5 %")
    assert str(settings.rule) == "guarded acceptance, guard 0.83 U"
    assert settings.ambient_celsius == 35
    meter, second_meter = settings.meters
    assert (meter.address, meter.name, meter.pinned_point) == ("00:00:5E:00:53:0A", "clamp", "line-volts")
    assert meter.accuracy_sheet is not None
    assert (str(meter.accuracy_sheet.ranges[0].line), meter.accuracy_sheet.temperature_coefficient) == (
        "±(1 % + 3 digits)",
        Decimal("0.05"),
    )
    assert second_meter.accuracy_sheet is None
    assert settings.mqtt == {"host": "localhost", "tls": False}


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("stations = 1", "'stations'"),
        ("station = [", "settings.toml:1:12: not valid TOML"),
        ("judge = 3", "judge is not a table"),
        ("[judge]\ntolerance = 3", "'tolerance' in [judge]"),
        ("[judge]\ncapacitor_tolerance = '6'", "has no unit"),
        ("[judge]\nrule = 'strict'", "judge.rule: 'strict' is not a decision rule"),
        ("[judge]\nrule = 3", "judge.rule: '3' is not a decision rule"),
        ("[judge]\nguard_factor = 1", "judge.rule: Simple acceptance has no guard band"),
        ("[judge]\nrule = 'guarded'\nguard_factor = true", "judge.rule: 'True' is not a guard factor"),
        ("[judge]\nambient_temperature = 35", "judge.ambient_temperature: The unit is missing"),
        ("[judge]\nambient_temperature = '350 °C'", "judge.ambient_temperature: No handheld meter"),
        ("[[meter]]\naddress = 'x'\naccuracy = '2 %'", "[[meter]] x: accuracy is not a list"),
        (
            "[[meter]]\naddress = 'x'\n[[meter.accuracy]]\nquantity = 'voltage'\nline = '2'",
            "[[meter]] x: accuracy row 1: '2' is not an accuracy line",
        ),
        ("[[meter]]\naddress = 'x'\ntemperature_coefficient = 2", "temperature_coefficient 2"),
        ("meter = 3", "meter is not a list"),
        ("[[meter]]\nname = 'x'", "no address"),
        ("[[meter]]\naddress = 'x'\ncolour = 'red'", "'colour'"),
    ],
)
def test_an_error_names_the_file(tmp_path: Path, text: str, message: str) -> None:
    with pytest.raises(SettingsError) as caught:
        load_settings(write_settings(tmp_path, text))
    assert message in str(caught.value)
    assert "settings.toml" in str(caught.value)


def test_the_data_folder_comes_from_option_then_environment_then_platform(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(DATA_FOLDER_VARIABLE, str(tmp_path / "from-environment"))
    assert data_dir(tmp_path / "from-option") == tmp_path / "from-option"
    assert data_dir() == tmp_path / "from-environment"
    monkeypatch.delenv(DATA_FOLDER_VARIABLE)
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "xdg"))
    monkeypatch.setenv("HOME", str(tmp_path))
    assert data_dir().is_relative_to(tmp_path)
    assert data_dir().is_dir()


def test_a_data_folder_that_cannot_be_created(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(SettingsError, match="cannot be created"):
        data_dir(tmp_path / "file" / "inside")


def test_a_broker_keeps_its_identifier(tmp_path: Path) -> None:
    first = parse_broker({"host": "localhost", "tls": False}, tmp_path)
    assert parse_broker({"host": "localhost", "tls": False}, tmp_path).identifier == first.identifier
    assert first.address == ("localhost", 1883)


@pytest.mark.parametrize(
    ("table", "message"),
    [
        ({}, "no host"),
        ({"host": "x", "password": "secret"}, "'password'"),
        ({"host": 7}, "mqtt.host 7 is not text"),
        ({"host": "x", "port": "1883"}, "whole number"),
        ({"host": "x", "port": True}, "whole number"),
        ({"host": "x", "tls": "no"}, "true or false"),
        ({"host": "broker.example", "tls": False, "username": "u", "password_file": "p"}, "unencrypted"),
    ],
)
def test_errors_of_a_broker(tmp_path: Path, table: dict[str, object], message: str) -> None:
    with pytest.raises(SettingsError, match=message):
        parse_broker(table, tmp_path)
