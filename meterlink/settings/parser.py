"""The settings file of a station, ``settings.toml``."""

import platform
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING, Any

from meterlink.core.errors import InputError, SettingsError
from meterlink.core.text import clean_text
from meterlink.core.units import Amount, Quantity, parse_amount
from meterlink.judge.accuracy import AccuracySheet
from meterlink.judge.decision_rules import SIMPLE_ACCEPTANCE, DecisionRule, parse_decision_rule
from meterlink.judge.tolerance import DEFAULT_CAPACITOR_TOLERANCE, parse_tolerance
from meterlink.judge.uncertainty import check_operating_temperature
from meterlink.settings.accuracy_table import parse_accuracy_sheet
from meterlink.settings.folder import SETTINGS_FILE, STOCK_FILE
from meterlink.settings.stock import load_stock
from meterlink.tomlfile.files import read_table

if TYPE_CHECKING:
    from meterlink.judge.label.replacement import StockEntry

_METER_KEYS = {"address", "name", "pinned_point", "accuracy", "temperature_coefficient", "profile"}
_SAMPLE_RATING = Amount(Decimal(10), "µF")  # parse_tolerance needs a rating


@dataclass(frozen=True, slots=True)
class MeterSettings:
    """A meter in the settings. ``pinned_point`` is the key of the test point that it always measures, or empty.

    ``accuracy_sheet`` is None if none is entered. ``profile`` is the name of the profile that reads the meter; if it is
    empty, the meter's advertisement decides.
    """

    address: str
    name: str = ""
    pinned_point: str = ""
    accuracy_sheet: AccuracySheet | None = None
    profile: str = ""


@dataclass(frozen=True, slots=True)
class Settings:
    """The settings of a station, with defaults for missing keys. ``mqtt`` is its table as written, None without it.

    ``ambient_celsius`` is the temperature (°C) at the meters, None for 18 to 28 °C. ``stock`` lists the parts on the
    truck.
    """

    station: str
    capacitor_tolerance: str = DEFAULT_CAPACITOR_TOLERANCE
    meters: tuple[MeterSettings, ...] = ()
    mqtt: Mapping[str, Any] | None = field(default=None)
    rule: DecisionRule = SIMPLE_ACCEPTANCE
    ambient_celsius: Decimal | None = None
    stock: "tuple[StockEntry, ...]" = ()


def load_settings(folder: Path) -> Settings:
    """Return the settings and the stock list in the data folder; defaults for a missing file.

    Raises:
        SettingsError: a file cannot be read, is not TOML or has a wrong key; the message names file and key.
    """
    path = folder / SETTINGS_FILE
    table = _read_table(path)
    try:
        settings = _parse_settings(table)
    except SettingsError as error:
        raise SettingsError(f"{path}: {error.message}", error.remedy) from error
    return replace(settings, stock=_load_stock(folder / STOCK_FILE))


def _load_stock(path: Path) -> "tuple[StockEntry, ...]":
    try:
        return load_stock(path)
    except InputError as error:
        if isinstance(error.__cause__, FileNotFoundError):
            return ()
        raise SettingsError(error.message, error.remedy) from error


def _read_table(path: Path) -> Mapping[str, Any]:
    try:
        return read_table(path, "settings")
    except InputError as error:
        if isinstance(error.__cause__, FileNotFoundError):
            return {}
        raise SettingsError(error.message, error.remedy) from error


def _parse_settings(table: Mapping[str, Any]) -> Settings:
    _check_keys(table, {"station", "judge", "meter", "mqtt"}, "at the top")
    judge = _subtable(table, "judge")
    _check_keys(judge, {"capacitor_tolerance", "rule", "guard_factor", "ambient_temperature"}, "in [judge]")
    tolerance = judge.get("capacitor_tolerance", DEFAULT_CAPACITOR_TOLERANCE)
    try:
        parse_tolerance(str(tolerance), _SAMPLE_RATING)
    except InputError as error:
        raise SettingsError(f"judge.capacitor_tolerance: {error.message}", error.remedy) from error
    try:
        rule = parse_decision_rule(
            str(judge.get("rule", SIMPLE_ACCEPTANCE)), str(judge["guard_factor"]) if "guard_factor" in judge else None
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
        ambient_celsius=_parse_ambient_temperature(judge["ambient_temperature"])
        if "ambient_temperature" in judge
        else None,
    )


def _parse_ambient_temperature(value: object) -> Decimal:
    try:
        return check_operating_temperature(parse_amount(str(value), Quantity.TEMPERATURE).base_value)
    except InputError as error:
        raise SettingsError(f"judge.ambient_temperature: {error.message}", error.remedy) from error


def _parse_meters(entries: object) -> tuple[MeterSettings, ...]:
    if not isinstance(entries, list) or not all(isinstance(entry, dict) for entry in entries):
        raise SettingsError("meter is not a list of tables.", "Write each meter as [[meter]].")
    meters = []
    for entry in entries:
        _check_keys(entry, _METER_KEYS, "in [[meter]]")
        address = clean_text(str(entry.get("address", "")))
        if not address:
            raise SettingsError("a [[meter]] has no address.", 'Write address = "…", as meterlink find lists it.')
        try:
            sheet = parse_accuracy_sheet(entry.get("accuracy", []), entry.get("temperature_coefficient"))
        except InputError as error:
            raise SettingsError(f"[[meter]] {address}: {error.message}", error.remedy) from error
        name, profile = (clean_text(str(entry.get(key, ""))) for key in ("name", "profile"))
        meters.append(MeterSettings(address, name, str(entry.get("pinned_point", "")), sheet, profile))
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
