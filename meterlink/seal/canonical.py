"""One text for one JSON value: the JSON Canonicalization Scheme (RFC 8785)."""

import hashlib
from typing import Any, TypeAlias, cast

import rfc8785

from meterlink.core.nesting import is_too_deep

Json: TypeAlias = "bool | int | float | str | list[Json] | dict[str, Json] | None"


def can_be_sealed(value: Json) -> bool:
    """Return whether a value that was read has a canonical text, and is nested no deeper than a visit may be.

    Anybody can sign any text with a key of their own, and Python reads more than JSON and its canonical form have.
    """
    if is_too_deep(value):
        return False
    try:
        canonical_text(value)
    except ValueError:
        return False
    return True


def canonical_text(value: Json) -> str:
    """Return the canonical text of a JSON value.

    Raises:
        ValueError: the value has no canonical text: an integer beyond 2^53, a number that is not finite, or a lone
            surrogate.
    """
    try:
        return rfc8785.dumps(cast("dict[str, Any]", value)).decode()
    except UnicodeEncodeError as error:  # a ValueError as well, but of another message
        raise ValueError(f"not Unicode: {error}") from error


def text_hash(text: str) -> str:
    """Return the SHA-256 of a text in UTF-8, as 64 hexadecimal digits."""
    return hashlib.sha256(text.encode()).hexdigest()


def fingerprint(digest: str) -> str:
    """Return the beginning of a hash, to be compared by eye: ``3f2a 91bc 0d44 e1a7 55c2``.

    80 bits: nobody can make another text with the same ones.
    """
    return " ".join(digest[place : place + 4] for place in range(0, 20, 4))
