"""Tables of a study in a document: the text between two markers is replaced."""

from collections.abc import Iterable

from meterlink.core.errors import InputError


def replace_between_markers(text: str, lines: Iterable[str], begin: str, end: str) -> str:
    """Return ``text`` with ``lines`` between the markers ``begin`` and ``end``.

    Raises:
        InputError: the text lacks a marker.
    """
    before, found_begin, rest = text.partition(begin)
    _, found_end, after = rest.partition(end)
    if not (found_begin and found_end):
        raise InputError("The file has no markers for the table.", f"Put {begin} and {end} on lines of their own.")
    return "\n".join([before + begin, "", *lines, "", end + after])
