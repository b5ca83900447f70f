"""Tables in documents: the text between the two markers of a name is read, or replaced."""

from collections.abc import Iterable
from pathlib import Path

from meterlink.core.errors import InputError


def read_table(document: Path, name: str) -> list[str]:
    """Return the lines between the markers of ``name``.

    Raises:
        InputError: the document lacks a marker.
    """
    return _split(document, name)[1].splitlines()


def write_table(document: Path, name: str, lines: Iterable[str]) -> None:
    """Replace the lines between the markers of ``name``.

    Raises:
        InputError: the document lacks a marker.
    """
    before, _, after = _split(document, name)
    document.write_text("\n".join([before, "", *lines, "", after]), encoding="utf-8")


def _split(document: Path, name: str) -> tuple[str, str, str]:
    """Return the text up to the first marker with it, the text between, and the text from the second marker."""
    begin, end = f"<!-- {name}: begin -->", f"<!-- {name}: end -->"
    before, found_begin, rest = document.read_text(encoding="utf-8").partition(begin)
    between, found_end, after = rest.partition(end)
    if not (found_begin and found_end):
        raise InputError(f"{document} has no markers for the table.", f"Put {begin} and {end} on lines of their own.")
    return before + begin, between, end + after
