"""``python -m studies.soak``: the soak of the whole daemon with random faults, as a table."""

import asyncio
import sys
import tempfile
from pathlib import Path

import click

from studies.soak.comparison import leaks, problems, rows
from studies.soak.run import run_soak


@click.command()
@click.option("--kills", default=200, show_default=True, help="How often the daemon is killed, among other faults.")
@click.option("--seed", default=1, show_default=True, help="The seed of the sequence.")
def main(kills: int, seed: int) -> None:
    """Run a soak and print its table; exit status 1 if anything is lost, wrong or leaked."""
    with tempfile.TemporaryDirectory(prefix="meterlink-soak-") as folder:
        outcome = asyncio.run(run_soak(Path(folder), kills, seed))
    click.echo(outcome.report)
    found = [*problems(rows(outcome.evidence)), *leaks(outcome.early, outcome.late, outcome.fresh), *outcome.own_ends]
    if found:
        click.echo("\n".join(found), err=True)
        sys.exit(1)


if __name__ == "__main__":
    main()
