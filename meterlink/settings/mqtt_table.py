"""The ``[mqtt]`` table of the settings: the broker that gets the readings."""

from collections.abc import Iterator
from dataclasses import dataclass

from meterlink.core.errors import InputError
from meterlink.tomlfile.field_types import Boolean, Integer, Parsed, Text
from meterlink.tomlfile.problems import quote_value
from meterlink.tomlfile.tables import FieldError, Key, Table

SHORTEST_KEEPALIVE = 20  # s; a shorter one wakes a radio link needlessly
LONGEST_KEEPALIVE = 30  # s; a frozen broker is noticed after two of these, so within a minute
_LONGEST_HOST = 253  # characters of a name in the DNS (RFC 1035, 3.1: 255 bytes with the length of each label)
_LONGEST_USERNAME = 256  # characters, more than any broker's administrator assigns
_LONGEST_PATH = 4096  # characters; no system allows more
_NO_CONTROL_CHARACTERS = r"[^\x00-\x1f\x7f]+"  # a broker and a file system refuse them


@dataclass(frozen=True, slots=True)
class MqttSettings:
    """The broker as the settings describe it.

    ``port`` None means 8883 with TLS, 1883 without. ``password_file``, ``ca_file``, ``certificate_file`` and
    ``key_file`` are relative to the data folder, or empty. ``verify`` False accepts any certificate. ``keepalive`` is
    in seconds, 20 to 30.
    """

    host: str
    port: int | None = None
    tls: bool = True
    verify: bool = True
    username: str = ""
    password_file: str = ""
    ca_file: str = ""
    keepalive: int = 25
    certificate_file: str = ""
    key_file: str = ""


def sends_password_openly(host: str, *, tls: bool, password_file: object) -> bool:
    """Return whether a password would cross a network unencrypted: without TLS, and not on this machine."""
    return bool(password_file) and not tls and not _is_loopback(host)


def _is_loopback(host: str) -> bool:
    import ipaddress  # noqa: PLC0415  # only for a password without TLS

    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def _parse_host(text: str) -> str:
    # One colon separates a port; an IPv6 address has two or more.
    usable = text.isprintable() and not any(char.isspace() or char in "/@[]" for char in text)
    if not text or not usable or text.count(":") == 1:
        remedy = 'Write the name or the address alone: host = "broker.example"; the port has a key of its own.'
        raise InputError(f"{quote_value(text)} is not a host name or address.", remedy)
    return text


def _exact_text(longest: int, example: str) -> Text:
    return Text(longest, pattern=_NO_CONTROL_CHARACTERS, example=example, clean=False)


def _check_username(username: str, password_file: str) -> Iterator[FieldError]:
    if password_file and not username:
        remedy = 'Add username = "…", or remove password_file.'
        yield FieldError("password_file", "a password needs a username.", remedy)


def _check_secrecy(host: str, password_file: str, *, tls: bool) -> Iterator[FieldError]:
    if sends_password_openly(host, tls=tls, password_file=password_file):
        remedy = "Write tls = true; without TLS only a broker on this machine may get a password."
        yield FieldError("password_file", f"the password would go to {host} unencrypted.", remedy)


def _check_authority(ca_file: str, *, tls: bool) -> Iterator[FieldError]:
    if ca_file and not tls:
        yield FieldError("ca_file", "certificates need TLS.", "Write tls = true, or remove ca_file.")


def _check_certificate(certificate_file: str, key_file: str, *, tls: bool) -> Iterator[FieldError]:
    if certificate_file and not tls:
        yield FieldError("certificate_file", "a certificate needs TLS.", "Write tls = true, or remove it.")
    if key_file and not certificate_file:
        remedy = 'Add certificate_file = "…", or remove key_file.'
        yield FieldError("key_file", "a key needs its certificate.", remedy)


MQTT = Table(
    MqttSettings,
    Key(
        "host",
        Parsed(
            _parse_host,
            '"broker.example", or remove [mqtt]: then nothing is published',
            pattern=r"^[^\s/@\[\]]+$",
            longest=_LONGEST_HOST,
        ),
        description="The broker's name or address.",
    ),
    Key("port", Integer(1, 65_535), None, description="Default: 8883 with TLS, 1883 without."),
    Key("tls", Boolean(), default=True, description="Default: true."),
    Key(
        "verify",
        Boolean(),
        default=True,
        description="false accepts any certificate, also an impostor's. Default: true.",
    ),
    Key("username", _exact_text(_LONGEST_USERNAME, '"van-3"'), ""),
    Key(
        "password_file",
        _exact_text(_LONGEST_PATH, '"mqtt-password"'),
        "",
        description="A file with the password on its first line, relative to the data folder.",
    ),
    Key(
        "ca_file",
        _exact_text(_LONGEST_PATH, '"shop-ca.pem"'),
        "",
        description="Certificates (PEM) to trust instead of the system's, relative to the data folder.",
    ),
    Key(
        "certificate_file",
        _exact_text(_LONGEST_PATH, '"van-3.pem"'),
        "",
        description="This station's certificate (PEM) for a broker that asks for one, relative to the data folder.",
    ),
    Key(
        "key_file",
        _exact_text(_LONGEST_PATH, '"van-3.key"'),
        "",
        description="Its private key (PEM) without a password. Default: certificate_file has it, too.",
    ),
    Key("keepalive", Integer(SHORTEST_KEEPALIVE, LONGEST_KEEPALIVE), 25, description="Seconds. Default: 25."),
    checks=(_check_username, _check_secrecy, _check_authority, _check_certificate),
    schema_rules=(
        {"dependentRequired": {"password_file": ["username"], "key_file": ["certificate_file"]}},
        {
            "if": {"properties": {"tls": {"const": False}}, "required": ["tls"]},
            "then": {"properties": {"ca_file": False, "certificate_file": False}},
        },
    ),
)
"""The table of the broker."""
