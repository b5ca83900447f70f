"""``meterlink report``: the report on a visit, for the customer or for the file."""

from collections.abc import Sequence

import click

from meterlink.cli.completion import complete_site, complete_unit, complete_visit
from meterlink.cli.output import printable_text
from meterlink.cli.output_file import STANDARD_OUTPUT, form_of_ending, refuse_on_terminal, write_output
from meterlink.cli.paper import paper_option
from meterlink.cli.stored_visits import find_visit, newest_visit
from meterlink.core.errors import InputError
from meterlink.core.text import did_you_mean
from meterlink.record.html import html_report
from meterlink.record.json import json_report
from meterlink.record.markdown import markdown_report
from meterlink.record.model import Report, Voice
from meterlink.record.paper import Paper
from meterlink.record.pdf import pdf_report
from meterlink.record.report import make_report
from meterlink.settings import DATABASE_FILE, existing_data_dir, load_settings
from meterlink.station.visit_record import read_visit_record
from meterlink.store.reader import Reader
from meterlink.store.rows import StoredVisit

_FORMATS = {".html": "html", ".htm": "html", ".pdf": "pdf", ".md": "md", ".json": "json"}


@click.command("report", short_help="Write the report on a visit.")
@click.argument("visit", metavar="[VISIT]", default="", shell_complete=complete_visit)
@click.option("--last", is_flag=True, help="The newest visit; the default.")
@click.option("--unit", default="", shell_complete=complete_unit, help="The newest visit to this unit.")
@click.option("--site", default="", shell_complete=complete_site, help="The site of --unit, if several have one.")
@click.option(
    "--format",
    "form",
    type=click.Choice(["html", "pdf", "md", "json"]),
    help="Default: by the ending of FILE; html without one.",
)
@click.option(
    "--voice",
    type=click.Choice(list(map(str, Voice))),
    default=str(Voice.CUSTOMER),
    show_default=True,
    help="customer: a page or two; technical: everything. JSON always has everything.",
)
@paper_option("The paper of a PDF; HTML prints on both.")
@click.option("--anonymous", is_flag=True, help="Leave out names, addresses, notes, photos; times are UTC.")
@click.option("-o", "output", default=STANDARD_OUTPUT, metavar="FILE", help="Default: - (standard output).")
@click.option("--data", metavar="DIR", help="Data folder of the station.")
def command(
    visit: str,
    unit: str,
    site: str,
    form: str | None,
    voice: str,
    paper: str,
    output: str,
    data: str | None,
    *,
    last: bool,
    anonymous: bool,
) -> None:
    """Write the report on a VISIT (its id or the beginning; default: the newest): its parts, readings and verdicts.

    \b
        meterlink report --last -o report.html
        meterlink report 7f3a --voice technical -o report.pdf
        meterlink report --unit "Condenser 1" --format md

    The HTML is one file that loads nothing, and prints on A4 and Letter. PDF needs pip install 'meterlink[pdf]'.
    Works while the station runs. The firm at its head is in settings.toml, table [firm].

    \f

    Raises:
        click.UsageError: more than one of VISIT, --last and --unit is given, or --site without --unit, or no
            format has the ending of FILE, or a PDF would go to a terminal.
    """
    if sum(map(bool, (visit, last, unit))) > 1:
        raise click.UsageError("Give one of VISIT, --last and --unit.")
    if site and not unit:
        raise click.UsageError("--site says where --unit is: give that, too.")
    form = form or form_of_ending(output, _FORMATS, "html")
    if form == "pdf":
        refuse_on_terminal(output, form)
    folder = existing_data_dir(data)
    reader = Reader(folder / DATABASE_FILE)
    stored = _choose_visit(reader.visits(), visit, unit, site)
    report = make_report(read_visit_record(reader, stored, folder, load_settings(folder), anonymous=anonymous))
    if report.logo is not None and report.logo.remark:
        click.echo(f"The logo {report.logo.name} is not in the report. {report.logo.remark}", err=True)
    content = _render(report, form, Voice(voice), Paper(paper))
    write_output(output, content)
    if output != STANDARD_OUTPUT:
        click.echo(f"The report on {printable_text(stored.site.name)} / {printable_text(stored.site.unit)}: {output}")


def _render(report: Report, form: str, voice: Voice, paper: Paper) -> bytes:
    """Return the bytes of the report; a text is UTF-8 in any terminal."""
    match form:
        case "json":
            return json_report(report).encode()
        case "md":
            return markdown_report(report, voice).encode()
        case "pdf":
            document = pdf_report(report, voice, paper)
            if document.remark:
                click.echo(document.remark, err=True)
            return document.content
        case _:
            return html_report(report, voice).encode()


def _choose_visit(visits: Sequence[StoredVisit], uid: str, unit: str, site: str) -> StoredVisit:
    newest = newest_visit(visits)
    if uid:
        return find_visit(visits, uid)
    if not unit:
        return newest
    found = [
        visit
        for visit in visits
        if visit.site.unit.casefold() == unit.casefold() and site.casefold() in {"", visit.site.name.casefold()}
    ]
    if not found:
        nearest = did_you_mean(unit, [visit.site.unit for visit in visits])
        where = f" at {printable_text(site)!r}" if site else ""
        raise InputError(
            f"No visit is to a unit {printable_text(unit)!r}{where}.", nearest or "List them: meterlink visit list"
        )
    if len({visit.site for visit in found}) > 1:
        names = ", ".join(dict.fromkeys(printable_text(visit.site.name) for visit in found))
        raise InputError(f"Several sites have a unit {printable_text(unit)!r}: {names}.", "Name one with --site.")
    return found[-1]
