"""The key that a station signs with: Ed25519 (RFC 8032), in a file that only its owner reads."""

import os
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from cryptography.exceptions import InvalidSignature, UnsupportedAlgorithm
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from cryptography.hazmat.primitives.serialization import (
    Encoding,
    NoEncryption,
    PrivateFormat,
    load_pem_private_key,
)

from meterlink.core.errors import SealError
from meterlink.core.permissions import PRIVATE_FILE

KEY_FILE = "station.key"
"""The name of the key's file in the data folder."""

_REMEDY = "Put the right file back, or begin a new key: meterlink seal replace-key"


@dataclass(frozen=True, slots=True)
class StationKey:
    """A key that signs. ``public_key`` is 64 hexadecimal digits."""

    public_key: str
    _private_key: Ed25519PrivateKey

    def sign(self, text: str) -> str:
        """Return the signature of a text in UTF-8, as 128 hexadecimal digits."""
        return self._private_key.sign(text.encode()).hex()


def new_key() -> StationKey:
    """Return a new key, made of the system's random numbers."""
    return _station_key(Ed25519PrivateKey.generate())


def read_key(path: Path) -> StationKey | None:
    """Return the key in a file; None if there is no such file.

    Raises:
        SealError: the file cannot be read, or holds no Ed25519 key.
    """
    try:
        private_key = load_pem_private_key(path.read_bytes(), password=None)
    except FileNotFoundError:
        return None
    except OSError as error:
        raise SealError(f"The station's key {path} cannot be read: {error.strerror}.", _REMEDY) from error
    except (ValueError, TypeError, UnsupportedAlgorithm) as error:
        raise SealError(f"{path} holds no key.", _REMEDY) from error
    if not isinstance(private_key, Ed25519PrivateKey):
        raise SealError(f"The key in {path} is not an Ed25519 key.", _REMEDY)
    return _station_key(private_key)


def write_key(path: Path, key: StationKey) -> None:
    """Write a key into a file that only its owner reads; a file of that name is replaced, whole or not at all.

    Raises:
        SealError: the file cannot be written.
    """
    # By name private to this module: the key leaves the object here, and nowhere else.
    content = key._private_key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())  # noqa: SLF001
    temporary = path.with_name(f".{path.name}.new")
    try:
        with suppress(FileNotFoundError):
            temporary.unlink()  # of a run that was killed
        descriptor = os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_EXCL, PRIVATE_FILE)
        with os.fdopen(descriptor, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        temporary.replace(path)
    except OSError as error:
        raise SealError(
            f"The station's key {path} cannot be written: {error.strerror}.", "Check the disk and the folder."
        ) from error


def is_signed(text: str, public_key: str, signature: str) -> bool:
    """Return whether ``signature`` is that of a text by the owner of a key; both in hexadecimal digits."""
    try:
        Ed25519PublicKey.from_public_bytes(bytes.fromhex(public_key)).verify(bytes.fromhex(signature), text.encode())
    except (InvalidSignature, ValueError):
        return False
    return True


def _station_key(private_key: Ed25519PrivateKey) -> StationKey:
    return StationKey(private_key.public_key().public_bytes_raw().hex(), private_key)
