"""``meterlink unit``: the units: their facts and their names."""

from pathlib import Path

import click

from meterlink.cli.choice import NamedChoice
from meterlink.cli.completion import complete_site, complete_unit
from meterlink.cli.lazy_group import CommandGroup
from meterlink.cli.output import Form, data_option, listing_options, print_table, printable_text
from meterlink.cli.station_command import send_command
from meterlink.core.equipment import Site
from meterlink.core.errors import InputError, NoDatabaseError
from meterlink.core.nameplate import UnitFact
from meterlink.core.text import did_you_mean
from meterlink.link.messages import CommandName
from meterlink.settings import DATABASE_FILE, data_dir, existing_data_dir
from meterlink.station.unit_fields import listed_unit, unit_fields, unit_lines
from meterlink.store.reader import Reader
from meterlink.store.rows import StoredUnit

_site = click.option("--site", required=True, shell_complete=complete_site, help="Name of the site.")
_unit = click.argument("unit", metavar="UNIT", shell_complete=complete_unit)
_FACTS = [str(fact) for fact in UnitFact]


@click.group(cls=CommandGroup)
def command() -> None:
    """List the units; show and enter the facts about each; rename, merge, archive.

    A unit is known from its first visit on.
    """


@command.command("list")
@click.option("--all", "with_archived", is_flag=True, help="Archived units, too.")
@data_option
@listing_options("site", "unit", "visits", "archived")
def list_units(*, with_archived: bool, data: str | None, form: Form) -> None:
    """List the units.

    \b
        meterlink unit list

    With --json: an array of site, unit, visits (their number), archived.
    """
    units = [unit for unit in _units(data) if with_archived or not unit.archived]
    records = list(map(listed_unit, units))
    if form.prints(records, records):
        return
    if not units:
        click.echo("No units yet. Begin a visit: meterlink visit begin")
        return
    rows = [
        (
            printable_text(unit.site.name),
            printable_text(unit.site.unit),
            str(unit.visits),
            "archived" if unit.archived else "",
        )
        for unit in units
    ]
    print_table(("Site", "Unit", "Visits", ""), rows)


@command.command()
@_site
@_unit
@data_option
@listing_options("point", "circuit", "component", "section", "rating", "at")
def show(*, site: str, unit: str, data: str | None, form: Form) -> None:
    """Show a UNIT: its fitted parts, its ratings, its nameplate.

    \b
        meterlink unit show --site Bakery "Condenser 1"

    With --json: site, unit, visits, archived, fitted (at, part, circuit, old_rating, new_rating; newest first), ratings
    (circuit, component, section, point, rating, at) and facts (fact, text, at).

    \f

    Raises:
        InputError: there is no such unit.
    """
    units = _units(data)
    found = next((stored for stored in units if stored.site == Site(site, unit)), None)
    if found is None:
        nearest = did_you_mean(f"{unit} at {site}", [f"{known.site.unit} at {known.site.name}" for known in units])
        raise InputError(f"There is no unit {unit!r} at {site!r}.", nearest or "List them: meterlink unit list")
    fields = unit_fields(found, _reader(data).replacements())
    if not form.prints(fields, fields["ratings"]):
        click.echo(f"{printable_text(site)} / {printable_text(unit)}")
        click.echo("\n".join(unit_lines(fields) or ["Nothing is known of it yet but its name."]))


@command.command("set")
@_site
@_unit
@click.argument("fact", metavar="FACT", type=NamedChoice(_FACTS))
@click.argument("text", metavar="TEXT")
@data_option
def set_fact(*, site: str, unit: str, fact: str, text: str, data: str | None) -> None:
    """Keep a fact about a UNIT: a line of the nameplate, a note, a photo.

    \b
        meterlink unit set --site Bakery "Condenser 1" supply "208/230 V"
        meterlink unit set --site Bakery "Condenser 1" note "key at the bar"

    FACT is kind, supply, phases, refrigerant, model, serial, location, photo or note. Of photo and note there may be
    any number; any other FACT replaces the earlier one. Ratings of parts belong to the visit: meterlink visit rating.

    \f

    Raises:
        InputError: there is no such photo.
    """
    if fact == UnitFact.PHOTO:
        if not Path(text).is_file():
            raise InputError(f"There is no file {text}.", "Name the picture.")
        text = str(Path(text).absolute())
    send_command(data_dir(data), CommandName.SET_FACT, site=site, unit=unit, fact=fact, text=text)
    click.echo("Kept.")


@command.command()
@_site
@_unit
@click.argument("fact", metavar="FACT", type=NamedChoice([fact for fact in _FACTS if fact not in {"photo", "note"}]))
@data_option
def unset(*, site: str, unit: str, fact: str, data: str | None) -> None:
    """Remove a FACT about a UNIT.

    \b
        meterlink unit unset --site Bakery "Condenser 1" model
    """
    send_command(data_dir(data), CommandName.SET_FACT, site=site, unit=unit, fact=fact)
    click.echo("Removed.")


@command.command()
@_site
@_unit
@click.argument("name", metavar="NAME")
@data_option
def rename(*, site: str, unit: str, name: str, data: str | None) -> None:
    """Give a UNIT another NAME.

    \b
        meterlink unit rename --site Bakery "Condenser 1" "Condenser east"
    """
    send_command(data_dir(data), CommandName.RENAME_UNIT, site=site, unit=unit, to_unit=name)
    click.echo(f"The unit is {printable_text(name)} now.")


@command.command()
@_site
@_unit
@click.argument("into", metavar="INTO")
@click.option("--into-site", default="", help="The site of INTO, if it is another one.")
@data_option
def merge(*, site: str, unit: str, into: str, into_site: str, data: str | None) -> None:
    """Give the visits of a UNIT to the unit INTO: they were one machine under two names.

    \b
        meterlink unit merge --site Bakery "Condenser one" "Condenser 1"
    """
    to_site = {"to_site": into_site} if into_site else {}
    send_command(data_dir(data), CommandName.MERGE_UNITS, site=site, unit=unit, to_unit=into, **to_site)
    click.echo(f"The visits to {printable_text(unit)} are visits to {printable_text(into)} now.")


@command.command()
@_site
@_unit
@data_option
def archive(*, site: str, unit: str, data: str | None) -> None:
    """Take a UNIT off the list for new visits: it was scrapped. Its record stays.

    \b
        meterlink unit archive --site Bakery "Condenser 1"
    """
    send_command(data_dir(data), CommandName.ARCHIVE_UNIT, site=site, unit=unit)
    click.echo("Archived.")


@command.command()
@_site
@_unit
@data_option
def restore(*, site: str, unit: str, data: str | None) -> None:
    """Put an archived UNIT back on the list.

    \b
        meterlink unit restore --site Bakery "Condenser 1"
    """
    send_command(data_dir(data), CommandName.RESTORE_UNIT, site=site, unit=unit)
    click.echo("It is listed again.")


def _reader(data: str | None) -> Reader:
    return Reader(existing_data_dir(data) / DATABASE_FILE)


def _units(data: str | None) -> list[StoredUnit]:
    try:
        return _reader(data).units()
    except NoDatabaseError:
        return []
