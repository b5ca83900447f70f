"""``meterlink gaps``: the times without readings of a meter, with their causes, and the steps of the clock."""

from collections import Counter
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any, NamedTuple

import click

from meterlink.cli.completion import complete_meter, complete_visit
from meterlink.cli.history import parse_since, same_name
from meterlink.cli.output import Form, listing_options, local_time, print_table, print_text, printable_text
from meterlink.cli.stored_visits import find_visit
from meterlink.core.clock import format_rfc3339
from meterlink.core.text import did_you_mean
from meterlink.settings import DATABASE_FILE, existing_data_dir
from meterlink.store.gap_words import CLOCK_SET, gap_seconds, lasted_text, lost_text, step_seconds, step_text
from meterlink.store.reader import Reader
from meterlink.store.rows import ClockStep, StoredGap

_ON_A_PAGE = 50
_HEADINGS = ("From", "Meter", "Cause", "Lasted", "Lost")


@click.command("gaps", short_help="List the times without readings, and why.")
@click.option("--data", metavar="DIR", help="Data folder of the station.")
@click.option("--meter", metavar="METER", shell_complete=complete_meter, help="Only this meter (its name or address).")
@click.option(
    "--visit", metavar="VISIT", shell_complete=complete_visit, help="Only during this visit (its id, or its beginning)."
)
@click.option("--since", metavar="WHEN", help="Only since WHEN: 2026-07-01, 2026-07-01T13:00:00Z, or 7d, 12h, 30m ago.")
@click.option("--until", metavar="WHEN", help="Only before WHEN, as with --since.")
@click.option("--all", "is_all", is_flag=True, help=f"All of them; as text only {_ON_A_PAGE} are listed.")
@listing_options("began", "ended", "seconds", "meter", "cause", "lost")
def command(
    data: str | None,
    meter: str | None,
    visit: str | None,
    since: str | None,
    until: str | None,
    *,
    is_all: bool,
    form: Form,
) -> None:
    """List the times in which readings of a meter are missing, newest last. Works while the station runs.

    \b
        meterlink gaps --since 7d
        meterlink gaps --meter Birch --lines | grep dropped

    The causes: link lost (until the next connection); meter silent (connected, but it sent nothing); packets dropped
    (more than a display can show, or more than this machine handled in time); not saved (the disk failed for too long);
    clock set (readings before and after a step of this machine's clock have times that do not agree).

    With --json every object has: began and ended (RFC 3339, UTC; ended is null while it lasts, and where the station
    ended before), seconds (its length by a clock that nobody sets, null without an end; of a clock set the step,
    negative back), meter and address (null for a clock set), cause, lost (packets or readings; null if unknown).
    """
    reader = Reader(existing_data_dir(data) / DATABASE_FILE)
    now = datetime.now(UTC)
    begin_ns = None if since is None else parse_since(since, now, "--since")
    end_ns = None if until is None else parse_since(until, now, "--until")
    if visit is not None:
        stored = find_visit(reader.visits(), visit)
        begin_ns = max(begin_ns or stored.opened.utc_ns, stored.opened.utc_ns)
        end_ns = min(filter(None, (end_ns, stored.closed_utc_ns)), default=None)
    entries = [_gap_entry(gap) for gap in reader.gaps(since_utc_ns=begin_ns, until_utc_ns=end_ns, meter=meter)]
    if meter is None:
        entries += map(_step_entry, reader.clock_steps(since_utc_ns=begin_ns, until_utc_ns=end_ns))
    entries.sort(key=lambda entry: entry.place)
    records = [entry.record for entry in entries]
    if form.prints(records, records):
        return
    if not entries:
        print_text(_empty_text(reader, meter, is_narrowed=bool(visit or since or until)))
        return
    shown = entries if is_all else entries[-_ON_A_PAGE:]
    if len(shown) < len(entries):
        click.echo(f"The newest {_ON_A_PAGE} of {len(entries)}, newest last; --all lists all.", err=True)
    print_table(_HEADINGS, [entry.cells for entry in shown])
    print_text(_summary(entries))


class _Entry(NamedTuple):
    """One line of the list: its place in the order, which no step of the clock changes; its JSON; its row."""

    place: tuple[int, int]
    record: dict[str, Any]
    cells: tuple[str, ...]


def _gap_entry(gap: StoredGap) -> _Entry:
    ended, name = gap.ended, gap.meter.name or gap.meter.address
    record = {
        "began": format_rfc3339(gap.began.utc_ns),
        "ended": None if ended is None else format_rfc3339(ended.utc_ns),
        "seconds": gap_seconds(gap),
        "meter": name,
        "address": gap.meter.address,
        "cause": gap.cause.value,
        "lost": gap.lost,
    }
    cells = (_time_text(gap.began.utc_ns), printable_text(name), gap.cause.value, lasted_text(gap), lost_text(gap))
    return _Entry((gap.start, gap.began.monotonic_ns), record, cells)


def _step_entry(step: ClockStep) -> _Entry:
    record = {
        "began": format_rfc3339(step.before.utc_ns),
        "ended": format_rfc3339(step.after.utc_ns),
        "seconds": step_seconds(step),
        "meter": None,
        "address": None,
        "cause": CLOCK_SET,
        "lost": None,
    }
    cells = (_time_text(step.before.utc_ns), "", step_text(step), "", "")
    return _Entry((step.start, step.before.monotonic_ns), record, cells)


def _empty_text(reader: Reader, meter: str | None, *, is_narrowed: bool) -> str:
    if meter is None:
        return "No gaps match." if is_narrowed else "No gaps."
    rows = reader.known_meters()
    names = {name for row in rows for name in (row.meter.name, row.meter.address, row.current_address) if name}
    if any(same_name(meter, name) for name in (*names, *(alias for row in rows for alias in row.aliases))):
        return "No gaps match."
    return f"No gaps match. {did_you_mean(meter, names) or 'List the meters: meterlink meter list'}"


def _summary(entries: Sequence[_Entry]) -> str:
    counts = Counter(str(entry.record["cause"]) for entry in entries)
    return f"{', '.join(f'{cause}: {count}' for cause, count in counts.most_common())}."


def _time_text(utc_ns: int) -> str:
    """Return a local time with its seconds: a gap may last two."""
    return f"{local_time(utc_ns)}:{utc_ns // 1_000_000_000 % 60:02}"
