"""Where a station keeps its data, and the settings a person may change there.

Everything lives in one data folder: ``meterlink.db``, the local socket, ``stock.toml`` (what is on the truck, see
`meterlink.judge.label.replacement`) and ``settings.toml``::

    station = "van-3"                  # the name this station publishes under; default: the machine's host name

    [judge]
    capacitor_tolerance = "6 %"        # for a run capacitor with no tolerance printed on it
    rule = "guarded acceptance"        # or guarded rejection, guarded (both); default: simple acceptance
    guard = 1.0                        # the guard band, times the expanded uncertainty; only with a guarded rule
    temperature = "35 °C"              # how warm the meters are; default: within 18 to 28 °C

    [[meter]]                          # a meter this station may connect to; repeat for each
    address = "00:00:5E:00:53:0A"
    name = "clamp meter"               # shown instead of what it calls itself
    pin = "line-volts"                 # always this test point, whatever the active one is
    profile = "yard-meter"             # read by this one of the folder's profiles, whatever it advertises
    temperature_coefficient = 0.1      # of its accuracy, per °C outside 18 to 28 °C

    [[meter.accuracy]]                 # a row of that meter's accuracy sheet: see meterlink.judge.accuracy
    quantity = "capacitance"
    up_to = "100 uF"
    line = "2 % + 5 digits"

    [mqtt]                             # leave the table out to publish nothing
    host = "broker.example"
    port = 8883
    username = "van-3"
    password_file = "mqtt-password"    # relative to the data folder
    ca_file = "shop-ca.pem"
"""

import os
import platform
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from decimal import Decimal
from pathlib import Path
from typing import Any

from meterlink.core.errors import InputError, SettingsError
from meterlink.core.text import clean_text
from meterlink.core.units import Amount, Quantity, parse_amount
from meterlink.judge.accuracy import AccuracySheet, parse_accuracy_sheet
from meterlink.judge.decision_rules import SIMPLE_ACCEPTANCE, DecisionRule, parse_decision_rule
from meterlink.judge.label.replacement import StockEntry, parse_stock
from meterlink.judge.tolerance import DEFAULT_CAPACITOR_TOLERANCE, parse_tolerance
from meterlink.judge.uncertainty import check_operating_temperature

DATABASE_FILE = "meterlink.db"
SETTINGS_FILE = "settings.toml"
STOCK_FILE = "stock.toml"
DATA_FOLDER_VARIABLE = "METERLINK_DATA"

_SAMPLE_RATING = Amount(Decimal(10), "µF")  # a tolerance can only be read beside a rating


@dataclass(frozen=True, slots=True)
class MeterSettings:
    """A meter named in the settings. ``pin`` is the key of the test point it always measures, or empty.

    ``accuracy`` is its accuracy sheet, None where nobody has entered one. ``profile`` is the name of the profile it is
    read by, whatever it advertises; empty where that decides.
    """

    address: str
    name: str = ""
    pinned_point: str = ""
    accuracy_sheet: AccuracySheet | None = None
    profile: str = ""


@dataclass(frozen=True, slots=True)
class Settings:
    """What the settings file says, with the defaults for what it leaves out. ``mqtt`` is its table as written.

    ``celsius`` is how warm the meters are, None for within 18 to 28 °C; ``stock`` is what is on the truck.
    """

    station: str
    capacitor_tolerance: str = DEFAULT_CAPACITOR_TOLERANCE
    meters: tuple[MeterSettings, ...] = ()
    mqtt: Mapping[str, Any] | None = field(default=None)
    rule: DecisionRule = SIMPLE_ACCEPTANCE
    ambient_celsius: Decimal | None = None
    stock: tuple[StockEntry, ...] = ()


def data_dir(option: str | os.PathLike[str] | None = None) -> Path:
    """Return the data folder: ``option``, else ``$METERLINK_DATA``, else the platform's place for such data.

    It is created where it is missing; SettingsError when it cannot be.
    """
    given = option or os.environ.get(DATA_FOLDER_VARIABLE)
    if given:
        folder = Path(given).expanduser()
    else:
        from platformdirs import user_data_path  # noqa: PLC0415  # only where no folder is given

        folder = user_data_path("meterlink", appauthor=False)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise SettingsError(
            f"The data folder {folder} cannot be made: {error.strerror}.", "Give another with --data DIR."
        ) from error
    return folder.absolute()


def load_settings(folder: Path) -> Settings:
    """Return the settings in ``folder``; defaults where there is no file; SettingsError naming the key otherwise."""
    path = folder / SETTINGS_FILE
    try:
        settings = _parse_settings(_read_toml(path))
    except SettingsError as error:
        raise SettingsError(f"{path}: {error.message}", error.remedy) from error
    return replace(settings, stock=load_stock(folder))


def load_stock(folder: Path) -> tuple[StockEntry, ...]:
    """Return the truck's stock list in ``folder``, nothing where there is none; SettingsError naming what is wrong."""
    path = folder / STOCK_FILE
    try:
        table = _read_toml(path)
        return parse_stock(table, str(path)) if table else ()
    except InputError as error:
        raise SettingsError(error.message, error.remedy) from error


def _read_toml(path: Path) -> Mapping[str, Any]:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        return {}
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError, RecursionError) as error:
        raise SettingsError(f"it cannot be read: {error}.", "Mend or remove it.") from error


def _parse_settings(table: Mapping[str, Any]) -> Settings:
    _check_keys(table, {"station", "judge", "meter", "mqtt"}, "at the top")
    judge = _subtable(table, "judge")
    _check_keys(judge, {"capacitor_tolerance", "rule", "guard", "temperature"}, "in [judge]")
    tolerance = judge.get("capacitor_tolerance", DEFAULT_CAPACITOR_TOLERANCE)
    try:
        parse_tolerance(str(tolerance), _SAMPLE_RATING)
    except InputError as error:
        raise SettingsError(f"judge.capacitor_tolerance: {error.message}", error.remedy) from error
    try:
        rule = parse_decision_rule(
            str(judge.get("rule", SIMPLE_ACCEPTANCE)), str(judge["guard"]) if "guard" in judge else None
        )
    except InputError as error:
        raise SettingsError(f"judge.rule: {error.message}", error.remedy) from error
    station = clean_text(str(table.get("station") or platform.node()))
    return Settings(
        station=station or "station",
        capacitor_tolerance=str(tolerance),
        meters=_parse_meters(table.get("meter", [])),
        mqtt=_subtable(table, "mqtt") if "mqtt" in table else None,
        rule=rule,
        ambient_celsius=_parse_ambient_temperature(judge["temperature"]) if "temperature" in judge else None,
    )


def _parse_ambient_temperature(given: object) -> Decimal:
    try:
        return check_operating_temperature(parse_amount(str(given), Quantity.TEMPERATURE).base_value)
    except InputError as error:
        raise SettingsError(f"judge.temperature: {error.message}", error.remedy) from error


def _parse_meters(entries: object) -> tuple[MeterSettings, ...]:
    if not isinstance(entries, list) or not all(isinstance(entry, dict) for entry in entries):
        raise SettingsError("meter is not a list of tables.", "Write each as [[meter]].")
    meters = []
    for entry in entries:
        _check_keys(entry, {"address", "name", "pin", "accuracy", "temperature_coefficient", "profile"}, "in [[meter]]")
        address = clean_text(str(entry.get("address", "")))
        if not address:
            raise SettingsError("a [[meter]] has no address.", "Give the address it is seen under.")
        try:
            sheet = parse_accuracy_sheet(entry.get("accuracy", []), entry.get("temperature_coefficient"))
        except InputError as error:
            raise SettingsError(f"[[meter]] {address}: {error.message}", error.remedy) from error
        name, profile = (clean_text(str(entry.get(key, ""))) for key in ("name", "profile"))
        meters.append(MeterSettings(address, name, str(entry.get("pin", "")), sheet, profile))
    return tuple(meters)


def _subtable(table: Mapping[str, Any], key: str) -> Mapping[str, Any]:
    inner = table.get(key, {})
    if not isinstance(inner, dict):
        raise SettingsError(f"{key} is not a table.", f"Write it as [{key}].")
    return inner


def _check_keys(table: Mapping[str, Any], known: set[str], where: str) -> None:
    unknown = sorted(set(table) - known)
    if unknown:
        raise SettingsError(f"{unknown[0]!r} {where} is not a setting.", f"Use: {', '.join(sorted(known))}.")
