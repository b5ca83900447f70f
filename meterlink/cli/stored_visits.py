"""Visits of the database as commands name them: by their id, or by its beginning."""

from collections.abc import Sequence

from meterlink.core.errors import InputError
from meterlink.core.text import clean_text
from meterlink.store.rows import StoredVisit

SHORT_ID = 8  # characters of an id in a table; a database has some thousand visits, and ids are random


def find_visit(visits: Sequence[StoredVisit], uid: str) -> StoredVisit:
    """Return the visit whose id is ``uid``, or begins with it.

    Raises:
        InputError: no visit, or more than one, has such an id.
    """
    found = [visit for visit in visits if visit.uid.startswith(uid.strip().casefold())]
    if len(found) > 1:
        raise InputError(f"{len(found)} visits have an id that begins with {clean_text(uid)!r}.", "Give more of it.")
    if not found:
        raise InputError(f"There is no visit {clean_text(uid)!r}.", "List them: meterlink visit list")
    return found[0]


def newest_visit(visits: Sequence[StoredVisit]) -> StoredVisit:
    """Return the visit that was begun last.

    Raises:
        InputError: there is none.
    """
    if not visits:
        raise InputError("There is no visit in this data folder yet.", "Give another data folder with --data DIR.")
    return visits[-1]


def short_id(uid: str, visits: Sequence[StoredVisit]) -> str:
    """Return the beginning of an id that no other visit has, `SHORT_ID` characters at least."""
    others = [visit.uid for visit in visits if visit.uid != uid]
    return next(
        uid[:length]
        for length in range(SHORT_ID, len(uid) + 1)
        if length == len(uid) or not any(other.startswith(uid[:length]) for other in others)
    )
