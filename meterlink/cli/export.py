"""``meterlink export``: readings in open formats, for other programs."""

import json
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

import click

from meterlink.cli.completion import complete_unit, complete_visit
from meterlink.cli.history import parse_since
from meterlink.cli.output import data_option, printable_text
from meterlink.cli.output_file import STANDARD_OUTPUT, form_of_ending, open_output, refuse_on_terminal, whole_path
from meterlink.cli.progress import progress_bar
from meterlink.cli.stored_visits import find_visit
from meterlink.core.errors import InputError
from meterlink.core.text import did_you_mean
from meterlink.record.exchange.formats import (
    BINARY,
    ENDINGS,
    Counted,
    ExportFormat,
    require,
    write_accepted,
    write_parquet,
    write_raw,
)
from meterlink.record.exchange.pseudonyms import Pseudonyms
from meterlink.settings import DATABASE_FILE, existing_data_dir
from meterlink.store.exported import AcceptedReadings, ExportFilter, RawReadings, accepted_export
from meterlink.store.reader import Reader
from meterlink.store.rows import StoredVisit

_SQLITE = "sqlite"


@click.command("export", short_help="Write readings for other programs.")
@click.option(
    "--format",
    "form",
    type=click.Choice([*map(str, ExportFormat), _SQLITE]),
    help="Default: by the ending of FILE; csv without one.",
)
@click.option("-o", "output", default=STANDARD_OUTPUT, metavar="FILE", help="Default: - (standard output).")
@click.option("--raw", is_flag=True, help="Raw readings: every reading that a meter sent.")
@click.option(
    "--visit", metavar="VISIT", shell_complete=complete_visit, help="Only this visit (its id, or the beginning)."
)
@click.option("--last", is_flag=True, help="Only the newest visit.")
@click.option("--unit", metavar="TEXT", shell_complete=complete_unit, help="Only this unit (full name).")
@click.option("--since", metavar="WHEN", help="Only since WHEN: 2026-07-01, 2026-07-01T13:00:00Z, or 7d, 12h, 30m ago.")
@click.option("--until", metavar="WHEN", help="Only before WHEN, as with --since.")
@click.option("--anonymous", is_flag=True, help="Replace names of persons and places by numbers.")
@click.option("--describe", is_flag=True, help="Print the data dictionary as JSON instead.")
@data_option
def command(
    form: str | None,
    output: str,
    visit: str | None,
    unit: str | None,
    since: str | None,
    until: str | None,
    data: str | None,
    *,
    raw: bool,
    last: bool,
    anonymous: bool,
    describe: bool,
) -> None:
    """Write accepted readings with their verdicts, or raw readings, to a file for other programs.

    \b
        meterlink export -o readings.csv
        meterlink export --last -o visit.jsonl
        meterlink export --raw --since 7d --format parquet -o raw.parquet

    csv has a row for each reading, with its current verdict. jsonl has everything, and whole visits: those with a
    chosen reading. senml and cbor are SenML (RFC 8428) in base units. parquet has typed columns. sqlite is the
    whole database, as meterlink backup writes it. The page export.md describes them.

    With --anonymous names, addresses, jobs, notes, packets and ids are replaced or left out; measurements, limits,
    verdicts and times stay. Such a file cannot be imported. Works while the station runs.

    \f

    Raises:
        click.UsageError: the options exclude each other, or no format has the ending of FILE.
    """
    if describe:
        from meterlink.record.exchange.dictionary import describe as data_dictionary  # noqa: PLC0415  # only here

        click.echo(json.dumps(data_dictionary(), indent=2))  # ASCII only: safe in a pipe of any encoding
        return
    if last and visit:
        raise click.UsageError("Give either --visit or --last.")
    if form == _SQLITE:
        if any((raw, visit, last, unit, since, until, anonymous)):
            raise click.UsageError("sqlite is the whole database as it is: leave out the other options.")
        _copy_database(output, data)
        return
    chosen_form = ExportFormat(form) if form else form_of_ending(output, ENDINGS, ExportFormat.CSV)
    _check_output(chosen_form, output)
    require(chosen_form)
    path = existing_data_dir(data) / DATABASE_FILE
    chosen = _chosen(Reader(path).visits(), visit, unit, since, until, last=last)
    names = Pseudonyms() if anonymous else None
    if raw:
        source = RawReadings(path, chosen)
        with _progress(source.upper_count) as counter:
            _write(chosen_form, output, source, names, counter.count)
        words = f"{counter.done:,} raw readings"
    else:
        with accepted_export(path, chosen, whole_visits=chosen_form is ExportFormat.JSONL) as accepted:
            readings, visits = accepted.count()
            with _progress(readings) as counter:
                _write(chosen_form, output, accepted, names, counter.count)
        words = f"{readings:,} accepted reading{'' if readings == 1 else 's'}"
        words += f" of {visits:,} visit{'' if visits == 1 else 's'}"
    click.echo(words if output == STANDARD_OUTPUT else f"{words}: {printable_text(output)}", err=True)


def _copy_database(output: str, data: str | None) -> None:
    from meterlink.store.backup import back_up  # noqa: PLC0415  # only here

    if output == STANDARD_OUTPUT:
        raise click.UsageError("A database is written to a file, not to a pipe: give one with -o FILE.")
    with progress_bar() as progress:
        visits, accepted, raw, *_ = back_up(existing_data_dir(data) / DATABASE_FILE, Path(output), progress=progress)
    words = f"{accepted:,} accepted and {raw:,} raw readings of {visits:,} visit{'' if visits == 1 else 's'}"
    click.echo(f"{words}: {printable_text(output)}", err=True)


def _write(
    form: ExportFormat, output: str, source: AcceptedReadings | RawReadings, names: Pseudonyms | None, counted: Counted
) -> None:
    if form is ExportFormat.PARQUET:
        with whole_path(Path(output)) as temporary:
            write_parquet(temporary, source, names, counted)
        return
    with open_output(output) as file:
        if isinstance(source, RawReadings):
            write_raw(form, file, source, names, counted)
        else:
            write_accepted(form, file, source, names, counted)


def _check_output(form: ExportFormat, output: str) -> None:
    """Do nothing if the output can have the format.

    Raises:
        click.UsageError: Parquet would go to a pipe, or binary data to a terminal.
    """
    if output != STANDARD_OUTPUT:
        return
    if form is ExportFormat.PARQUET:
        raise click.UsageError("Parquet is written to a file, not to a pipe: give one with -o FILE.")
    if form in BINARY:
        refuse_on_terminal(output, form)


def _chosen(
    visits: Sequence[StoredVisit],
    visit: str | None,
    unit: str | None,
    since: str | None,
    until: str | None,
    *,
    last: bool,
) -> ExportFilter:
    """Return the filter of the options.

    Raises:
        InputError: there is no such visit or unit, or a time cannot be read.
    """
    if last and not visits:
        raise InputError("There is no visit in this data folder yet.", "Give another data folder with --data DIR.")
    uid = visits[-1].uid if last else None if visit is None else find_visit(visits, visit).uid
    if unit is not None and unit.casefold() not in {each.site.unit.casefold() for each in visits}:
        nearest = did_you_mean(unit, [each.site.unit for each in visits])
        raise InputError(
            f"No visit is to a unit {printable_text(unit)!r}.", nearest or "List them: meterlink unit list"
        )
    now = datetime.now(UTC)
    times = (
        None if when is None else parse_since(when, now, option)
        for when, option in ((since, "--since"), (until, "--until"))
    )
    return ExportFilter(uid, unit, *times)


class _Counter:
    """Counts readings, and draws them on a terminal."""

    def __init__(self, bar: "click._termui_impl.ProgressBar[int] | None") -> None:
        self.done = 0
        self._bar = bar

    def count(self, readings: int) -> None:
        """Count so many readings more."""
        self.done += readings
        if self._bar is not None:
            self._bar.update(readings)


@contextmanager
def _progress(length: int) -> Iterator[_Counter]:
    """Yield a counter; with a progress bar on the standard error where that is a terminal, else without."""
    if not sys.stderr.isatty():
        yield _Counter(None)
        return
    with click.progressbar(length=length, file=sys.stderr, update_min_steps=max(1, length // 200)) as bar:
        yield _Counter(bar)
