"""The files of a broker's credentials, read at every attempt: a corrected one works without a restart."""

import ssl
from dataclasses import dataclass
from pathlib import Path

from meterlink.core.errors import SettingsError
from meterlink.publish.broker import BrokerConfig, ConfigurationError
from meterlink.settings.private_files import check_secret

_PRIVATE_KEY = b"PRIVATE KEY-----"  # RFC 7468, 10 and 11; also those with a name before it, as "EC PRIVATE KEY"
_LARGEST_PASSWORD = 65_535  # bytes; MQTT 5, 1.5.6: binary data


def read_password(broker: BrokerConfig) -> str | None:
    """Return the password on the first line of the password file; None without a file.

    Raises:
        ConfigurationError: the file cannot be read, others can read it, too, or it has no usable password.
    """
    path = broker.password_file
    if path is None:
        return None
    _check_secret(path, "mqtt.password_file")
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


@dataclass(frozen=True, slots=True)
class Tls:
    """The TLS of one connection; ``faults`` gets those that the MQTT library keeps for itself, in their order."""

    context: ssl.SSLContext
    faults: list[ssl.SSLError]


def make_tls(broker: BrokerConfig) -> Tls | None:
    """Return the TLS of a new connection; None without TLS.

    Raises:
        ConfigurationError: a file of certificates, or the key, cannot be used.
    """
    if not broker.tls:
        return None
    try:
        context = ssl.create_default_context(cafile=broker.ca_file)
    except (OSError, ValueError) as error:  # ssl.SSLError is an OSError
        raise ConfigurationError(
            f"mqtt.ca_file {broker.ca_file} cannot be used ({error}).", "Name a file of certificates in PEM form."
        ) from error
    if broker.certificate_file is not None:
        _load_certificate(context, broker.certificate_file, broker.key_file)
    if not broker.verify:
        context.check_hostname = False
        context.verify_mode = ssl.CERT_NONE
    faults: list[ssl.SSLError] = []
    context.sslsocket_class = _socket_class(faults)
    return Tls(context, faults)


def _load_certificate(context: ssl.SSLContext, certificate: Path, key: Path | None) -> None:
    """Let the context present this client's certificate.

    Raises:
        ConfigurationError: the certificate or the key cannot be used, or others can read the key.
    """
    asked_for_password = False

    def password() -> str:  # without it, OpenSSL would ask on the terminal, and a service has none
        nonlocal asked_for_password
        asked_for_password = True
        return ""

    key_name = f"mqtt.key_file {key}" if key else f"The key in mqtt.certificate_file {certificate}"
    for name, path in (("mqtt.certificate_file", certificate), ("mqtt.key_file", key)):
        try:
            if path is not None and _PRIVATE_KEY in path.read_bytes():
                _check_secret(path, name)
        except OSError as error:
            raise ConfigurationError(
                f"{name} {path} cannot be read ({error.strerror}).", "Check the file and its permissions."
            ) from error
    try:
        context.load_cert_chain(certificate, key, password)
    except (OSError, ValueError) as error:
        if asked_for_password:
            raise ConfigurationError(
                f"{key_name} is encrypted.", "Write it without a password, readable by the station's account only."
            ) from error
        if isinstance(error, ssl.SSLError) and error.reason == "KEY_VALUES_MISMATCH":
            raise ConfigurationError(
                f"{key_name} is not the key of mqtt.certificate_file {certificate}.",
                "Name the two that belong together.",
            ) from error
        where = f"mqtt.certificate_file {certificate}" + (f" or mqtt.key_file {key}" if key else "")
        raise ConfigurationError(
            f"{where} cannot be used ({error}).", "Name a certificate and its private key in PEM form."
        ) from error


def _check_secret(path: Path, name: str) -> None:
    """Check that other accounts cannot read a secret.

    Raises:
        ConfigurationError: they can.
    """
    try:
        check_secret(path, name)
    except SettingsError as error:
        raise ConfigurationError(error.message, error.remedy) from error


def _socket_class(faults: list[ssl.SSLError]) -> type[ssl.SSLSocket]:
    class TlsSocket(ssl.SSLSocket):
        """Notes a fault; closes itself when the handshake fails: paho would leave it open."""

        def do_handshake(self, block: bool = False) -> None:  # noqa: FBT001, FBT002 - the overridden signature
            try:
                super().do_handshake(block)
            except BaseException as error:
                _note(error)
                self.close()
                raise

        def recv(self, buflen: int = 1024, flags: int = 0) -> bytes:
            # With TLS 1.3 a broker refuses the client's certificate after the handshake, in the first bytes it sends.
            try:
                return super().recv(buflen, flags)
            except ssl.SSLError as error:
                _note(error)
                raise

    def _note(error: BaseException) -> None:
        passing = (ssl.SSLWantReadError, ssl.SSLWantWriteError, ssl.SSLEOFError, ssl.SSLZeroReturnError)
        if isinstance(error, ssl.SSLError) and not isinstance(error, passing):
            faults.append(error)

    return TlsSocket
