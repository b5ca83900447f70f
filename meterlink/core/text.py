"""Text that came from outside (names on the air, labels in files), made fit to show, log and store."""

import unicodedata

# A GATT device name is at most 248 bytes (Bluetooth Core, Device Name); a row on a 40-column screen shows far less.
LONGEST_NAME = 40


def clean_text(text: str | None, longest: int = LONGEST_NAME) -> str:
    """Return ``text`` without control, format, surrogate or private characters, folded to one line.

    Whoever advertises chooses these bytes: escape sequences, markup brackets and direction overrides must not reach
    a terminal. Square brackets become round ones, so no markup language of a screen library can find a tag.
    At most ``longest`` characters are kept. Empty text stays empty.
    """
    if not text:
        return ""
    kept = "".join(
        " " if char.isspace() else char for char in text if char.isspace() or unicodedata.category(char)[0] != "C"
    )
    # Composed after the invisible characters are gone, so that cleaning twice changes nothing.
    shown = " ".join(unicodedata.normalize("NFC", kept).split())
    return shown.replace("[", "(").replace("]", ")")[:longest].rstrip()
