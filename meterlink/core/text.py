"""Text from outside (names on the air, labels in files), made safe to show, log and store."""

import unicodedata

# A GATT device name is at most 248 bytes (Bluetooth Core, Device Name); a row of a 40-column screen has room for 40.
LONGEST_NAME = 40

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
    composed = " ".join(unicodedata.normalize("NFC", kept).split())
    return composed.replace("[", "(").replace("]", ")")[:longest].rstrip()


def count_phrase(number: int, noun: str) -> str:
    """Return ``1 packet``, ``3 packets``, ``2 entries``, ``no packets``."""
    plural = f"{noun[:-1]}ies" if noun.endswith("ry") else f"{noun}s"
    return f"{number or 'no'} {noun if number == 1 else plural}"
