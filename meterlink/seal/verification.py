"""The check of the sealed editions of a visit against each other, and against the visit as it is now."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

from meterlink.seal.canonical import Json
from meterlink.seal.differences import Difference, differences
from meterlink.seal.edition import Edition, EditionText


class SealState(StrEnum):
    """The result of a check."""

    INTACT = "intact"
    CHANGED = "changed"
    NOT_SEALED = "not sealed"


@dataclass(frozen=True, slots=True)
class EditionCheck:
    """The check of one edition. ``problems`` are sentences, none where it is intact.

    ``text`` is None where it cannot be read. ``changes`` are those from the edition before, none for the first.
    """

    edition: Edition
    text: EditionText | None
    problems: tuple[str, ...]
    changes: tuple[Difference, ...]


@dataclass(frozen=True, slots=True)
class Verification:
    """The check of a visit. ``editions`` are oldest first; ``changes`` are those since the newest edition."""

    editions: tuple[EditionCheck, ...]
    changes: tuple[Difference, ...] = ()

    @property
    def state(self) -> SealState:
        """The result."""
        if not self.editions:
            return SealState.NOT_SEALED
        is_intact = not self.changes and not any(check.problems for check in self.editions)
        return SealState.INTACT if is_intact else SealState.CHANGED

    @property
    def heads(self) -> tuple[EditionCheck, ...]:
        """The editions that no other one follows: one, or several where databases of two stations were merged."""
        followed = {digest for check in self.editions if check.text is not None for digest in check.text.previous}
        return tuple(check for check in self.editions if check.edition.digest not in followed)

    @property
    def newest(self) -> EditionCheck | None:
        """The newest edition that can be read, or the newest."""
        readable = [check for check in self.editions if check.text is not None]
        return next(reversed(readable or self.editions), None)

    @property
    def visit(self) -> dict[str, Json] | None:
        """The visit as its newest edition has it; None where there is none that can be read."""
        newest = self.newest
        return None if newest is None or newest.text is None else newest.text.visit


def verify_editions(editions: Sequence[Edition], visit_uid: str = "") -> Verification:
    """Return the check of the editions among themselves, in any order; ``visit_uid`` is that of their visit."""
    texts = {edition.digest: edition.parsed() for edition in editions}
    ordered = sorted(editions, key=lambda edition: _order(texts[edition.digest]))
    uid = visit_uid or next((str(text.visit.get("uid")) for text in texts.values() if text is not None), "")
    checks = []
    for edition in ordered:
        text = texts[edition.digest]
        problems = tuple(_problems(edition, text, texts, uid))
        before = None if text is None else next((texts.get(digest) for digest in text.previous), None)
        changes = () if text is None or before is None else tuple(differences(before.visit, text.visit))
        checks.append(EditionCheck(edition, text, problems, changes))
    return Verification(tuple(checks))


def changes_since(verification: Verification, visit: dict[str, Json]) -> tuple[Difference, ...]:
    """Return the differences between a visit as it is now and its newest edition.

    Where databases of two stations were merged, it may be as any edition that no other follows.
    """
    found = [tuple(differences(head.text.visit, visit)) for head in verification.heads if head.text is not None]
    return min(found, key=len, default=())


def _order(text: EditionText | None) -> tuple[int, str]:
    return (0, "") if text is None else (text.number, text.sealed)


def _problems(
    edition: Edition, text: EditionText | None, texts: Mapping[str, EditionText | None], uid: str
) -> Iterator[str]:
    if not edition.is_signed:
        yield "Its text, its signature or its key was changed: the signature does not fit."
    if text is None:
        yield "Its text is not that of a sealed visit."
        return
    if text.station_key != edition.public_key:
        yield "Its text names another key than the one that signed it."
    if text.visit.get("uid") != uid:
        yield f"It seals another visit: {text.visit.get('uid')}."
    missing = [digest for digest in text.previous if digest not in texts]
    if missing:
        yield "The edition before it is missing, or was changed."
    before = [found.number for digest in text.previous if (found := texts.get(digest)) is not None]
    if not missing and text.number != max(before, default=0) + 1:
        yield f"It is edition {text.number}, and the edition before it is {max(before, default=0)}."
