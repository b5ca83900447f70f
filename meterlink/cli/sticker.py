"""``meterlink sticker``: a tag for the inside of a unit, with the rating of a part and its value when new."""

from collections.abc import Iterable, Mapping, Sequence
from datetime import tzinfo

import click

from meterlink.cli.completion import complete_site, complete_unit
from meterlink.cli.output import data_option, printable_text
from meterlink.cli.output_file import STANDARD_OUTPUT, form_of_ending, refuse_on_terminal, write_output
from meterlink.cli.paper import paper_option
from meterlink.core.equipment import Site, TestPoint
from meterlink.core.errors import InputError
from meterlink.core.site_facts import SiteFact
from meterlink.core.text import count_phrase, did_you_mean
from meterlink.core.time_zones import find_zone
from meterlink.record.paper import Paper
from meterlink.record.sticker import FittedPart, Sticker, fitted_sticker, parts_there, read_stickers
from meterlink.record.sticker_print import print_sheets, print_stickers
from meterlink.record.sticker_sheet import parse_sheet, parse_size
from meterlink.record.typesetting import PrintForm
from meterlink.settings import DATABASE_FILE, existing_data_dir
from meterlink.store.reader import Reader
from meterlink.store.rows import HistoryRow, StoredUnit, StoredVisit

_USUAL_SIZE = "60x40"


@click.command("sticker", short_help="Print a tag for the inside of a unit.")
@click.argument("unit", shell_complete=complete_unit)
@click.option("--site", default="", shell_complete=complete_site, help="The site, if several have such a unit.")
@click.option("--part", default="", metavar="NAME", help="This part only: run capacitor.")
@click.option("--size", default=_USUAL_SIZE, show_default=True, metavar="WxH", help="Width and height in mm.")
@click.option("--sheet", default="", metavar="CxR:WxH", help="A sheet of stickers: columns, rows, size of one in mm.")
@paper_option("The paper of a sheet.")
@click.option("--margins", default="", metavar="LxT", help="Left and top margin of the sheet in mm; default: centred.")
@click.option("--skip", default=0, metavar="N", help="Stickers of the sheet that are used already.")
@click.option("--qr", is_flag=True, help="Add a QR code of the same text, which is read without a network.")
@click.option("--format", "form", type=click.Choice(list(map(str, PrintForm))), help="Default: by the ending of FILE.")
@click.option("-o", "output", required=True, metavar="FILE", help="A .pdf, .svg or .png; - is standard output.")
@data_option
def command(
    *,
    unit: str,
    site: str,
    part: str,
    size: str,
    sheet: str,
    paper: str,
    margins: str,
    skip: int,
    qr: bool,
    form: str | None,
    output: str,
    data: str | None,
) -> None:
    """Print a tag to stick inside UNIT for the next technician: the part, its rating, and its value when new.

    \b
        meterlink sticker "Condenser 1" -o sticker.pdf
        meterlink sticker "Condenser 1" --part "run capacitor" --qr -o new.png
        meterlink sticker "Condenser 1" --sheet 3x8:70x37 --skip 4 -o sheet.pdf

    There is a sticker for each part that was fitted and is still there; where nothing was replaced, for each part whose
    rating was read. Nothing personal is on a sticker. Type that is too small to be read is refused.
    Works while the station runs.

    \f

    Raises:
        click.UsageError: --margins, --paper or --skip is given without --sheet, --size is given with it, no format
            has the ending of FILE, or a PDF or a PNG would go to a terminal.
        InputError: there is no such unit or part, no rating of it is known, or the sticker does not fit.
    """
    if not sheet and (margins or skip or paper != Paper.A4):
        raise click.UsageError("--margins, --paper and --skip are those of a sheet: give --sheet, too.")
    if sheet and size != _USUAL_SIZE:
        raise click.UsageError("--sheet has the size of its stickers: leave --size out.")
    made_as = PrintForm(form) if form else form_of_ending(output, {f".{known}": known for known in PrintForm})
    if made_as is not PrintForm.SVG:
        refuse_on_terminal(output, made_as)
    on_sheet = parse_sheet(sheet, Paper(paper), margins) if sheet else None
    dimensions = parse_size(size)
    reader = Reader(existing_data_dir(data) / DATABASE_FILE)
    found = _find_unit(reader.units(), unit, site)
    zone = find_zone(reader.site_facts(found.site.name).get(SiteFact.TIME_ZONE, ""))
    stickers = _stickers(reader, found, part, zone)
    if on_sheet is None:
        files = print_stickers(stickers, dimensions, made_as, with_code=qr)
    else:
        files = print_sheets(stickers, on_sheet, skip, made_as, with_code=qr)
    if len(files) > 1:
        names = ", ".join(dict.fromkeys(sticker.part for sticker in stickers))
        raise InputError(
            f"A {made_as.upper()} has one page, and these are {len(files)}: {names}.",
            "Name one with --part, or write a .pdf.",
        )
    write_output(output, files[0])
    if output == STANDARD_OUTPUT:
        return
    measures = f"{dimensions[0]:f} x {dimensions[1]:f} mm" if on_sheet is None else f"on {on_sheet.paper.upper()}"
    click.echo(f"{count_phrase(len(stickers), 'sticker').capitalize()}, {measures}: {output}")
    for sticker in stickers:
        click.echo(f"  {sticker.plain_text.replace(chr(10), '; ')}")


def _find_unit(units: Sequence[StoredUnit], name: str, site: str) -> StoredUnit:
    """Return the unit with this name, at this site unless that is empty.

    Raises:
        InputError: there is none, or several sites have one.
    """
    found = [
        unit
        for unit in units
        if unit.site.unit.casefold() == name.casefold() and site.casefold() in {"", unit.site.name.casefold()}
    ]
    if not found:
        where = f" at {printable_text(site)!r}" if site else ""
        nearest = did_you_mean(name, [unit.site.unit for unit in units])
        raise InputError(
            f"There is no unit {printable_text(name)!r}{where}.", nearest or "List them: meterlink unit list"
        )
    if len(found) > 1:
        sites = ", ".join(printable_text(unit.site.name) for unit in found)
        raise InputError(f"Several sites have a unit {printable_text(name)!r}: {sites}.", "Name one with --site.")
    return found[0]


def _stickers(reader: Reader, unit: StoredUnit, wanted: str, zone: tzinfo | None) -> list[Sticker]:
    """Return the stickers of a unit, or of the part ``wanted``; name on standard error the parts without a rating.

    Raises:
        InputError: there is no such part, or no rating is known.
    """
    visits = [visit for visit in reader.visits() if visit.site == unit.site]
    visits.sort(key=lambda visit: visit.opened.utc_ns)  # those of another station may have come in later
    fitted = _fitted(reader, unit.site, visits)
    names = dict.fromkeys([*(part.component for part in fitted), *(rating.component for rating in unit.ratings)])
    if wanted and wanted.casefold() not in map(str.casefold, names):
        listed = ", ".join(map(printable_text, names)) or "none"
        remedy = did_you_mean(wanted, names) or f"Parts that were fitted, or whose rating was read: {listed}."
        raise InputError(f"Nothing is known of a part {printable_text(wanted)!r}.", remedy)
    chosen = [part for part in fitted if wanted.casefold() in {"", part.component.casefold()}]
    if chosen:
        stickers = []
        for part in chosen:
            begin = next(place for place, visit in enumerate(visits) if visit.uid == part.stored.visit_uid)
            sticker = fitted_sticker(part, unit.ratings, _rows(reader, visits[begin:]), zone)
            if sticker is None:
                click.echo(f"No sticker for the {printable_text(part.component)}: its rating was not read.", err=True)
            else:
                stickers.append(sticker)
    else:
        ratings = [rating for rating in unit.ratings if wanted.casefold() in {"", rating.component.casefold()}]
        stickers = read_stickers(ratings, _points(reader, visits), _rows(reader, visits), zone)
    if not stickers:
        raise InputError(
            f"No rating of a part of {printable_text(unit.site.unit)} is known.",
            "Enter one in a visit: meterlink visit rating.",
        )
    return stickers


def _fitted(reader: Reader, site: Site, visits: Sequence[StoredVisit]) -> list[FittedPart]:
    """Return the parts that were fitted in a unit and are still there."""
    replacements = [stored for stored in reader.replacements() if stored.site == site]
    plans = {uid: reader.plan(uid).plan.points for uid in {stored.visit_uid for stored in replacements}}
    order = {visit.uid: place for place, visit in enumerate(visits)}
    replacements.sort(key=lambda stored: order.get(stored.visit_uid, -1))
    return parts_there((stored, plans[stored.visit_uid]) for stored in replacements)


def _points(reader: Reader, visits: Iterable[StoredVisit]) -> Mapping[str, TestPoint]:
    """Return the test points of all visits by their key; the newest counts."""
    return {point.key: point for visit in visits for point in reader.plan(visit.uid).plan.points}


def _rows(reader: Reader, visits: Iterable[StoredVisit]) -> list[HistoryRow]:
    return [row for visit in visits for row in reader.history(visit_uid=visit.uid)]
