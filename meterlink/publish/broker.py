"""The broker of a station: its address and this client's credentials; the faults of a connection to it."""

import secrets
from dataclasses import dataclass
from pathlib import Path

from meterlink.core.errors import PublishError, SettingsError
from meterlink.settings.mqtt_table import sends_password_openly

_LONGEST_IDENTIFIER = 128  # characters; MQTT 5, 3.1.3.1 requires only 23, brokers in use accept more


class UnreachableError(PublishError):
    """The broker cannot be reached, or the connection was lost: try again soon."""


class ClosedByBrokerError(UnreachableError):
    """The broker closed the connection without naming a passing fault: a message from us may be the reason."""


class ConfigurationError(PublishError):
    """The broker refuses this client, or its certificate is not trusted: a person must change a setting first."""


class MessageRejectedError(PublishError):
    """The broker closed the connection because of a message from us."""


@dataclass(frozen=True, slots=True)
class BrokerConfig:
    """The broker's address and this client's credentials.

    ``identifier`` is the client identifier. The caller creates it once (`new_identifier`) and keeps it: when two
    clients use the same one, a broker disconnects the first. ``port`` None means 8883 with TLS, 1883 without.
    ``ca_file`` (PEM) replaces the system's certificate authorities. ``verify`` False accepts any certificate: it keeps
    eavesdroppers out, not impostors. ``certificate_file`` (PEM) is this client's own, with its key in ``key_file``, or
    None for the same file. ``password_file`` has the password on its first line. It is read at every attempt,
    so a corrected password works without a restart. ``keepalive`` is in seconds. The ``[mqtt]`` table of the settings
    has checked the values; those that matter most are checked again here.

    Raises:
        SettingsError: the identifier cannot be used, or the password would be sent unencrypted.
    """

    host: str
    identifier: str
    port: int | None = None
    tls: bool = True
    ca_file: Path | None = None
    verify: bool = True
    certificate_file: Path | None = None
    key_file: Path | None = None
    username: str = ""
    password_file: Path | None = None
    keepalive: int = 25

    def __post_init__(self) -> None:
        if not 0 < len(self.identifier) <= _LONGEST_IDENTIFIER or not self.identifier.isprintable():
            raise SettingsError(
                f"mqtt.identifier {self.identifier!r} is not a client identifier.",
                f"Use 1 to {_LONGEST_IDENTIFIER} printable characters, different for every station.",
            )
        if sends_password_openly(self.host, tls=self.tls, password_file=self.password_file):
            raise SettingsError(
                f"The password in mqtt.password_file would go to {self.host} unencrypted.",
                "Set mqtt.tls = true; without TLS only a broker on this machine may get a password.",
            )

    @property
    def address(self) -> tuple[str, int]:
        """The broker's ``(host, port)``."""
        return self.host, self.port or (8883 if self.tls else 1883)

    def __str__(self) -> str:
        host, port = self.address
        return f"MQTT broker {host}:{port}"


def new_identifier() -> str:
    """Return a unique client identifier of 23 characters, which every broker accepts (MQTT 5, 3.1.3.1)."""
    return "m" + secrets.token_hex(11)
