"""``meterlink decode --kept``: the packets that a meter sent before, decoded again."""

import json
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import click

from meterlink.cli.history import parse_since
from meterlink.cli.output import local_time, print_table, print_text, printable_text, verdict_colour
from meterlink.cli.progress import progress_bar
from meterlink.cli.station_command import send_command
from meterlink.cli.stored_visits import SHORT_ID
from meterlink.cli.table import Cell
from meterlink.cli.terminal import is_interactive
from meterlink.core.clock import format_rfc3339
from meterlink.core.equipment import Site
from meterlink.core.text import count_phrase
from meterlink.core.verdicts import Judgement, Margin
from meterlink.driver_api import DriverFactory
from meterlink.link.messages import CommandName
from meterlink.profiles import compile_profile
from meterlink.settings import DATABASE_FILE, existing_data_dir, load_settings
from meterlink.station.decoding_again import (
    DecodedReading,
    DecodingAgain,
    RawCounts,
    ReadNow,
    factory_of,
    find_meter,
    open_decoder,
)
from meterlink.station.drivers import Drivers, factory_identity
from meterlink.station.known_meters import KnownMeters
from meterlink.station.profile_files import load_profile
from meterlink.store.reader import Reader

_READ_NOW_HEADINGS = ("When", "Site / unit", "Reads now", "Visit")
_MOST_READ_NOW = 50  # lines: a day of visits with a wrong profile
_HEADINGS = ("When", "Site / unit", "Part", "Accepted as", "Decoded again", "Visit")


def decode_kept(
    meter: str, since: str | None, file: Path | None, data: str | None, technician: str, *, yes: bool, as_json: bool
) -> None:
    """Print the readings of ``meter`` that would change if its packets were decoded again; with ``yes`` record them.

    Raises:
        InputError: there is no such meter, it has no driver, or ``since`` is no time.
        StoreError: the database cannot be read.
        ProfileError: the profile cannot be used.
        CommandError: the station could not record them.
        LinkError: the station stopped, or has another version.
    """
    folder = existing_data_dir(data)
    reader, settings = Reader(folder / DATABASE_FILE), load_settings(folder)
    rows = reader.known_meters()
    known = KnownMeters(settings, rows)
    found = find_meter(known, rows, meter)
    since_utc_ns = None if since is None else parse_since(since, datetime.now(UTC))
    factory: DriverFactory = (
        factory_of(Drivers.load_tolerantly(folder, rows), rows, found)
        if file is None
        else compile_profile(load_profile(file))
    )
    again, decode = DecodingAgain(reader, settings, known, found, since_utc_ns), open_decoder(factory)
    changed, expected = list(again.accepted(decode)), reader.counts()["readings"]
    with progress_bar() as progress:
        raw, read_now = again.raw(decode, lambda done: progress("Decoding", done, expected))
    if not as_json:
        _print_changes(found.name, factory.name, changed, raw)
        _print_read_now(read_now, {visit.uid: visit.site for visit in reader.visits()} if read_now else {})
    may_record = bool(changed) and file is None
    done = may_record and (yes or (not as_json and _is_confirmed(changed)))
    result: Mapping[str, Any] = {"corrected": 0, "noted": 0}
    if done:
        result = send_command(
            folder, CommandName.DECODE_AGAIN, meter=found.first_address, since_utc_ns=max(since_utc_ns or 0, 0),
            text=factory_identity(factory)[1], technician=technician,
        )  # fmt: skip
    if as_json:
        fields = {
            "meter": found.first_address,
            "driver": factory.name,
            "profile_hash": factory_identity(factory)[1],
            "readings": [_fields(reading) for reading in changed],
            "raw": {name: getattr(raw, name) for name in RawCounts.__slots__},
            "read_now": [
                {
                    "at": format_rfc3339(display.decoded.timestamp.utc_ns),
                    "visit_uid": display.visit_uid,
                    "display": display.decoded.text,
                }
                for display in read_now
            ],
            "done": done,
            **result,
        }
        click.echo(json.dumps(fields, indent=2))
    elif done:
        print_text(_result_text(result))
    elif changed:
        print_text("Nothing is changed." + (" Record the corrections with --yes." if may_record else ""))


def _is_confirmed(changed: Sequence[DecodedReading]) -> bool:
    """Ask on a terminal; without one nobody has confirmed."""
    return is_interactive() and click.confirm(f"Record {count_phrase(len(changed), 'correction')}?")


def _result_text(result: Mapping[str, Any]) -> str:
    corrected, noted = (count_phrase(result[name], "reading") for name in ("corrected", "noted"))
    sentences = [
        f"Corrected: {corrected}; the old displays and verdicts stay beside the new ones."
        if result["corrected"]
        else "",
        f"Noted at closed visits, which stay as they are: {noted}." if result["noted"] else "",
    ]
    return " ".join(filter(None, sentences)) or "It is all recorded or noted already."


def _print_changes(name: str, driver: str, changed: Sequence[DecodedReading], raw: RawCounts) -> None:
    print_text(f"{printable_text(name)}, decoded again by {driver}: {_changed_text(changed)}")
    if changed:
        print_table(_HEADINGS, [_row(reading) for reading in changed], ("Site / unit",))
        for reading in changed:
            if reading.judgement.reason and reading.judgement.verdict == "cannot tell":
                print_text(f"{reading.row.uid[:SHORT_ID]}: {printable_text(reading.judgement.reason)}")
    print_text(_raw_text(raw))


def _print_read_now(read_now: Sequence[ReadNow], sites: Mapping[str, Site]) -> None:
    if not read_now:
        return
    print_text(f"Read now, not accepted in the visit then: {count_phrase(len(read_now), 'display')} at rest.")
    rows = []
    for display in read_now[:_MOST_READ_NOW]:
        site = sites[display.visit_uid]
        rows.append(
            (
                local_time(display.decoded.timestamp.utc_ns),
                f"{printable_text(site.name)} / {printable_text(site.unit)}",
                printable_text(display.decoded.text),
                display.visit_uid[:SHORT_ID],
            )
        )
    print_table(_READ_NOW_HEADINGS, rows, ("Site / unit",))
    if more := len(read_now) - len(rows):
        print_text(f"and {more:,} more: --json has all.")
    print_text(
        "Nobody can say any more where the probes were: measure again. If you know the test point, and the visit is"
        ' open, type it in: meterlink enter "45.3 uF" --point POINT.'
    )


def _changed_text(changed: Sequence[DecodedReading]) -> str:
    if not changed:
        return "no accepted reading would change."
    closed = sum(reading.is_closed for reading in changed)
    text = f"{count_phrase(len(changed), 'accepted reading')} would change"
    return f"{text}, {closed} of them in a closed visit." if closed else f"{text}."


def _raw_text(raw: RawCounts) -> str:
    parts = [
        f"{number:,} {words}"
        for number, words in (
            (raw.same, "the same"),
            (raw.another_value, "with another display"),
            (raw.newly_read, "with a value that had none"),
            (raw.no_longer_read, "without a value that had one"),
            (raw.not_decoded, "not to be decoded alone"),
        )
        if number
    ]
    if not parts:
        return "No raw readings are kept."
    return f"Raw readings: {raw.total:,} kept, {', '.join(parts)}; they stay as they were decoded."


def _row(reading: DecodedReading) -> tuple[str | Cell, ...]:
    row, judgement = reading.row, reading.judgement
    return (
        local_time(row.reading.timestamp.utc_ns),
        f"{printable_text(row.site.name)} / {printable_text(row.site.unit)}",
        printable_text(f"{row.circuit}: {row.component} {row.section}".rstrip()),
        f"{printable_text(row.reading.text)} {_verdict_text(row.judgement)}",
        Cell(
            f"{printable_text(reading.decoded.text)} {_verdict_text(judgement)}",
            verdict_colour(judgement.verdict, judgement.margin),
        ),
        f"{row.visit_uid[:SHORT_ID]}{' (closed)' if reading.is_closed else ''}",
    )


def _verdict_text(judgement: Judgement) -> str:
    close = f" ({judgement.margin})" if judgement.margin is Margin.CLOSE_CALL else ""
    return f"{judgement.verdict.value.upper()}{close}"


def _fields(reading: DecodedReading) -> dict[str, Any]:
    row, judgement = reading.row, reading.judgement
    return {
        "uid": row.uid,
        "at": format_rfc3339(row.reading.timestamp.utc_ns),
        "visit_uid": row.visit_uid,
        "site": row.site.name,
        "unit": row.site.unit,
        "circuit": row.circuit,
        "component": row.component,
        "section": row.section,
        "point": row.point_key,
        "before": row.reading.text,
        "after": reading.decoded.text,
        "verdict_before": row.judgement.verdict,
        "verdict": judgement.verdict,
        "margin": judgement.margin,
        "reason": judgement.reason,
        "closed": reading.is_closed,
    }
