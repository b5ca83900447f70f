"""The rows that a merge or an import brings, in words."""

from collections.abc import Iterable, Mapping

from meterlink.cli.output import print_text
from meterlink.core.text import LONGEST_REMARK, clean_text

# The kinds of rows that a person counts, and their words; the others are parts of these.
_COUNTED = (
    ("visits", "visit", "visits"),
    ("units", "unit", "units"),
    ("accepted_readings", "accepted reading", "accepted readings"),
    ("verdicts", "verdict", "verdicts"),
    ("voids", "void", "voids"),
    ("corrections", "correction", "corrections"),
    ("notes", "note", "notes"),
    ("replacements", "replacement", "replacements"),
    ("stock_movements", "entry of the stock", "entries of the stock"),
    ("meters", "meter", "meters"),
    ("seals", "seal", "seals"),
    ("raw_readings", "raw reading", "raw readings"),
    ("outbox", "message for the broker", "messages for the broker"),
    ("rejected_messages", "message that the broker refused", "messages that the broker refused"),
)


def print_new_rows(
    new: Mapping[str, int], remarks: Iterable[str], nothing: str, *, before: str = "", preview: bool
) -> None:
    """Print the numbers of new rows by table, or ``nothing``, after the sentence ``before``; then the remarks."""
    counted = [
        f"{number:,} {one if number == 1 else several}"
        for table, one, several in _COUNTED
        if (number := new.get(table, 0))
    ]
    print_text(before + (f"{'Would come' if preview else 'New'}: {', '.join(counted)}." if counted else nothing))
    for remark in remarks:
        print_text(clean_text(remark, LONGEST_REMARK))
    if preview:
        print_text("Nothing is changed. Without --preview it is.")
