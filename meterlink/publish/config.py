"""Read a `BrokerConfig` from the ``[mqtt]`` table of the settings."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from meterlink.core.errors import SettingsError
from meterlink.publish.mqtt import BrokerConfig, new_identifier

IDENTIFIER_FILE = "mqtt-identifier"

_KEY_TYPES: dict[str, type] = {
    "host": str, "port": int, "tls": bool, "verify": bool, "username": str,
    "password_file": str, "ca_file": str, "keepalive": int,
}  # fmt: skip
_FILE_KEYS = {"password_file", "ca_file"}


def parse_broker(table: Mapping[str, Any], folder: Path) -> BrokerConfig:
    """Return the broker that ``table`` describes; files are relative to the data ``folder``.

    The client identifier is created once and kept in the folder.

    Raises:
        SettingsError: a key is unknown, its value cannot be used, or the identifier's file cannot be read or written.
    """
    options: dict[str, Any] = {}
    for key, value in table.items():
        key_type = _KEY_TYPES.get(key)
        if key_type is None:
            raise SettingsError(f"{key!r} in [mqtt] is not a setting.", f"Use: {', '.join(_KEY_TYPES)}.")
        if type(value) is not key_type:  # not isinstance: a bool is an int
            raise SettingsError(
                f"mqtt.{key} {value!r} is not {_TYPE_NAMES[key_type]}.", f"Write mqtt.{key} as {_TYPE_NAMES[key_type]}."
            )
        options[key] = folder / str(value) if key in _FILE_KEYS else value
    if "host" not in options:
        raise SettingsError("[mqtt] has no host.", "Name the broker, or remove the table: then nothing is published.")
    return BrokerConfig(identifier=_read_or_create_identifier(folder), **options)


_TYPE_NAMES: dict[type, str] = {str: "text", int: "a whole number", bool: "true or false"}


def _read_or_create_identifier(folder: Path) -> str:
    path = folder / IDENTIFIER_FILE
    try:
        identifier = path.read_text(encoding="ascii").strip() if path.exists() else ""
        if not identifier:
            identifier = new_identifier()
            path.write_text(identifier + "\n", encoding="ascii")
    except (OSError, UnicodeDecodeError) as error:
        raise SettingsError(f"{path} cannot be read or written: {error}.", "Remove it.") from error
    return identifier
