"""Text from outside (names on the air, labels in files), made safe to show, log and store."""

import unicodedata
from collections.abc import Iterable

# A GATT device name is at most 248 bytes (Bluetooth Core, Device Name); a row of a 40-column screen has room for 40.
LONGEST_NAME = 40

# A remark of a technician, a note or a reason, is a few sentences; it is never cut to the length of a name.
LONGEST_REMARK = 800

# Marks on one letter. Unicode's Stream-Safe Text Format (UAX #15, from memory) has at most 30; no language has 10.
_MOST_MARKS = 30

_FEWEST_BEGUN = 3  # letters of a name that was begun; fewer begin too many names

KEY_PATTERN = "[a-z0-9]+(?:-[a-z0-9]+)*"
"""The pattern of a key that people write in a file: lower-case letters, digits, single hyphens between them."""


def clean_text(text: str | None, longest: int = LONGEST_NAME) -> str:
    """Return ``text`` without control, format, surrogate or private characters, folded to one line.

    The sender chooses these bytes: escape sequences, markup brackets and direction overrides must not reach a
    terminal. Square brackets become round ones, so that a screen library finds no markup tag. The result has at most
    ``longest`` characters; None becomes an empty text.
    """
    if not text:
        return ""
    # In printable text, no character is removed or a space other than " ": most texts take this way, 20 times as fast.
    kept = (
        text
        if text.isprintable()
        else "".join(
            " " if char.isspace() else char for char in text if char.isspace() or unicodedata.category(char)[0] != "C"
        )
    )
    # Compose (NFC) after the invisible characters are removed, so that cleaning twice changes nothing.
    composed = " ".join(unicodedata.normalize("NFC", without_piled_marks(kept)).split())
    return composed.replace("[", "(").replace("]", ")")[:longest].rstrip()


def without_controls(text: str) -> str:
    """Return ``text`` without control, format, surrogate or private characters; tabs and line ends stay.

    For a text in which a bracket or a second line may have a meaning; a name goes through `clean_text`.
    """
    if text.isprintable():
        return text
    return "".join(char for char in text if char in "\t\n" or unicodedata.category(char)[0] != "C")


def without_piled_marks(text: str) -> str:
    """Return ``text`` with at most 30 combining marks in a row, so that it can be normalized.

    Python sorts the marks of a letter in a time that grows with the square of their number: the 500,000 that a line of
    the socket may have would stop the station for minutes.
    """
    if len(text) <= _MOST_MARKS or text.isascii():
        return text
    kept, marks = [], 0
    for char in text:
        marks = marks + 1 if unicodedata.combining(char) else 0
        if marks <= _MOST_MARKS:
            kept.append(char)
    return "".join(kept)


def named_device(name: str, address: str) -> str:
    """Return ``clamp meter (53:0A)``: a name and the last two bytes of an address, which tell equal names apart.

    The whole address is not for a log that is passed on: it follows a person's device. Without a name it stands alone.

    >>> named_device("clamp meter", "00:00:5E:00:53:0A")
    'clamp meter (53:0A)'
    """
    two_bytes = address[-5:] if ":" in address else address[-4:]
    return f"{name} ({two_bytes})" if name else two_bytes


def count_phrase(number: int, noun: str) -> str:
    """Return ``1 packet``, ``3 packets``, ``2 entries``, ``no packets``."""
    plural = f"{noun[:-1]}ies" if noun.endswith("ry") else f"{noun}s"
    return f"{number or 'no'} {noun if number == 1 else plural}"


def length_text(seconds: float) -> str:
    """Return a length of time as a person reads it: ``0.4 s``, ``75 s``, ``12 min``, ``3 h 5 min``, ``40 days``."""
    if seconds < 10:
        return f"{seconds:.1f} s"
    if seconds < 120:
        return f"{seconds:.0f} s"
    minutes = int(seconds // 60)
    if minutes < 60:
        return f"{minutes} min"
    if minutes < 48 * 60:
        return f"{minutes // 60} h {minutes % 60} min" if minutes % 60 else f"{minutes // 60} h"
    return f"{minutes // (24 * 60)} days"


def days_text(days: float) -> str:
    """Return many days as a person reads them: ``12 days``, ``more than 2 years``, ``more than 99 years``."""
    years = days / 365
    return f"{days:,.0f} days" if years < 1 else f"more than {min(years, 99):.0f} {'year' if years < 1.5 else 'years'}"


def did_you_mean(word: str, known: Iterable[str]) -> str:
    """Return ``Did you mean herm?``, the known name that is most like ``word``; empty if none is like it."""
    from difflib import get_close_matches  # noqa: PLC0415  # only for a mistake

    by_folded = {name.casefold(): name for name in known}
    folded = word.casefold()
    begun = [name for name in by_folded if len(folded) >= _FEWEST_BEGUN and name.startswith(folded)]
    alike = begun[:1] or get_close_matches(folded, by_folded, 1)
    return f"Did you mean {by_folded[alike[0]]}?" if alike else ""
