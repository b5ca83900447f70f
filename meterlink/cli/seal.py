"""``meterlink seal``: the sealed visits, and the key that seals them."""

import json

import click

from meterlink.cli.lazy_group import CommandGroup
from meterlink.cli.output import (
    Form,
    data_option,
    json_option,
    listing_options,
    local_time,
    print_table,
    printable_text,
)
from meterlink.cli.station_command import send_command
from meterlink.cli.stored_visits import short_id
from meterlink.core.clock import format_rfc3339
from meterlink.link.messages import CommandName
from meterlink.seal.canonical import fingerprint
from meterlink.settings import DATABASE_FILE, data_dir, existing_data_dir
from meterlink.store.reader import Reader


@click.group(cls=CommandGroup)
def command() -> None:
    """List the sealed visits and the station's keys; begin a new key.

    A closed visit is sealed by itself. `meterlink verify` checks a seal.
    """


@command.command("list")
@data_option
@listing_options("visit", "edition", "sealed", "fingerprint", "site", "unit")
def list_seals(*, data: str | None, form: Form) -> None:
    """List the newest edition of each sealed visit, oldest visit first.

    \b
        meterlink seal list

    With --json: an array of visit, edition, sealed, fingerprint, public_key, site, unit.
    """
    reader = Reader(existing_data_dir(data) / DATABASE_FILE)
    visits = reader.visits()
    newest = reader.newest_editions()
    records = [
        {
            "visit": visit.uid,
            "edition": newest[visit.uid].number,
            "sealed": newest[visit.uid].sealed,
            "fingerprint": fingerprint(newest[visit.uid].edition.digest),
            "public_key": newest[visit.uid].edition.public_key,
            "site": visit.site.name,
            "unit": visit.site.unit,
        }
        for visit in visits
        if visit.uid in newest
    ]
    if form.prints(records, records):
        return
    if not records:
        click.echo("No sealed visit yet. A visit is sealed when it is closed: meterlink visit close")
        return
    rows = [
        (
            short_id(str(record["visit"]), visits),
            str(record["edition"]),
            str(record["fingerprint"]),
            printable_text(f"{record['site']} / {record['unit']}"),
        )
        for record in records
    ]
    print_table(("Visit", "Edition", "Fingerprint", "Site / unit"), rows, ("Fingerprint",))


@command.command("keys")
@data_option
@listing_options("public_key", "station", "since", "ended", "reason")
def list_keys(*, data: str | None, form: Form) -> None:
    """List the keys that sealed visits of this data folder, oldest first.

    \b
        meterlink seal keys

    Give the public key to those who check your reports: meterlink verify report.json --key KEY

    With --json: an array of public_key, station, since, ended (null: in use), reason (of its end).
    """
    keys = Reader(existing_data_dir(data) / DATABASE_FILE).station_keys()
    records = [
        {
            "public_key": key.public_key,
            "station": key.station,
            "since": format_rfc3339(key.since_utc_ns),
            "ended": None if key.ended_utc_ns is None else format_rfc3339(key.ended_utc_ns),
            "reason": key.end_reason,
        }
        for key in keys
    ]
    if form.prints(records, records):
        return
    if not keys:
        click.echo("No key yet: the first visit that is closed makes one.")
        return
    rows = [
        (
            key.public_key,
            printable_text(key.station),
            local_time(key.since_utc_ns),
            "in use"
            if key.ended_utc_ns is None
            else printable_text(f"until {local_time(key.ended_utc_ns)}: {key.end_reason}"),
        )
        for key in keys
    ]
    print_table(("Public key", "Station", "Since", "State"), rows, ("State", "Station"))


@command.command("replace-key")
@click.option("--reason", default="", help="The reason, which is kept with the old key: 'the phone was stolen'.")
@click.option("--yes", is_flag=True, help="Do it; without it a terminal is asked.")
@data_option
@json_option
def replace_key(*, reason: str, yes: bool, data: str | None, as_json: bool) -> None:
    """Begin a new key of this station; visits are sealed with it from now on.

    \b
        meterlink seal replace-key --reason "the laptop was stolen"

    Seals of the old key stay valid. A thief of the old key can still sign with it: tell the time of the loss to the
    people who check your reports. The old key's file is overwritten.

    With --json: public_key, reason.
    """
    if not yes:
        click.confirm("Begin a new key, and overwrite the old one?", abort=True)
    fields = {"text": reason} if reason else {}
    result = send_command(data_dir(data), CommandName.REPLACE_KEY, **fields)
    click.echo(json.dumps(result) if as_json else f"The station seals with the key {result['public_key']} now.")
