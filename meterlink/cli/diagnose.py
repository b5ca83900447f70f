"""``meterlink diagnose``: the likely causes behind the accepted readings of a visit."""

from collections.abc import Sequence
from dataclasses import dataclass

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
from meterlink.cli.row_points import point_of_row
from meterlink.cli.stored_visits import find_visit
from meterlink.core.errors import InputError
from meterlink.core.replacements import Replacement
from meterlink.core.units import Amount
from meterlink.diagnosis.causes import Diagnosis
from meterlink.diagnosis.derived_points import DerivedResult
from meterlink.diagnosis.engine import diagnose
from meterlink.diagnosis.observations import (
    Case,
    Observation,
    PointReadings,
    is_evidence,
    judge_each_part,
    parse_recorded_accuracy,
)
from meterlink.diagnosis.rules_page import render_rules_page
from meterlink.judge.electrical.insulation import DEFAULT_INSULATION_MINIMUM
from meterlink.judge.judging import MeasuredValue
from meterlink.settings import DATABASE_FILE, Settings, existing_data_dir, load_settings
from meterlink.station.diagnosis import VisitDiagnosis, derived_views, supply_frequency
from meterlink.station.replacements import replacement_sentences
from meterlink.station.rules import shipped_rules
from meterlink.station.truck import capacitor_entries
from meterlink.station.visit import ActiveVisit
from meterlink.station.visit_desk import resumed_visit
from meterlink.store.reader import Reader
from meterlink.store.rows import HistoryRow, StoredVisit

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
    if show_rules and (form.as_json or form.as_lines):
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


@dataclass(frozen=True, slots=True)
class StoredDiagnosis:
    """The diagnosis of a visit in the database, its derived results, and the visit as a station would resume it.

    ``number_of_readings`` counts the readings that are not voided.
    """

    diagnosis: Diagnosis
    derived: Sequence[DerivedResult]
    visit: ActiveVisit
    number_of_readings: int


def diagnose_stored(
    reader: Reader,
    uid: str,
    settings: Settings,
    hertz: float | None = None,
    minimum: Amount = DEFAULT_INSULATION_MINIMUM,
) -> StoredDiagnosis:
    """Return the diagnosis of the visit ``uid``, which is in the database.

    ``hertz`` is the supply frequency, None for the plan's; ``minimum`` is the lowest good resistance to ground.

    Raises:
        PlanError: the visit's plan cannot be read by this version.
    """
    rows = reader.history(visit_uid=uid, voided=False)
    replacements = tuple(stored.replacement for stored in reader.replacements(uid))
    found = reader.visit(uid)
    assert found is not None  # noqa: S101  # it is in the list
    visit = resumed_visit(found, settings)
    case = Case(
        make_point_readings(rows, replacements), hertz or supply_frequency(visit.derived), minimum, replacements
    )
    return StoredDiagnosis(diagnose(case, shipped_rules()), VisitDiagnosis(visit).derived, visit, len(rows))


def _find_visit(visits: list[StoredVisit], uid: str) -> StoredVisit:
    if not visits:
        raise InputError("There is no visit in this data folder yet.", "Give another data folder with --data DIR.")
    if uid == LATEST_VISIT:
        return visits[-1]
    return find_visit(visits, uid)


def make_point_readings(rows: list[HistoryRow], replacements: Sequence[Replacement] = ()) -> tuple[PointReadings, ...]:
    """Return the test points of a visit with their readings, in the order of their first accepted readings.

    ``replacements`` have the `HistoryRow.id` of the last reading before them.
    """
    one_boot = len({row.boot for row in rows}) == 1
    by_key: dict[str, list[HistoryRow]] = {}
    for row in rows:
        by_key.setdefault(row.point_key, []).append(row)
    points = {key: point_of_row(point_rows[-1]) for key, point_rows in by_key.items()}
    covered = [(replacement, replacement.covered_keys(tuple(points.values()))) for replacement in replacements]
    return tuple(
        judge_each_part(
            points[key],
            _observations(point_rows, one_boot=one_boot),
            [replacement for replacement, keys in covered if key in keys],
        )
        for key, point_rows in by_key.items()
    )


def _observations(rows: list[HistoryRow], *, one_boot: bool) -> tuple[Observation, ...]:
    return tuple(_observation(row, one_boot=one_boot) for row in rows if is_evidence(row.reading, row.judgement))


def _observation(row: HistoryRow, *, one_boot: bool) -> Observation:
    reading = row.reading
    # Within one boot the monotonic clock is right, even if somebody set the wall clock.
    nanoseconds = reading.timestamp.monotonic_ns if one_boot else reading.timestamp.utc_ns
    return Observation(
        number=row.id,
        measured=MeasuredValue.from_reading(reading, row.judgement.resolution),
        accuracy=parse_recorded_accuracy(row.judgement.accuracy, reading.quantity),
        judgement=row.judgement,
        meter=printable_text(row.meter.name or row.meter.address),
        time=nanoseconds * 1e-9 if one_boot or row.clock_set is not False else None,
        coupling=reading.coupling,
        low_battery=reading.low_battery,
    )
