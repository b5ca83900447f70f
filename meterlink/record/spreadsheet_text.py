"""Texts in the cells of a CSV that a spreadsheet opens: none of them is taken for a formula. Pure."""

# The signs at which a spreadsheet begins a formula (OWASP, "CSV Injection"; their wide forms count in some countries),
# and the apostrophe, so that it can be taken away again.
_BEGINNINGS = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠", "'")
_APOSTROPHE = "'"


def to_spreadsheet(text: str) -> str:
    """Return a text as a cell: with an apostrophe before it where a spreadsheet might run it."""
    return f"{_APOSTROPHE}{text}" if text.startswith(_BEGINNINGS) else text


def from_spreadsheet(cell: str) -> str:
    """Return the text of a cell of `to_spreadsheet`."""
    return cell.removeprefix(_APOSTROPHE)
