"""``meterlink site``: the sites: the facts about them and their names."""

import click

from meterlink.cli.choice import NamedChoice
from meterlink.cli.completion import complete_site
from meterlink.cli.lazy_group import CommandGroup
from meterlink.cli.output import Form, data_option, listing_options, print_table, print_text, printable_text
from meterlink.cli.removal import confirm_removal, print_done, yes_option
from meterlink.cli.station_command import send_command
from meterlink.core.errors import InputError, NoDatabaseError
from meterlink.core.site_facts import SiteFact
from meterlink.core.text import count_phrase, did_you_mean
from meterlink.link.messages import CommandName
from meterlink.settings import DATABASE_FILE, data_dir, existing_data_dir
from meterlink.store.reader import Reader
from meterlink.store.rows import StoredSite

_site = click.argument("site", metavar="SITE", shell_complete=complete_site)
_FACTS = {str(fact).replace(" ", "-"): fact for fact in SiteFact}  # as the options are written


@click.group(cls=CommandGroup)
def command() -> None:
    """List the sites; show and enter the facts about each; rename and merge.

    A site is known from the first visit to one of its units on. Its name may be a code: nothing else need be kept.
    """


@command.command("list")
@data_option
@listing_options("site", "units", "visits", "customer", "address", "time_zone")
def list_sites(*, data: str | None, form: Form) -> None:
    """List the sites.

    \b
        meterlink site list

    With --json: an array of site, units and visits (their numbers), customer, address, time_zone (null where unknown).
    """
    sites = _sites(data)
    records = list(map(_fields, sites))
    if form.prints(records, records):
        return
    if not sites:
        click.echo("No sites yet. Begin a visit: meterlink visit begin")
        return
    rows = [
        (
            printable_text(site.name),
            f"{count_phrase(site.units, 'unit')}, {count_phrase(site.visits, 'visit')}",
            *map(printable_text, _fact_texts(site)),
        )
        for site in sites
    ]
    print_table(("Site", "Visited", "Customer", "Address", "Time zone"), rows, ("Customer", "Address"))


@command.command()
@_site
@data_option
@listing_options("site", "unit", "visits", "archived")
def show(*, site: str, data: str | None, form: Form) -> None:
    """Show a SITE: the facts about it, and its units.

    \b
        meterlink site show Bakery

    With --json: site, customer, address, time_zone (null where unknown), visits (their number) and units (site, unit,
    visits, archived).

    \f

    Raises:
        InputError: there is no such site.
    """
    found = _find(_sites(data), site)
    units = [unit for unit in _reader(data).units() if unit.site.name == found.name]
    listed = [
        {"site": unit.site.name, "unit": unit.site.unit, "visits": unit.visits, "archived": unit.archived}
        for unit in units
    ]
    if form.prints({**_fields(found), "units": listed}, listed):
        return
    print_text(printable_text(found.name))
    for fact, text in found.facts.items():
        print_text(f"  {fact}: {printable_text(text)}")
    for unit in units:
        archived = ", archived" if unit.archived else ""
        print_text(f"  unit: {printable_text(unit.site.unit)}, {count_phrase(unit.visits, 'visit')}{archived}")


@command.command("set")
@_site
@click.option("--customer", metavar="TEXT", help="Who orders the work there.")
@click.option("--address", metavar="TEXT", help="Where it is.")
@click.option("--time-zone", metavar="ZONE", help="Its time zone, a name of the IANA list: Europe/Oslo.")
@data_option
def set_facts(*, site: str, customer: str | None, address: str | None, time_zone: str | None, data: str | None) -> None:
    """Keep facts about a SITE; each replaces the earlier one.

    \b
        meterlink site set Bakery --customer "Harbour Foods" --address "Mill Lane"
        meterlink site set Bakery --time-zone Europe/Oslo

    None of them is needed. A report gives the times in the zone of the site; listings on this machine, --since and
    --until are in the zone of the machine.

    \f

    Raises:
        click.UsageError: no fact is given.
        InputError: there is no such site.
    """
    # The zone first: it is the one that can be wrong, and then nothing is changed.
    given = {SiteFact.TIME_ZONE: time_zone, SiteFact.CUSTOMER: customer, SiteFact.ADDRESS: address}
    facts = {fact: text for fact, text in given.items() if text is not None}
    if not facts:
        raise click.UsageError("Nothing to keep: give --customer, --address or --time-zone.")
    found = _find(_sites(data), site)
    for fact, text in facts.items():
        send_command(data_dir(data), CommandName.SET_SITE_FACT, site=found.name, fact=fact, text=text)
    click.echo("Kept.")


@command.command()
@_site
@click.argument("fact", metavar="FACT", type=NamedChoice(list(_FACTS)))
@data_option
def unset(*, site: str, fact: str, data: str | None) -> None:
    """Remove a FACT about a SITE: customer, address or time-zone.

    \b
        meterlink site unset Bakery address

    \f

    Raises:
        InputError: there is no such site.
    """
    found = _find(_sites(data), site)
    send_command(data_dir(data), CommandName.SET_SITE_FACT, site=found.name, fact=_FACTS[fact])
    click.echo("Removed.")


@command.command()
@_site
@click.argument("name", metavar="NAME")
@data_option
def rename(*, site: str, name: str, data: str | None) -> None:
    """Give a SITE another NAME.

    \b
        meterlink site rename "Mill Lane bakery" "Mill Lane bakery and café"
    """
    send_command(data_dir(data), CommandName.RENAME_SITE, site=site, to_site=name)
    click.echo(f"The site is {printable_text(name)} now.")


@command.command()
@_site
@click.argument("into", metavar="INTO", shell_complete=complete_site)
@data_option
def merge(*, site: str, into: str, data: str | None) -> None:
    """Give the units of a SITE to the site INTO; units of the same name are merged.

    \b
        meterlink site merge "Mill lane Bakery" "Mill Lane bakery"

    Of customer, address and time zone, the newer entry counts.
    """
    send_command(data_dir(data), CommandName.MERGE_SITES, site=site, to_site=into)
    click.echo(f"The units of {printable_text(site)} are at {printable_text(into)} now.")


@command.command()
@_site
@click.option("--units", is_flag=True, help="The names of its units, too: they become pseudonyms.")
@yes_option
@data_option
def forget(*, site: str, units: bool, yes: bool, data: str | None) -> None:
    """Remove the personal data of a SITE; its measurements stay.

    \b
        meterlink site forget Bakery
        meterlink site forget Bakery --units --yes

    The name becomes a pseudonym, such as 'site 7f3a'. Customer, address, notes, photos and locations of its units are
    deleted; technician, job, notes and typed reasons of its visits read 'removed'. Messages on them that wait for the
    broker are deleted. The seals stay valid. It lists everything first, and asks you to type the name. The file is
    written anew, which takes room for a second copy of it. Backups and exports made earlier keep the data.

    \f

    Raises:
        InputError: there is no such site.
    """
    found = _find(_sites(data), site)
    folder = existing_data_dir(data)
    removal = _reader(data).site_removal(found.name, units=units)
    if not confirm_removal(removal, folder, found.name, yes=yes):
        click.echo("Nothing is removed.")
        return
    more = {"text": "units"} if units else {}
    result = send_command(folder, CommandName.FORGET_SITE, site=found.name, **more)
    print_done(f"The site is {result['site']} now.")


def _reader(data: str | None) -> Reader:
    return Reader(existing_data_dir(data) / DATABASE_FILE)


def _sites(data: str | None) -> list[StoredSite]:
    try:
        return _reader(data).sites()
    except NoDatabaseError:
        return []


def _find(sites: list[StoredSite], name: str) -> StoredSite:
    """Return the site of that name; upper and lower case are alike where no other site has it.

    Raises:
        InputError: there is no such site, or the name is that of several in other cases.
    """
    found = [site for site in sites if site.name == name]
    found = found or [site for site in sites if site.name.casefold() == name.casefold()]
    if len(found) == 1:
        return found[0]
    nearest = did_you_mean(name, [site.name for site in sites])
    raise InputError(f"There is no site {printable_text(name)!r}.", nearest or "List them: meterlink site list")


def _fact_texts(site: StoredSite) -> list[str]:
    return [site.facts.get(fact, "") for fact in SiteFact]


def _fields(site: StoredSite) -> dict[str, object]:
    facts = {str(fact).replace(" ", "_"): site.facts.get(fact) for fact in SiteFact}
    return {"site": site.name, **facts, "units": site.units, "visits": site.visits}
