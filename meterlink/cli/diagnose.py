"""``meterlink diagnose``: the likely causes behind the accepted readings of a visit."""

import click

from meterlink.cli.completion import complete_visit
from meterlink.cli.diagnosis_output import (
    derived_lines,
    diagnosis_fields,
    diagnosis_lines,
    diagnosis_options,
    parse_ground_minimum,
    parse_mains_frequency,
)
from meterlink.cli.output import Form, listing_options, printable_text
from meterlink.cli.stored_visits import find_visit
from meterlink.core.errors import InputError
from meterlink.diagnosis.rules_page import render_rules_page
from meterlink.settings import DATABASE_FILE, existing_data_dir, load_settings
from meterlink.station.diagnosis import derived_views
from meterlink.station.replacements import replacement_sentences
from meterlink.station.rules import shipped_rules
from meterlink.station.stored_diagnosis import diagnose_stored
from meterlink.station.truck import capacitor_entries
from meterlink.store.reader import Reader
from meterlink.store.rows import StoredVisit

LATEST_VISIT = "latest"


@click.command("diagnose", short_help="Show the likely causes behind a visit's readings.")
@click.option("--data", metavar="DIR", help="Data folder of the station.")
@click.option(
    "--visit",
    default=LATEST_VISIT,
    show_default=True,
    metavar="VISIT",
    shell_complete=complete_visit,
    help="The visit's id, or its beginning.",
)
@diagnosis_options
@click.option("--rules", "show_rules", is_flag=True, help="Only print every rule, as Markdown.")
@listing_options("title", "kind", "confidence", "score", "is_decided", "next_measurement")
def command(
    data: str | None,
    visit: str,
    mains: str | None,
    ground_minimum: str | None,
    *,
    show_rules: bool,
    form: Form,
) -> None:
    """Show the likely causes behind a visit's readings, each with its evidence and the next measurement.

    \b
        meterlink diagnose
        meterlink diagnose --visit 7f3a --mains 60Hz

    Works while the station runs. Causes that contradict each other are all shown. With --json the object has the keys
    visit_uid, site, unit, summary, notes, causes, repairs, questions, replacements and derived; each cause has rule,
    title, kind (stop, measurement, connection, upstream, part), confidence (very likely, likely, possible, unlikely,
    cannot tell until measured again), score, evidence_for, evidence_against, next_measurement, caution, related,
    is_decided (whether nothing is left to measure). Each of repairs has part, terminals, outcome (proven, new part
    within, new part outside, not proven) and text; each of questions has question and choices (key, words, conclusion).
    replacements has a sentence for each failed capacitor, on the parts on the truck. derived lists the
    results derived from several readings: key, title, kind (unbalance, under-load, windings, split), verdict and margin
    (null if not judged), value, text, basis, missing.

    \f

    Raises:
        click.UsageError: --rules and --json are both given.
    """
    if show_rules and form.is_for_programs:
        raise click.UsageError("--rules prints Markdown: leave --json and --lines out.")
    if show_rules:
        click.echo(render_rules_page(shipped_rules()), nl=False)
        return
    hertz, minimum = parse_mains_frequency(mains), parse_ground_minimum(ground_minimum)
    folder = existing_data_dir(data)
    reader = Reader(folder / DATABASE_FILE)
    stored_visit = _find_visit(reader.visits(), visit)
    found = diagnose_stored(reader, stored_visit.uid, load_settings(folder), hertz, minimum)
    diagnosis, derived = found.diagnosis, found.derived
    on_the_truck = list(replacement_sentences(found.visit, capacitor_entries(reader.stock())).values())
    site = stored_visit.site
    fields = {
        "visit_uid": stored_visit.uid,
        "site": site.name,
        "unit": site.unit,
        **diagnosis_fields(diagnosis),
        "replacements": on_the_truck,
        "derived": derived_views(derived),
    }
    if form.prints(fields, fields["causes"]):
        return
    click.echo(
        f"{printable_text(site.name)} / {printable_text(site.unit)}, {found.number_of_readings} accepted readings"
    )
    for line in (*diagnosis_lines(diagnosis, on_the_truck), *derived_lines(derived)):
        click.echo(line)


def _find_visit(visits: list[StoredVisit], uid: str) -> StoredVisit:
    if not visits:
        raise InputError("There is no visit in this data folder yet.", "Give another data folder with --data DIR.")
    if uid == LATEST_VISIT:
        return visits[-1]
    return find_visit(visits, uid)
