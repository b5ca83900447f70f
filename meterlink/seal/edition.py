"""One sealed edition of a visit: the text that is signed, and the hashes that stand in it for personal data.

The text is the canonical JSON (RFC 8785) of an object::

    format      meterlink-visit-1
    edition     1, and one more for each later change of the visit
    previous    the SHA-256 of the editions that it follows, none for the first
    sealed      the time by the station's clock
    station_key the public key that signs it
    visit       the contents; see `meterlink.store.sealed_contents`
    clock_steps optional: the readings before which the station's clock was set during the visit, each with ``reading``
                (its uid) and ``milliseconds`` (the sum of the steps before it, negative back)

A personal text stands in it as ``sha256:`` and the SHA-256 of a random salt and the text. Who has salt and text can
show that the text was there; without the salt nobody can guess it. RFC 9901 hides the claims of a token in this way.
"""

import hashlib
import json
import secrets
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any, TypeAlias, cast

from meterlink.seal.canonical import Json, can_be_sealed, canonical_text, text_hash
from meterlink.seal.station_key import StationKey, is_signed

FORMAT = "meterlink-visit-1"
_SALT_BYTES = 16  # 128 bits: nobody can try them all (RFC 9901, section 9.3, from memory)
_LARGEST_INTEGER = 2**53  # of canonical JSON (RFC 8785)
_HASH_MARK = "sha256:"
_UNKNOWN = f"{_HASH_MARK}unknown"  # stands for a text that was never sealed, and has no salt


@dataclass(frozen=True, slots=True)
class Personal:
    """A text that a seal holds as a hash only; ``subject`` names its place in the visit: ``site``, ``note 3f2a…``."""

    subject: str
    text: str


Contents: TypeAlias = "bool | int | float | str | Personal | list[Contents] | dict[str, Contents] | None"
"""A JSON value in which personal texts are marked."""


@dataclass(frozen=True, slots=True)
class Edition:
    """A sealed edition; ``text`` is signed by the owner of ``public_key``. Key and signature are hexadecimal."""

    text: str
    public_key: str
    signature: str

    @property
    def digest(self) -> str:
        """The SHA-256 of its text, by which the next edition names it."""
        return text_hash(self.text)

    @property
    def is_signed(self) -> bool:
        """Whether the signature is that of this text by this key."""
        return is_signed(self.text, self.public_key, self.signature)

    def parsed(self) -> "EditionText | None":
        """Return the parts of the text; None where it is not the text of an edition."""
        try:
            document = json.loads(self.text)
            number, previous, visit = document["edition"], document["previous"], document["visit"]
            texts = (document["format"], document["sealed"], document["station_key"])
            if (
                document["format"] == FORMAT
                and type(number) is int
                and all(isinstance(text, str) for text in (*texts, *previous))
                and isinstance(visit, dict)
                and can_be_sealed(document)
            ):
                return EditionText(number, tuple(previous), texts[1], texts[2], visit, _clock_steps(document))
        except (ValueError, TypeError, KeyError, RecursionError):
            pass
        return None


@dataclass(frozen=True, slots=True)
class EditionText:
    """The parts of an edition's text."""

    number: int
    previous: tuple[str, ...]
    sealed: str
    station_key: str
    visit: dict[str, Json]
    clock_steps: Mapping[str, int] = field(default_factory=dict)
    """The steps of the clock before a reading, in ms, by its uid. A text without them says nothing of the clock."""


def seal_edition(
    visit: dict[str, Json],
    number: int,
    previous: Sequence[str],
    sealed: str,
    key: StationKey,
    clock_steps: Mapping[str, int] = MappingProxyType({}),
) -> Edition:
    """Return edition ``number`` of a visit, signed; ``previous`` are the hashes of the editions that it follows.

    Without ``clock_steps`` (see `EditionText`) the text is that of a version that knew none.

    Raises:
        ValueError: the visit has a value without canonical text.
    """
    document: dict[str, Json] = {
        "format": FORMAT,
        "edition": number,
        "previous": [*sorted(previous)],
        "sealed": sealed,
        "station_key": key.public_key,
        "visit": visit,
    }
    if clock_steps:
        document["clock_steps"] = [
            {"reading": uid, "milliseconds": milliseconds} for uid, milliseconds in clock_steps.items()
        ]
    text = canonical_text(document)
    return Edition(text, key.public_key, key.sign(text))


def _clock_steps(document: Mapping[str, Any]) -> dict[str, int]:
    """Return the steps of the clock by the uid of the reading after them.

    Raises:
        ValueError: one of them is no step.
        TypeError, KeyError: they are no list of steps.
    """
    steps = {step["reading"]: step["milliseconds"] for step in document.get("clock_steps", [])}
    for uid, step in steps.items():
        if not isinstance(uid, str) or type(step) is not int or abs(step) >= _LARGEST_INTEGER:
            raise ValueError(f"no step of a clock: {step!r}")
    return steps


def new_salt() -> str:
    """Return a random salt, as hexadecimal digits."""
    return secrets.token_hex(_SALT_BYTES)


def salted_hash(salt: str, text: str) -> str:
    """Return the hash that stands in a seal for a personal text: ``sha256:`` and 64 hexadecimal digits.

    A salt that is not hexadecimal is none of a seal; it gives a hash that no edition has.
    """
    try:
        salted = bytes.fromhex(salt) + text.encode()
    except ValueError:
        return _UNKNOWN
    return _HASH_MARK + hashlib.sha256(salted).hexdigest()


def personal_texts(contents: Contents) -> Iterator[Personal]:
    """Yield the personal texts of a visit, in their order; empty ones are left out."""
    if isinstance(contents, Personal):
        if contents.text:
            yield contents
    elif isinstance(contents, dict):
        for value in contents.values():
            yield from personal_texts(value)
    elif isinstance(contents, list):
        for value in contents:
            yield from personal_texts(value)


def hidden(contents: dict[str, Contents], hashes: Mapping[str, str]) -> dict[str, Json]:
    """Return the visit with the hash of each personal text, by its subject, in its place; an empty text stays empty."""
    return cast("dict[str, Json]", _hidden(contents, hashes))


def hashes_of(contents: dict[str, Contents], salts: Mapping[str, str], sealed: Json) -> dict[str, str]:
    """Return ``{subject: hash}`` of the personal texts of a visit.

    A text without salt was removed since, or its salt was: it keeps the hash that the edition ``sealed`` (None: there
    is none) has at its place, and is left out where that has none.
    """
    kept = dict(_sealed_hashes(contents, sealed))
    return kept | {
        personal.subject: salted_hash(salts[personal.subject], personal.text)
        for personal in personal_texts(contents)
        if personal.subject in salts
    }


def _hidden(contents: Contents, hashes: Mapping[str, str]) -> Json:
    if isinstance(contents, Personal):
        return hashes.get(contents.subject, _UNKNOWN) if contents.text else ""
    if isinstance(contents, dict):
        return {key: _hidden(value, hashes) for key, value in contents.items()}
    if isinstance(contents, list):
        return [_hidden(value, hashes) for value in contents]
    return contents


def _sealed_hashes(contents: Contents, sealed: Json) -> Iterator[tuple[str, str]]:
    """Yield the hashes at the places of the personal texts; objects with a ``uid`` in a list are found by it."""
    if isinstance(contents, Personal):
        if isinstance(sealed, str) and sealed.startswith(_HASH_MARK):
            yield contents.subject, sealed
    elif isinstance(contents, dict):
        if isinstance(sealed, dict):
            for key, value in contents.items():
                yield from _sealed_hashes(value, sealed.get(key))
    elif isinstance(contents, list) and isinstance(sealed, list):
        by_uid = {item["uid"]: item for item in sealed if isinstance(item, dict) and isinstance(item.get("uid"), str)}
        for place, value in enumerate(contents):
            if isinstance(value, dict) and "uid" in value:
                yield from _sealed_hashes(value, by_uid.get(cast("str", value["uid"])))
            elif place < len(sealed):
                yield from _sealed_hashes(value, sealed[place])
