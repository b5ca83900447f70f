"""``meterlink site``: the names of the sites."""

import click

from meterlink.cli.completion import complete_site
from meterlink.cli.lazy_group import CommandGroup
from meterlink.cli.output import data_option, printable_text
from meterlink.cli.station_command import send_command
from meterlink.link.messages import CommandName
from meterlink.settings import data_dir


@click.group(cls=CommandGroup)
def command() -> None:
    """Rename and merge sites; `meterlink unit list` lists them with their units."""


@command.command()
@click.argument("site", metavar="SITE", shell_complete=complete_site)
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
@click.argument("site", metavar="SITE", shell_complete=complete_site)
@click.argument("into", metavar="INTO", shell_complete=complete_site)
@data_option
def merge(*, site: str, into: str, data: str | None) -> None:
    """Give the units of a SITE to the site INTO; units of the same name are merged.

    \b
        meterlink site merge "Mill lane Bakery" "Mill Lane bakery"
    """
    send_command(data_dir(data), CommandName.MERGE_SITES, site=site, to_site=into)
    click.echo(f"The units of {printable_text(site)} are at {printable_text(into)} now.")
