"""Make a `BrokerConfig` from the ``[mqtt]`` table of the settings."""

import os
from pathlib import Path

from meterlink.core.errors import SettingsError
from meterlink.publish.broker import BrokerConfig, new_identifier
from meterlink.settings import MqttSettings

IDENTIFIER_FILE = "mqtt-identifier"


def make_broker_config(settings: MqttSettings, folder: Path, identifier: str = "") -> BrokerConfig:
    """Return the broker of the settings; its files are relative to the data ``folder``.

    Without an ``identifier`` of its own the client gets that of the station, created once and kept in the folder.

    Raises:
        SettingsError: the identifier's file cannot be read or written, or the password would be sent unencrypted.
    """
    return BrokerConfig(
        host=settings.host,
        identifier=identifier or _read_or_create_identifier(folder),
        port=settings.port,
        tls=settings.tls,
        ca_file=folder / settings.ca_file if settings.ca_file else None,
        verify=settings.verify,
        certificate_file=folder / settings.certificate_file if settings.certificate_file else None,
        key_file=folder / settings.key_file if settings.key_file else None,
        username=settings.username,
        password_file=_password_file(settings.password_file, folder) if settings.password_file else None,
        keepalive=settings.keepalive,
    )


def _password_file(name: str, folder: Path) -> Path:
    """Return the file of the password: the credential of that name that systemd hands on, else that of the folder.

    systemd names the folder of the credentials in the environment (systemd.exec(5), Credentials).
    """
    credentials = os.environ.get("CREDENTIALS_DIRECTORY", "")
    if credentials and Path(name).name == name and os.access(Path(credentials) / name, os.R_OK):
        return Path(credentials) / name
    return folder / name


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
