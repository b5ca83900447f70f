"""The files of a broker's credentials, read at every attempt: a corrected one works without a restart."""

import ssl

from meterlink.publish.broker import BrokerConfig, ConfigurationError

_LARGEST_PASSWORD = 65_535  # bytes; MQTT 5, 1.5.6: binary data


def read_password(broker: BrokerConfig) -> str | None:
    """Return the password on the first line of the password file; None without a file.

    Raises:
        ConfigurationError: the file cannot be read, or has no usable password.
    """
    path = broker.password_file
    if path is None:
        return None
    try:
        with path.open(encoding="utf-8") as file:
            password = file.readline(_LARGEST_PASSWORD + 1).rstrip("\r\n")
    except (OSError, UnicodeDecodeError) as error:
        raise ConfigurationError(
            f"mqtt.password_file {path} cannot be read ({error}).", "Check the file and its permissions."
        ) from error
    if not password or len(password.encode()) > _LARGEST_PASSWORD:
        raise ConfigurationError(
            f"mqtt.password_file {path} has no usable password on its first line.",
            f"Write the password there, 1 to {_LARGEST_PASSWORD} bytes.",
        )
    return password


def tls_context(broker: BrokerConfig) -> ssl.SSLContext | None:
    """Return the context of a connection with TLS; None without TLS.

    Raises:
        ConfigurationError: a file of certificates cannot be used.
    """
    if not broker.tls:
        return None
    try:
        context = ssl.create_default_context(cafile=broker.ca_file)
    except (OSError, ValueError) as error:  # ssl.SSLError is an OSError
        raise ConfigurationError(
            f"mqtt.ca_file {broker.ca_file} cannot be used ({error}).", "Name a file of certificates in PEM form."
        ) from error
    context.sslsocket_class = _HandshakeSocket
    if not broker.verify:
        context.check_hostname = False
        context.verify_mode = ssl.CERT_NONE
    return context


class _HandshakeSocket(ssl.SSLSocket):
    """Closes itself when the handshake fails; paho would leave it open."""

    def do_handshake(self, block: bool = False) -> None:  # noqa: FBT001, FBT002 - the overridden signature
        try:
            super().do_handshake(block)
        except BaseException:
            self.close()
            raise
