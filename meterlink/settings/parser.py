"""The settings file of a station, ``settings.toml``."""

import platform
import re
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Any

from meterlink.core.calibration import Calibration, parse_date
from meterlink.core.errors import InputError, SettingsError
from meterlink.core.firm import NO_FIRM, Firm
from meterlink.core.key_actions import DEFAULT_KEYS, Keys
from meterlink.core.text import KEY_PATTERN, LONGEST_NAME, clean_text
from meterlink.core.units import Amount, Quantity, parse_amount
from meterlink.judge.accuracy import AccuracySheet
from meterlink.judge.decision_rules import MAX_GUARD_FACTOR, SIMPLE_ACCEPTANCE, DecisionRule, parse_decision_rule
from meterlink.judge.tolerance import DEFAULT_CAPACITOR_TOLERANCE, parse_tolerance
from meterlink.judge.uncertainty import check_operating_temperature
from meterlink.settings.accuracy_table import ACCURACY, TEMPERATURE_COEFFICIENT, check_rows, make_sheet
from meterlink.settings.firm_table import FIRM
from meterlink.settings.folder import SETTINGS_FILE
from meterlink.settings.keeping_table import DEFAULT_KEEPING, KEEPING, KeepingSettings
from meterlink.settings.keys_table import KEYS
from meterlink.settings.mqtt_table import MQTT, MqttSettings
from meterlink.tomlfile.documents import document_schema
from meterlink.tomlfile.field_types import Number, Parsed, Schema, Text
from meterlink.tomlfile.files import load_document
from meterlink.tomlfile.problems import quote_value
from meterlink.tomlfile.tables import Computed, FieldError, Key, Table, Tables

_SAMPLE_RATING = Amount(Decimal(10), "µF")  # parse_tolerance needs a rating
_MOST_METERS = 100  # more than a shop has
_LONGEST_POINT_KEY = 40  # characters, as in plans
_LONGEST_PROFILE_NAME = 30  # characters, as in profiles
_DATE_PATTERN = "^[0-9]{4}-[0-9]{2}-[0-9]{2}$"
# Linux and Windows give a meter's Bluetooth address, macOS a UUID of its own.
BLUETOOTH_ADDRESS = "(?:[0-9A-Fa-f]{2}:){5}[0-9A-Fa-f]{2}"
"""The pattern of the address of an adapter, and of a meter on Linux and Windows."""
_ADDRESS = f"{BLUETOOTH_ADDRESS}|[0-9A-Fa-f]{{8}}-(?:[0-9A-Fa-f]{{4}}-){{3}}[0-9A-Fa-f]{{12}}"


@dataclass(frozen=True, slots=True)
class MeterSettings:
    """A meter in the settings. ``pinned_point`` is the key of the test point that it always measures, or empty.

    ``address`` is in capitals: a Bluetooth address, or the UUID that macOS gives instead. ``accuracy_sheet`` is None if
    none is entered. ``profile`` is the name of the profile that reads the meter; if it is empty, the meter's
    advertisement decides. ``calibration`` is None without a date or a certificate.
    """

    address: str
    name: str = ""
    pinned_point: str = ""
    accuracy_sheet: AccuracySheet | None = None
    profile: str = ""
    calibration: Calibration | None = None


@dataclass(frozen=True, slots=True)
class Settings:
    """The settings of a station, with defaults for missing keys. ``mqtt`` is None without its table.

    ``ambient_celsius`` is the temperature (°C) at the meters, None for 18 to 28 °C. ``keys`` are those of the
    dashboard, ``firm`` is that of the reports. ``adapter`` is the address of the Bluetooth adapter to use, empty for
    the system's choice. ``keeping`` says how long raw readings are kept. ``changed_utc_ns`` is the time when the file
    was last changed, 0 without a file.
    """

    station: str
    capacitor_tolerance: str = DEFAULT_CAPACITOR_TOLERANCE
    meters: tuple[MeterSettings, ...] = ()
    mqtt: MqttSettings | None = None
    rule: DecisionRule = SIMPLE_ACCEPTANCE
    ambient_celsius: Decimal | None = None
    keys: Keys = field(default_factory=lambda: DEFAULT_KEYS)
    firm: Firm = NO_FIRM
    changed_utc_ns: int = 0
    adapter: str = ""
    keeping: KeepingSettings = DEFAULT_KEEPING


@dataclass(frozen=True, slots=True)
class _JudgeSettings:
    capacitor_tolerance: str = DEFAULT_CAPACITOR_TOLERANCE
    rule: DecisionRule = SIMPLE_ACCEPTANCE
    ambient_celsius: Decimal | None = None


def load_settings(folder: Path) -> Settings:
    """Return the settings in the data folder; defaults if there is no file.

    Raises:
        SettingsError: the file cannot be read or has errors; the message lists each with file, line and column.
    """
    path, changed = folder / SETTINGS_FILE, 0
    with suppress(OSError):
        changed = path.stat().st_mtime_ns  # taken first: a change during the reading is not missed
    try:
        return replace(load_document(path, "settings", SETTINGS, SettingsError), changed_utc_ns=changed)
    except SettingsError as error:
        if not isinstance(error.__cause__, FileNotFoundError):
            raise
        return _make_settings(None, "", _JudgeSettings(), (), None, DEFAULT_KEYS, NO_FIRM, DEFAULT_KEEPING)


def chosen_adapter(folder: Path) -> str:
    """Return the address of the adapter in the settings; empty without one, and where they cannot be read."""
    try:
        return load_settings(folder).adapter
    except SettingsError:  # the reader of the rest of them reports it
        return ""


def settings_schema() -> Schema:
    """Return the JSON Schema of the settings."""
    return document_schema(SETTINGS, "Meterlink settings", "The settings of a station, settings.toml.")


# --- the declaration


def _check_tolerance(text: str) -> str:
    parse_tolerance(text, _SAMPLE_RATING)
    return clean_text(text)


def _check_rule(text: str) -> str:
    parse_decision_rule(text)
    return text


def _decision_rule(rule_text: str, guard_factor: Decimal | None) -> DecisionRule:
    return parse_decision_rule(rule_text, None if guard_factor is None else f"{guard_factor:f}")


def _parse_ambient_temperature(text: str) -> Decimal:
    return check_operating_temperature(parse_amount(text, Quantity.TEMPERATURE).base_value)


def _parse_address(text: str) -> str:
    if not re.fullmatch(_ADDRESS, text):
        raise InputError(f"{quote_value(text)} is not the address of a meter.")
    return text.upper()  # as the platforms write it


def _parse_adapter(text: str) -> str:
    if not re.fullmatch(BLUETOOTH_ADDRESS, text):
        raise InputError(f"{quote_value(text)} is not the address of a Bluetooth adapter.")
    return text.upper()


def _check_meters(partial_meter: Sequence[MeterSettings | Mapping[str, Any]]) -> Iterator[FieldError]:
    taken: dict[str, int] = {}
    for number, meter in enumerate(partial_meter):
        address = meter.address if isinstance(meter, MeterSettings) else str(meter.get("address", ""))
        first = taken.setdefault(address or str(number), number)
        if first != number:
            message = f"meter {first + 1} already has the address {address}."
            yield FieldError(("meter", number, "address"), message, "Remove one of the two.")


def _make_calibration(calibrated: date | None, calibration_due: date | None, certificate: str) -> Calibration | None:
    calibration = Calibration(calibrated, calibration_due, certificate)
    return None if calibration == Calibration() else calibration


def _check_due(calibrated: date | None, calibration_due: date | None) -> Iterator[FieldError]:
    if calibrated and calibration_due and calibration_due <= calibrated:
        message = f"it is due on {calibration_due}, not after it was calibrated on {calibrated}."
        yield FieldError("calibration_due", message, "Copy both dates from the certificate.")


def _make_settings(
    station: str | None,
    adapter: str,
    judge: _JudgeSettings,
    meter: tuple[MeterSettings, ...],
    mqtt: MqttSettings | None,
    keys: Keys,
    firm: Firm,
    keeping: KeepingSettings,
) -> Settings:
    name = station or clean_text(platform.node()) or "station"
    return Settings(
        name,
        judge.capacitor_tolerance,
        meter,
        mqtt,
        judge.rule,
        judge.ambient_celsius,
        keys=keys,
        firm=firm,
        adapter=adapter,
        keeping=keeping,
    )


JUDGE = Table(
    _JudgeSettings,
    Key(
        "capacitor_tolerance",
        Parsed(_check_tolerance, '"6 %"', longest=40),
        DEFAULT_CAPACITOR_TOLERANCE,
        description="Of a run capacitor with no tolerance printed on it.",
    ),
    Key(
        "rule",
        Parsed(_check_rule, '"guarded acceptance"', longest=60),
        str(SIMPLE_ACCEPTANCE),
        "rule_text",
        "simple acceptance (default), guarded acceptance, guarded rejection, or guarded (both).",
    ),
    Key(
        "guard_factor",
        Number("0", str(MAX_GUARD_FACTOR), zero=False),
        None,
        description="Guard band / expanded uncertainty, with a guarded rule; default 1.",
    ),
    Key(
        "ambient_temperature",
        Parsed(_parse_ambient_temperature, '"35 °C"'),
        None,
        "ambient_celsius",
        "At the meters; default: within 18 to 28 °C.",
    ),
    computed=(Computed("rule", _decision_rule, ("guard_factor",)),),
    schema_rules=({"dependentRequired": {"guard_factor": ["rule"]}},),
)
"""The table of the judge."""

METER = Table(
    MeterSettings,
    Key(
        "address",
        Parsed(
            _parse_address, '"00:00:5E:00:53:0A", as meterlink find lists it', pattern=f"^(?:{_ADDRESS})$", longest=36
        ),
        description="As meterlink find lists it.",
    ),
    Key("name", Text(LONGEST_NAME, example='"clamp meter"'), "", description="Shown instead of the meter's own name."),
    Key(
        "pinned_point",
        Text(_LONGEST_POINT_KEY, pattern=KEY_PATTERN, example='"line-volts"', clean=False),
        "",
        description="The key of the test point that the meter always measures.",
    ),
    Key(
        "profile",
        Text(_LONGEST_PROFILE_NAME, pattern=KEY_PATTERN, example='"yard-meter"', clean=False),
        "",
        description="The name of the profile, in the data folder, that reads the meter.",
    ),
    TEMPERATURE_COEFFICIENT,
    Key(
        "calibrated",
        Parsed(parse_date, '"2025-03-01"', pattern=_DATE_PATTERN, longest=10),
        None,
        description="The date of its last calibration.",
    ),
    Key(
        "calibration_due",
        Parsed(parse_date, '"2026-03-01"', pattern=_DATE_PATTERN, longest=10),
        None,
        description="The last day on which the calibration counts; afterwards its readings say 'calibration overdue'.",
    ),
    Key(
        "certificate",
        Text(LONGEST_NAME, example='"K-1047"'),
        "",
        description="The number of the calibration certificate.",
    ),
    ACCURACY,
    computed=(Computed("accuracy_sheet", make_sheet), Computed("calibration", _make_calibration)),
    checks=(check_rows, _check_due),
)
"""The table of a meter."""

SETTINGS = Table(
    _make_settings,
    Key(
        "station",
        Text(LONGEST_NAME, example='"van-3"'),
        None,
        description="The station's name on MQTT; default: the host name.",
    ),
    Key(
        "adapter",
        Parsed(_parse_adapter, '"00:00:5E:00:53:AA"', pattern=f"^{BLUETOOTH_ADDRESS}$", longest=17),
        "",
        description="The address of the Bluetooth adapter to use, on Linux; default: the system's choice.",
    ),
    Key("judge", JUDGE, _JudgeSettings()),
    Key("meter", Tables(METER, 0, _MOST_METERS), ()),
    Key("mqtt", MQTT, None, description="Without this table nothing is published."),
    Key("keys", KEYS, DEFAULT_KEYS, description="The keys of the dashboard, by action."),
    Key("firm", FIRM, NO_FIRM, description="The firm that reports name."),
    Key("keeping", KEEPING, DEFAULT_KEEPING, description="How long raw readings are kept."),
    checks=(_check_meters,),
)
"""The table of a settings file."""
