"""The removal of personal data on the command line: the list before, the typed confirmation, the words after."""

from collections.abc import Iterator
from pathlib import Path

import click

from meterlink.cli.output import print_text, printable_text
from meterlink.cli.terminal import is_interactive
from meterlink.core.text import count_phrase
from meterlink.settings import DATABASE_FILE
from meterlink.store.forgetting import REMOVED, Removal

_REPORTS = "reports"  # the folder of the customers' reports, in the data folder

yes_option = click.option("--yes", is_flag=True, help="Remove it without a question, for scripts.")


def confirm_removal(removal: Removal, folder: Path, word: str, *, yes: bool) -> bool:
    """Print the texts that go, and those that stay elsewhere; return whether ``word`` was typed, or ``yes`` given.

    Raises:
        click.UsageError: nobody can be asked.
    """
    counts = [(kind, number) for kind, number in removal.counts.items() if number]
    print_text(f"Removed from {folder / DATABASE_FILE}:")
    for kind, number in counts or [("personal text", 0)]:
        print_text(f"  {count_phrase(number, kind)}")
    print_text("The measurements, the verdicts, the replacements and their seal stay.")
    for line in _elsewhere(removal, folder):
        print_text(line)
    if yes:
        return True
    if not is_interactive():
        raise click.UsageError("Nobody can be asked here: add --yes to remove it.")
    typed = click.prompt(
        f"This cannot be undone. Type {printable_text(word)} to remove it", default="", show_default=False
    )
    return bool(typed.strip() == word)


def _elsewhere(removal: Removal, folder: Path) -> Iterator[str]:
    """Yield the places where copies may be, which no command here can reach."""
    yield "Backups, exports and reports that were made earlier keep it, and so does a broker that was told."
    reports = sorted((folder / _REPORTS).glob("*")) if (folder / _REPORTS).is_dir() else []
    if reports:
        yield f"{folder / _REPORTS} has {count_phrase(len(reports), 'file')}: delete those about this place yourself."
    for path in removal.photos:
        yield f"The picture {printable_text(path)} stays on the disk: delete it yourself."
    if removal.in_plans:
        visits = count_phrase(removal.in_plans, "visit")
        yield f"The plan of {visits} has the name in its own text, which stays: the seal covers it."


def print_done(sentence: str) -> None:
    """Print that it is done; removed texts read ``removed`` from now on."""
    print_text(f"{sentence} Removed texts read {REMOVED!r}. The bytes are gone from the file and its log.")
