"""Texts in the cells of a CSV that a spreadsheet opens: none of them is taken for a formula. Pure."""

# The signs at which a spreadsheet begins a formula (OWASP ASVS 5.0, 1.2.10; line ends and wide forms
# count in some programs),
# and the apostrophe, so that it can be taken away again.
_BEGINNINGS = ("=", "+", "-", "@", "\t", "\r", "\n", "\0", "＝", "＋", "－", "＠", "'")
_APOSTROPHE = "'"


def to_spreadsheet(text: str) -> str:
    """Return a text as a cell: with an apostrophe before it where a spreadsheet might run it."""
    return f"{_APOSTROPHE}{text}" if text.startswith(_BEGINNINGS) else text


def from_spreadsheet(cell: str) -> str:
    """Return the text of a cell of `to_spreadsheet`."""
    return cell.removeprefix(_APOSTROPHE)
