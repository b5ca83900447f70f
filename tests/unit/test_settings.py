from decimal import Decimal
from pathlib import Path

import pytest

from meterlink.core.errors import SettingsError
from meterlink.judge.decision_rules import SIMPLE_ACCEPTANCE
from meterlink.publish.config import parse_broker
from meterlink.settings import DATA_FOLDER_VARIABLE, data_dir, load_settings


def settings(folder: Path, text: str) -> Path:
    (folder / "settings.toml").write_text(text, encoding="utf-8")
    return folder


def test_no_file_means_the_defaults(tmp_path: Path) -> None:
    found = load_settings(tmp_path)
    assert found.capacitor_tolerance == "6 %"
    assert found.station
    assert found.rule is SIMPLE_ACCEPTANCE
    assert found.ambient_celsius is None
    assert found.mqtt is None
    assert found.meters == ()


def test_everything_that_can_be_set(tmp_path: Path) -> None:
    found = load_settings(
        settings(
            tmp_path,
            """
            station = "van-3"
            [judge]
            capacitor_tolerance = "5 %"
            rule = "guarded-acceptance"
            guard = 0.83
            temperature = "95 °F"
            [[meter]]
            address = "00:00:5E:00:53:0A"
            name = "clamp"
            pin = "line-volts"
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
    assert (found.station, found.capacitor_tolerance) == ("van-3", "5 %")
    assert str(found.rule) == "guarded acceptance, guard 0.83 U"
    assert found.ambient_celsius == 35
    meter, other = found.meters
    assert (meter.address, meter.name, meter.pinned_point) == ("00:00:5E:00:53:0A", "clamp", "line-volts")
    assert meter.accuracy_sheet is not None
    assert (str(meter.accuracy_sheet.ranges[0].line), meter.accuracy_sheet.temperature_coefficient) == (
        "±(1 % + 3 digits)",
        Decimal("0.05"),
    )
    assert other.accuracy_sheet is None
    assert found.mqtt == {"host": "localhost", "tls": False}


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("stations = 1", "'stations'"),
        ("station = [", "cannot be read"),
        ("judge = 3", "judge is not a table"),
        ("[judge]\ntolerance = 3", "'tolerance' in [judge]"),
        ("[judge]\ncapacitor_tolerance = '6'", "has no unit"),
        ("[judge]\nrule = 'strict'", "judge.rule: 'strict' is no decision rule"),
        ("[judge]\nrule = 3", "judge.rule: '3' is no decision rule"),
        ("[judge]\nguard = 1", "judge.rule: Simple acceptance has no guard band"),
        ("[judge]\nrule = 'guarded'\nguard = true", "judge.rule: 'True' is no guard factor"),
        ("[judge]\ntemperature = 35", "judge.temperature: The unit is missing"),
        ("[judge]\ntemperature = '350 °C'", "judge.temperature: No handheld meter"),
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
def test_what_is_wrong_is_said_with_the_file(tmp_path: Path, text: str, says: str) -> None:
    with pytest.raises(SettingsError) as caught:
        load_settings(settings(tmp_path, text))
    assert says in str(caught.value)
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


def test_a_data_folder_that_cannot_be_made(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(SettingsError, match="cannot be made"):
        data_dir(tmp_path / "file" / "inside")


def test_a_broker_keeps_its_identifier(tmp_path: Path) -> None:
    first = parse_broker({"host": "localhost", "tls": False}, tmp_path)
    assert parse_broker({"host": "localhost", "tls": False}, tmp_path).identifier == first.identifier
    assert first.address == ("localhost", 1883)


@pytest.mark.parametrize(
    ("table", "says"),
    [
        ({}, "no host"),
        ({"host": "x", "password": "secret"}, "'password'"),
        ({"host": 7}, "mqtt.host 7 is not text"),
        ({"host": "x", "port": "1883"}, "whole number"),
        ({"host": "x", "port": True}, "whole number"),
        ({"host": "x", "tls": "no"}, "true or false"),
        ({"host": "broker.example", "tls": False, "username": "u", "password_file": "p"}, "readable"),
    ],
)
def test_what_is_wrong_with_a_broker(tmp_path: Path, table: dict[str, object], says: str) -> None:
    with pytest.raises(SettingsError, match=says):
        parse_broker(table, tmp_path)
