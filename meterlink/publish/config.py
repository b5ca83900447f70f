"""From the ``[mqtt]`` table of the settings to a `Broker`."""

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

    The client identifier is made once and kept in the folder. SettingsError names the key that is wrong.
    """
    given: dict[str, Any] = {}
    for key, value in table.items():
        kind = _KEY_TYPES.get(key)
        if kind is None:
            raise SettingsError(f"{key!r} in [mqtt] is not a setting.", f"Use: {', '.join(_KEY_TYPES)}.")
        if type(value) is not kind:  # not isinstance: a bool is an int
            raise SettingsError(
                f"mqtt.{key} {value!r} is not {_TYPE_NAMES[kind]}.", f"Write mqtt.{key} as {_TYPE_NAMES[kind]}."
            )
        given[key] = folder / str(value) if key in _FILE_KEYS else value
    if "host" not in given:
        raise SettingsError("[mqtt] has no host.", "Name the broker, or leave the table out to publish nothing.")
    return BrokerConfig(identifier=_identifier(folder), **given)


_TYPE_NAMES: dict[type, str] = {str: "text", int: "a whole number", bool: "true or false"}


def _identifier(folder: Path) -> str:
    path = folder / IDENTIFIER_FILE
    try:
        kept = path.read_text(encoding="ascii").strip() if path.exists() else ""
        if not kept:
            kept = new_identifier()
            path.write_text(kept + "\n", encoding="ascii")
    except (OSError, UnicodeDecodeError) as error:
        raise SettingsError(f"{path} cannot be read or written: {error}.", "Remove it.") from error
    return kept
