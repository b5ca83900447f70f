"""The settings file, the data folder and the broker's table."""

import json
import re
import tomllib
from collections.abc import Iterator
from datetime import date
from decimal import Decimal
from pathlib import Path
from random import Random
from typing import Any

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.core.calibration import Calibration
from meterlink.core.errors import InputError, SettingsError
from meterlink.core.firm import Firm
from meterlink.core.key_actions import DEFAULT_KEYS, KEY_NAMES, KeyAction
from meterlink.judge.decision_rules import SIMPLE_ACCEPTANCE
from meterlink.publish.config import make_broker_config
from meterlink.settings import (
    DATA_FOLDER_VARIABLE,
    MeterSettings,
    MqttSettings,
    Settings,
    chosen_adapter,
    data_dir,
    load_settings,
    load_stock,
    settings_schema,
)
from meterlink.settings.accuracy_table import RANGE
from meterlink.settings.firm_table import FIRM
from meterlink.settings.keeping_table import KEEPING
from meterlink.settings.mqtt_table import MQTT as MQTT_TABLE
from meterlink.settings.parser import JUDGE, SETTINGS
from meterlink.settings.parser import METER as METER_TABLE
from meterlink.tomlfile.problems import PathProblem
from meterlink.tomlfile.tables import REQUIRED, Table


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


def test_the_chosen_adapter_is_read_where_the_settings_can_be(tmp_path: Path) -> None:
    assert chosen_adapter(tmp_path) == ""
    assert chosen_adapter(write_settings(tmp_path, 'adapter = "00:00:5e:00:53:aa"')) == "00:00:5E:00:53:AA"
    assert chosen_adapter(write_settings(tmp_path, 'adapter = "hci0"')) == ""  # an error of its own, reported elsewhere


def test_every_setting(tmp_path: Path) -> None:
    settings = load_settings(
        write_settings(
            tmp_path,
            """
            station = "van-3"
            adapter = "00:00:5e:00:53:aa"
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
            calibrated = "2025-03-01"
            calibration_due = "2026-03-01"
            certificate = "K-1047"
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
    assert settings.adapter == "00:00:5E:00:53:AA"
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
    assert meter.calibration == Calibration(date(2025, 3, 1), date(2026, 3, 1), "K-1047")
    assert second_meter.calibration is None
    assert settings.mqtt == MqttSettings("localhost", tls=False)


ADDRESS = "00:00:5E:00:53:0A"
METER = f'[[meter]]\naddress = "{ADDRESS}"\n'
ROW = METER + "[[meter.accuracy]]\nquantity = 'voltage'\n"
MQTT = '[mqtt]\nhost = "broker.example"\n'
MAC_ADDRESS = "1B2C3D4E-0000-1000-8000-00805F9B34FB"

# (text, position, message, whether the JSON Schema refuses it too)
ERRORS = [
    ("stations = 1", "1:1", "stations: 'stations' is not a field here. Did you mean station?", True),
    ("station = [", "1:12", "not valid TOML", None),
    ("station = ['van', '3']", "1:1", "station: ['van', '3'] is not text. Write station = \"van-3\".", True),
    ("station = ''", "1:1", "station: it is empty.", True),
    (f"station = '{'v' * 41}'", "1:1", "is longer than 40 characters. Shorten it.", True),
    ("judge = 3", "1:1", "judge: 3 is not a table. Write it as [judge].", True),
    ("[judge]\ntolerance = 3", "2:1", "judge.tolerance: 'tolerance' is not a field here.", True),
    ("[judge]\ncapacitor_tolerance = '6'", "2:1", "has no unit", False),
    ("[judge]\ncapacitor_tolerance = 6", "2:1", '6 is not text. Write capacitor_tolerance = "6 %".', True),
    ("[judge]\nrule = 'strict'", "2:1", "judge.rule: 'strict' is not a decision rule. Use one of:", False),
    ("[judge]\nrule = 3", "2:1", "judge.rule: 3 is not text.", True),
    ("[judge]\nguard_factor = 1", "2:1", "judge.guard_factor: Simple acceptance has no guard band.", True),
    ("[judge]\nrule = 'simple'\nguard_factor = 1", "3:1", "Simple acceptance has no guard band.", False),
    (
        "[judge]\nrule = 'guarded, guard 2 U'\nguard_factor = 1",
        "3:1",
        "The guard is given twice: guard 2 u and",
        False,
    ),
    ("[judge]\nrule = 'guarded'\nguard_factor = true", "3:1", "guard_factor: true is not a number.", True),
    ("[judge]\nrule = 'guarded'\nguard_factor = 3.01", "3:1", "guard_factor = a number from 0 to 3, not 0.", True),
    ("[judge]\nrule = 'guarded'\nguard_factor = nan", "3:1", "guard_factor: nan cannot be used.", False),
    ("[judge]\nambient_temperature = 35", "2:1", '35 is not text. Write ambient_temperature = "35 °C".', True),
    ("[judge]\nambient_temperature = '35'", "2:1", "ambient_temperature: '35': The unit is missing", False),
    ("[judge]\nambient_temperature = '350 °C'", "2:1", "ambient_temperature: No handheld meter", False),
    ("meter = 3", "1:1", "meter: 3 is not a list of tables. Write each as [[meter]].", True),
    ("meter = [3]", "1:10", "meter 1: 3 is not a table. Write it as [[meter]].", True),
    ("[[meter]]\nname = 'x'", "1:1", 'meter 1 (x): address is missing. Write address = "00:00:5E:00:53:0A", as', True),
    ("[[meter]]\naddress = ''", "2:1", "address: '' is not the address of a meter.", True),
    (
        "[[meter]]\naddress = 'x'",
        "2:1",
        "address: 'x' is not the address of a meter. Write address = \"00:00:5E:00:53:0A\", as",
        True,
    ),
    ("[[meter]]\naddress = 'manual_entry'", "2:1", "address: 'manual_entry' is not the address of a meter.", True),
    ("[[meter]]\naddress = '00:00:5E:00:53:0G'", "2:1", "is not the address of a meter", True),
    ("[[meter]]\naddress = '00:00:5E:00:53:0A:1'", "2:1", "is not the address of a meter", True),
    ("[[meter]]\naddress = ' 00:00:5E:00:53:0A'", "2:1", "is not the address of a meter", True),
    ("[[meter]]\naddress = 0x00005E00530A", "2:1", "address: 1577079562 is not text.", True),
    (METER + f"name = '{'n' * 41}'", "3:1", "name: 'nnnn", True),
    (METER + "name = 7", "3:1", 'name: 7 is not text. Write name = "clamp meter".', True),
    (METER + "pin = ['line']", "3:1", f"meter 1 ({ADDRESS}), pin: 'pin' is not a field here. Use: address, ", True),
    (METER + "pinned_point = ['line']", "3:1", "pinned_point: ['line'] is not text.", True),
    (METER + "pinned_point = 'Line volts'", "3:1", "pinned_point: 'Line volts' cannot be used.", True),
    (METER + "profile = 'yard meter.toml'", "3:1", "profile: 'yard meter.toml' cannot be used.", True),
    (METER + f"profile = '{'p' * 31}'", "3:1", "is longer than 30 characters", True),
    (METER + "calibrated = '2025-02-30'", "3:1", "calibrated: '2025-02-30' is not a date. Write it as", False),
    (METER + "calibrated = '20250301'", "3:1", "calibrated: '20250301' is not a date.", True),
    (METER + "calibration_due = 2026", "3:1", 'calibration_due: 2026 is not text. Write calibration_due = "2026', True),
    (METER + "certificate = 7", "3:1", 'certificate: 7 is not text. Write certificate = "K-1047".', True),
    (
        METER + "calibrated = '2026-03-01'\ncalibration_due = '2026-03-01'",
        "4:1",
        "calibration_due: it is due on 2026-03-01, not after it was calibrated on 2026-03-01. Copy both dates",
        False,
    ),
    (ROW + "line = '1 % + 1 °C'", "5:1", "line: ±(1 % + 1 °C) is the accuracy of a thermometer.", False),
    (METER + "colour = 'red'", "3:1", "'colour' is not a field here", True),
    (METER + METER, "4:1", f"meter 2 ({ADDRESS}), address: meter 1 already has the address {ADDRESS}. Remove", False),
    (METER + METER.lower(), "4:1", "meter 1 already has the address 00:00:5E:00:53:0A.", False),
    (
        METER + "accuracy = '2 %'",
        "3:1",
        "accuracy: '2 %' is not a list of tables. Write each as [[meter.accuracy]].",
        True,
    ),
    (METER + "accuracy = ['2 %']", "3:13", "accuracy 1: '2 %' is not a table.", True),
    (METER + "temperature_coefficient = 2", "3:1", "temperature_coefficient: 2 cannot be used. Write temper", True),
    (METER + "temperature_coefficient = -0.1", "3:1", "temperature_coefficient: -0.1 cannot", True),
    (METER + "temperature_coefficient = '0.1'", "3:1", "temperature_coefficient: '0.1' is not a number", True),
    (METER + "temperature_coefficient = true", "3:1", "temperature_coefficient: true is not a number", True),
    (METER + "temperature_coefficient = nan", "3:1", "temperature_coefficient: nan cannot", False),
    (
        ROW + "line = '2'",
        "5:1",
        f"meter 1 ({ADDRESS}), accuracy 1, line: '2' is not an accuracy line. Write it as",
        False,
    ),
    (ROW, "3:1", 'accuracy 1: line is missing. Write line = "2 % + 5 digits".', True),
    (ROW + "line = 2", "5:1", 'line: 2 is not text. Write line = "2 % + 5 digits".', True),
    (ROW + "line = '2 %'\nrange = '600 V'", "6:1", "'range' is not a field here", True),
    (ROW + "line = '2 %'\ncoupling = 'ac/dc'", "6:1", "coupling: 'ac/dc' is not known. Use one of: AC, DC.", True),
    (
        ROW + "line = '2 %'\nup_to = '60 ohm'",
        "6:1",
        "up_to: '60 ohm': 'ohm' is a unit of resistance, not of voltage.",
        False,
    ),
    (
        ROW + "line = '2 %'\nup_to = 600",
        "6:1",
        "up_to: 600 is not text with a number and its unit. Write up_to = ",
        True,
    ),
    (ROW + "line = '2 %'\nup_to = '0 V'", "6:1", "up_to: it must be above zero, not 0 V.", False),
    (ROW + "line = '2 %'\nresolution = '-1 V'", "6:1", "resolution: it must be above zero, not -1 V.", False),
    (
        ROW + "line = '2 %'\nup_to = '6 V'\nresolution = '6000 mV'",
        "7:1",
        "a step of 6000 mV does not fit a range up to 6 V. Give one digit of its display.",
        False,
    ),
    (
        ROW + "line = '2 %'\n[[meter.accuracy]]\nquantity = 'voltage'\nline = '1 %'",
        "6:1",
        f"meter 1 ({ADDRESS}), accuracy 2: row 1 is for the same range. Keep one of them.",
        False,
    ),
    (METER + "[[meter.accuracy]]\nquantity = 'mass'\nline = '2 %'", "4:1", "quantity: 'mass' is not known. Use", True),
    (METER + "[[meter.accuracy]]\nline = '2 %'", "3:1", "quantity is missing. Use one of: voltage, current", True),
    ("mqtt = 'broker.example'", "1:1", "mqtt: 'broker.example' is not a table. Write it as [mqtt].", True),
    ("[mqtt]", "1:1", 'mqtt: host is missing. Write host = "broker.example", or remove [mqtt]: then nothing', True),
    ("[mqtt]\nhost = 7", "2:1", "mqtt.host: 7 is not text.", True),
    ("[mqtt]\nhost = ''", "2:1", "mqtt.host: '' is not a host name or address.", True),
    ("[mqtt]\nhost = 'two words'", "2:1", "host: 'two words' is not a host name or address.", True),
    ("[mqtt]\nhost = 'mqtt://broker.example'", "2:1", "is not a host name or address. Write the name or the", True),
    ("[mqtt]\nhost = 'broker.example:1883'", "2:1", "the port has a key of its own.", False),
    ("[mqtt]\nhost = 'broker\u200b.example'", "2:1", "is not a host name or address", False),
    (MQTT + "password = 'secret'", "3:1", "'password' is not a field here. Did you mean password_file?", True),
    (
        MQTT + "port = '1883'",
        "3:1",
        "port: '1883' is not a whole number. Write port = a whole number from 1 to 65535.",
        True,
    ),
    (MQTT + "port = true", "3:1", "port: true is not a whole number", True),
    (MQTT + "port = 0", "3:1", "port: 0 is not from 1 to 65535.", True),
    (MQTT + "port = 65536", "3:1", "port: 65536 is not from 1 to 65535.", True),
    (MQTT + "tls = 'no'", "3:1", "tls: 'no' is not true or false. Write tls = true.", True),
    (MQTT + "keepalive = 19", "3:1", "keepalive: 19 is not from 20 to 30.", True),
    (MQTT + "keepalive = 31", "3:1", "keepalive: 31 is not from 20 to 30.", True),
    (MQTT + 'username = "van\\u0000"', "3:1", "username: 'van\\x00' cannot be used.", True),
    (MQTT + "password_file = 'p'", "3:1", "password_file: a password needs a username. Add username", True),
    (MQTT + "username = 'van'\npassword_file = ''", "4:1", "password_file: '' cannot be used.", True),
    (
        MQTT + "tls = false\nusername = 'van'\npassword_file = 'p'",
        "5:1",
        "the password would go to broker.example unencrypted. Write tls = true;",
        False,
    ),
    (
        "[mqtt]\nhost = '127.0.0.1.example'\ntls = false\nusername = 'van'\npassword_file = 'p'",
        "5:1",
        "the password would go to 127.0.0.1.example unencrypted.",
        False,
    ),
    (MQTT + "key_file = 'k'", "3:1", "key_file: a key needs its certificate. Add certificate_file", True),
    (
        MQTT + "tls = false\ncertificate_file = 'c'",
        "4:1",
        "certificate_file: a certificate needs TLS. Write tls = true",
        True,
    ),
    (MQTT + "tls = false\nca_file = 'ca.pem'", "4:1", "ca_file: certificates need TLS. Write tls = true, or", True),
]


@pytest.mark.parametrize(("text", "position", "message", "schema_refuses"), ERRORS)
def test_an_error_has_its_file_and_position(
    tmp_path: Path, text: str, position: str, message: str, schema_refuses: bool | None
) -> None:
    with pytest.raises(SettingsError) as caught:
        load_settings(write_settings(tmp_path, text))
    line, *more = str(caught.value).splitlines()
    assert line.startswith(f"{tmp_path / 'settings.toml'}:{position}: ")
    assert message in line
    assert not more
    if schema_refuses is not None:
        assert schema_accepts(tomllib.loads(text)) is not schema_refuses


def schema_accepts(table: object) -> bool:
    validator = jsonschema.Draft202012Validator(settings_schema())
    return bool(validator.is_valid(json.loads(json.dumps(table, default=float))))


def test_every_error_in_one_go(tmp_path: Path) -> None:
    text = f"""\
station = ["van", "3"]
[judge]
rule = "strict"
guard_facter = 1
[[meter]]
address = "keyed"
pin = ["line"]
[[meter]]
address = "{ADDRESS}"
[[meter.accuracy]]
quantity = "voltage"
line = "2"
up_to = "60 ohm"
[[meter]]
address = "{ADDRESS.lower()}"
[mqtt]
host = "two words"
port = 0
password_file = "p"
ca_file = "shop-ca.pem"
tls = false
"""
    with pytest.raises(SettingsError) as caught:
        load_settings(write_settings(tmp_path, text))
    found = [line.removeprefix(f"{tmp_path}/").split(": ")[0] for line in str(caught.value).splitlines()]
    lines = (1, 3, 4, 6, 7, 12, 13, 15, 17, 18, 19, 20)
    assert found == [f"settings.toml:{line}:1" for line in lines]


def test_every_error_of_a_stock_list_in_one_go(tmp_path: Path) -> None:
    file = tmp_path / "stock.toml"
    file.write_text("[[part]]\nratings = '45 uF 440 V'\n[[part]]\nrating = \"45\"\ncount = -1\n", encoding="utf-8")
    with pytest.raises(InputError) as caught:
        load_stock(file)
    first, *others = str(caught.value).splitlines()
    assert re.search(r"stock\.toml:2:1: part 1, ratings: .* Did you mean rating\?$", first)
    assert [line.split(": ")[0] for line in others] == [f"{file}:4:1", f"{file}:5:1"]


def test_a_file_that_cannot_be_read_is_an_error(tmp_path: Path) -> None:
    (tmp_path / "settings.toml").mkdir()
    (tmp_path / "stock.toml").write_bytes(b"\xff")
    with pytest.raises(SettingsError, match=r"^The settings .*settings\.toml cannot be read: "):
        load_settings(tmp_path)
    with pytest.raises(InputError, match=r"^The stock list .*stock\.toml cannot be read: it is not UTF-8 text\."):
        load_stock(tmp_path / "stock.toml")


@pytest.mark.parametrize("address", [ADDRESS, ADDRESS.lower(), MAC_ADDRESS, MAC_ADDRESS.lower()])
def test_an_address_is_that_of_the_platform(tmp_path: Path, address: str) -> None:
    text = f"[[meter]]\naddress = '{address}'\n"
    assert load_settings(write_settings(tmp_path, text)).meters == (MeterSettings(address.upper()),)
    assert schema_accepts(tomllib.loads(text))


@pytest.mark.parametrize("host", ["broker.example", "bücher.example", "10.0.0.7", "::1", "fe80::1%eth0"])
def test_a_host_is_a_name_or_an_address(tmp_path: Path, host: str) -> None:
    mqtt = load_settings(write_settings(tmp_path, f"[mqtt]\nhost = '{host}'\n")).mqtt
    assert mqtt == MqttSettings(host)
    assert schema_accepts({"mqtt": {"host": host}})


@pytest.mark.parametrize("host", ["localhost", "127.0.0.1", "127.8.0.1", "::1"])
def test_a_password_without_tls_is_for_this_machine_only(tmp_path: Path, host: str) -> None:
    text = f"[mqtt]\nhost = '{host}'\ntls = false\nusername = 'van [3]'\npassword_file = 'p'\n"
    mqtt = load_settings(write_settings(tmp_path, text)).mqtt
    assert mqtt == MqttSettings(host, tls=False, username="van [3]", password_file="p")  # noqa: S106  # a file's name


RIGHT_VALUES: dict[str, list[object]] = {
    "raw_days": [0, 1, 365],
    "least_free_mb": [0, 1_000],
    "station": ["van-3", " van 3 ", "Ü"],
    "adapter": [ADDRESS, ADDRESS.lower()],
    "capacitor_tolerance": ["6 %", "J", "±0.5 uF", " -10/+30 % "],
    "rule": ["guarded", "Guarded-Rejection", " guarded acceptance "],
    "guard_factor": [1, Decimal("0.83"), 3],
    "ambient_temperature": ["35 °C", "95F", "-40C"],
    "address": [ADDRESS, ADDRESS.lower(), MAC_ADDRESS],
    "name": ["clamp", " [clamp] \u200bmeter"],
    "pinned_point": ["line-volts", "a"],
    "profile": ["yard-meter", "p" * 30],
    "temperature_coefficient": [0, 1, Decimal("0.1")],
    "calibrated": ["2025-03-01", "2024-02-29"],
    "calibration_due": ["2026-03-01", "2025-12-31"],
    "certificate": ["K-1047", " [K] 7 "],
    "quantity": ["voltage"],
    "line": ["2 % + 5 digits", " 3 d"],
    "up_to": ["600 V", "6e3 mV"],
    "resolution": ["1 V", "0.1V"],
    "coupling": ["AC", "DC"],
    "host": ["localhost", "::1", "127.0.0.1"],
    "port": [1, 65_535],
    "tls": [True],
    "verify": [True, False],
    "username": ["van", "[van] 3"],
    "password_file": ["p", "/run/secrets/p"],
    "ca_file": ["ca.pem"],
    "certificate_file": ["van.pem", "/etc/ssl/van [3].pem"],
    "key_file": ["van.key"],
    "keepalive": [20, 30],
    "logo": ["logo.png", "/home/van/[1] logo.png"],
}
OTHER_VALUES = st.sampled_from(
    [
        *(
            "",
            "x",
            "6 %",
            "35 °C",
            "guarded",
            "simple",
            "2 %",
            "100 uF",
            "1 uF",
            ADDRESS,
            "::1",
            "a\nb",
            "\u200b",
            " a ",
        ),
        *(0, 1, -1, 25, 8883, 70000, Decimal("0.5"), Decimal(3), True, False),
    ]
) | st.sampled_from([[], {}, [3], ["a"], [{}]])


def tables(table: Table[Any], **below: st.SearchStrategy[object]) -> st.SearchStrategy[dict[str, object]]:
    """Draw right tables with some of the keys that need not be given."""
    values = {key.name: st.sampled_from(RIGHT_VALUES.get(key.name, [None])) for key in table.keys} | below
    required = {key.name for key in table.keys if key.default is REQUIRED}
    return st.fixed_dictionaries(
        {name: value for name, value in values.items() if name in required},
        optional={name: value for name, value in values.items() if name not in required},
    )


# A key that no other action has, before one of the action's own.
FREE_KEYS = {
    action: [key, DEFAULT_KEYS[action][0]]
    for action, key in zip(
        KeyAction, (key for key in KEY_NAMES if not any(key in own for own in DEFAULT_KEYS.values())), strict=False
    )
}
RIGHT_TABLES = tables(
    SETTINGS,
    judge=tables(JUDGE).map(lambda table: {"rule": "guarded"} | table),
    meter=st.lists(tables(METER_TABLE, accuracy=st.lists(tables(RANGE), max_size=1)), max_size=1),
    mqtt=tables(MQTT_TABLE).map(lambda table: {"username": "van", "certificate_file": "van.pem"} | table),
    keys=st.fixed_dictionaries({}, optional={str(action): st.just(keys) for action, keys in FREE_KEYS.items()}),
    keeping=tables(KEEPING),
    firm=tables(FIRM),  # whose address is any line of text, as a meter's is
)


@given(RIGHT_TABLES)
def test_reader_and_schema_accept_right_settings(table: dict[str, object]) -> None:
    problems: list[PathProblem] = []
    assert isinstance(SETTINGS.read(table, (), problems), Settings), problems
    assert schema_accepts(table)


@given(RIGHT_TABLES, st.randoms(use_true_random=False), OTHER_VALUES)
def test_the_schema_accepts_all_that_the_reader_accepts(table: dict[str, Any], random: Random, value: object) -> None:
    """In a right table one value is replaced by another, which may be right, too."""
    *path, last = random.choice([*paths(table), ("station",)])
    below: Any = table
    for part in path:
        below = below[part]
    below[last] = value
    problems: list[PathProblem] = []
    SETTINGS.read(table, (), problems)
    assert problems or schema_accepts(table)


def paths(value: object, before: tuple[str | int, ...] = ()) -> Iterator[tuple[str | int, ...]]:
    """Yield the path of each value within ``value``."""
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for part, below in items:
        yield (*before, part)
        yield from paths(below, (*before, part))


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


@pytest.mark.fault("identifier-taken")
def test_a_broker_keeps_its_identifier(tmp_path: Path) -> None:
    settings = MqttSettings("localhost", tls=False)
    first = make_broker_config(settings, tmp_path)
    assert make_broker_config(settings, tmp_path).identifier == first.identifier
    assert first.address == ("localhost", 1883)


def test_the_files_of_a_broker_are_in_the_data_folder(tmp_path: Path) -> None:
    settings = MqttSettings("broker.example", 8884, True, False, "van", "p", "ca.pem", 30, "van.pem", "/run/van.key")
    broker = make_broker_config(settings, tmp_path)
    assert broker.address == ("broker.example", 8884)
    assert (broker.tls, broker.verify, broker.username, broker.keepalive) == (True, False, "van", 30)
    assert (broker.password_file, broker.ca_file) == (tmp_path / "p", tmp_path / "ca.pem")
    assert (broker.certificate_file, broker.key_file) == (tmp_path / "van.pem", Path("/run/van.key"))
    none = make_broker_config(MqttSettings("broker.example"), tmp_path)
    assert (none.password_file, none.ca_file, none.certificate_file, none.key_file) == (None,) * 4


def test_raw_readings_are_kept_for_a_year_and_a_gigabyte_unless_the_settings_say_else(tmp_path: Path) -> None:
    keeping = load_settings(tmp_path).keeping
    assert (keeping.raw_days, keeping.least_free_mb) == (365, 1_000)
    keeping = load_settings(write_settings(tmp_path, "[keeping]\nraw_days = 0\nleast_free_mb = 250\n")).keeping
    assert (keeping.raw_days, keeping.least_free_mb) == (0, 250)
    for text in ("raw_days = -1", "raw_days = 36501", 'least_free_mb = "1 GB"'):
        with pytest.raises(SettingsError, match="keeping"):
            load_settings(write_settings(tmp_path, f"[keeping]\n{text}\n"))


def test_a_firm_has_each_of_its_lines_or_none(tmp_path: Path) -> None:
    assert load_settings(tmp_path).firm == Firm()
    text = '[firm]\nname = "Harbour\\nCooling"\nlogo = "signs/logo [1].png"\n'
    # A name is shown, so it is folded to one line; a path is used as it is.
    assert load_settings(write_settings(tmp_path, text)).firm == Firm("Harbour Cooling", "", "signs/logo [1].png")
