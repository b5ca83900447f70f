"""The note at a closed visit that one of its readings would have another display, decoded again by a corrected profile.

A closed visit is sealed, and its readings are never changed; the note is for all who read it.
"""

import re

_OPENING = "Decoded again: the reading "
_NOTE = re.compile(rf"{_OPENING}(\S+) at the .+ is (.+) by (\S+), not .+\. It stays as it was sealed\.")


def difference_note(uid: str, title: str, display: str, driver: str, accepted: str) -> str:
    """Return the note that the reading ``uid`` at a test point is ``display`` by ``driver``, not as it was accepted."""
    return f"{_OPENING}{uid} at the {title} is {display} by {driver}, not {accepted}. It stays as it was sealed."


def noted_difference(text: str) -> tuple[str, str] | None:
    """Return ``(uid of the reading, remark on it)`` of such a note, which has no personal text; None of any other."""
    found = _NOTE.fullmatch(text)
    if found is None:
        return None
    uid, display, driver = found.groups()
    return uid, f"decoded again since by {driver}: {display}, in place of the value that was sealed"
