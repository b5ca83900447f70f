"""``meterlink diagnose``: what the held readings of a visit point to."""

import json
from contextlib import suppress

import click

from meterlink.cli.diagnosis_output import (
    derived_lines,
    diagnosis_fields,
    diagnosis_lines,
    diagnosis_options,
    parse_ground_minimum,
    parse_mains_frequency,
)
from meterlink.core.equipment import TestPoint
from meterlink.core.errors import InputError
from meterlink.core.text import clean_text
from meterlink.diagnosis.engine import diagnose
from meterlink.diagnosis.observations import (
    Case,
    Observation,
    PointReadings,
    judge_with_known_limits,
    parse_recorded_accuracy,
)
from meterlink.diagnosis.rules_page import render_rules_page
from meterlink.judge.judging import MeasuredValue
from meterlink.settings import DATABASE_FILE, data_dir, load_settings
from meterlink.station.diagnosis import derived_results, derived_views, supply_frequency
from meterlink.station.visit import AcceptedReading, ActiveVisit
from meterlink.store.reader import Reader
from meterlink.store.rows import HistoryRow, StoredVisit

LATEST_VISIT = "latest"
_MAX_NAME_LENGTH = 80  # characters of a name out of the database; more would be somebody else's text


@click.command("diagnose", short_help="Say what a visit's readings point to, and why.")
@click.option("--data", metavar="DIR", help="Data folder of the station.")
@click.option("--visit", default=LATEST_VISIT, show_default=True, metavar="UID", help="Which visit.")
@diagnosis_options
@click.option("--rules", "show_rules", is_flag=True, help="Print every rule, as Markdown, and do nothing else.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object, for programs.")
def command(
    data: str | None,
    visit: str,
    mains: str | None,
    ground_minimum: str | None,
    *,
    show_rules: bool,
    as_json: bool,
) -> None:
    """Say what a visit's held readings point to: what speaks for it, what against, and what to measure next.

    Works while the station runs. Findings that contradict each other are all shown. With --json the object has the keys
    visit, site, unit, summary, notes, findings and derived; each finding has rule, title, blames (stop, measurement,
    connection, upstream, part), confidence (very likely, likely, possible, unlikely), score, for, against, next,
    caution, beside. What the visit's plan works out of several readings is derived: key, title, kind (unbalance,
    under-load, windings, split), verdict and margin (null where it says nothing), value, text, basis, missing.
    """
    if show_rules:
        click.echo(render_rules_page(), nl=False)
        return
    hertz, minimum = parse_mains_frequency(mains), parse_ground_minimum(ground_minimum)
    folder = data_dir(data)
    reader = Reader(folder / DATABASE_FILE)
    kept = _find_visit(reader.visits(), visit)
    rows = reader.history(visit_uid=kept.uid)
    visit_again = _restore_visit(reader, kept, rows, load_settings(folder).capacitor_tolerance)
    derived = derived_results(visit_again)
    diagnosis = diagnose(Case(make_point_readings(rows), hertz or supply_frequency(visit_again.derived), minimum))
    if as_json:
        place = {"visit": kept.uid, "site": kept.site.name, "unit": kept.site.unit}
        # ASCII only, as in history: whatever encoding a pipe has, it arrives unharmed.
        worked_out = {"derived": derived_views(derived)}
        click.echo(json.dumps({**place, **diagnosis_fields(diagnosis), **worked_out}, indent=2))
        return
    click.echo(f"{_clean(kept.site.name)} / {_clean(kept.site.unit)}, {len(rows)} held readings")
    for line in (*diagnosis_lines(diagnosis), *derived_lines(derived)):
        click.echo(line)


def _find_visit(visits: list[StoredVisit], uid: str) -> StoredVisit:
    if not visits:
        raise InputError("There is no visit in this data folder yet.", "Name another with --data DIR.")
    if uid == LATEST_VISIT:
        return visits[-1]
    found = next((kept for kept in visits if kept.uid == uid), None)
    if found is None:
        raise InputError(f"There is no visit {clean_text(uid)!r}.", "meterlink history --json lists them.")
    return found


def _restore_visit(reader: Reader, kept: StoredVisit, rows: list[HistoryRow], capacitor_tolerance: str) -> ActiveVisit:
    """Return the visit as it stood, with the ratings read off the parts since its plan was made."""
    found = reader.plan(kept.uid)
    visit = ActiveVisit(kept.site, found.plan, kept.opened.utc_ns, capacitor_tolerance)
    for key in {check.input_key("capacitor") for check in visit.derived} & found.ratings.keys():
        with suppress(InputError):  # it was kept by another version; what was held still has its limits
            visit.set_rating(str(key), found.ratings[str(key)])
    for row in rows:
        visit.add_accepted(
            row.point_key,
            AcceptedReading(row.reading, row.judgement, row.meter.name or row.meter.address, row.settled_in),
        )
    return visit


def make_point_readings(rows: list[HistoryRow]) -> tuple[PointReadings, ...]:
    """Return the test points of a visit's held readings, in the order they were first held, with their takes."""
    one_boot = len({row.boot for row in rows}) == 1
    by_key: dict[str, list[HistoryRow]] = {}
    for row in rows:
        by_key.setdefault(row.point_key, []).append(row)
    return tuple(
        judge_with_known_limits(_test_point(held[0]), tuple(_observation(row, one_boot=one_boot) for row in held))
        for held in by_key.values()
    )


def _test_point(row: HistoryRow) -> TestPoint:
    return TestPoint(
        key=row.point_key,
        circuit=_clean(row.circuit),
        component=_clean(row.component),
        section=_clean(row.section),
        terminals=(_clean(row.terminals[0]), _clean(row.terminals[1])),
        quantity=row.reading.quantity,
        state=row.state,
        kind=row.kind,
    )


def _observation(row: HistoryRow, *, one_boot: bool) -> Observation:
    reading = row.reading
    # Within one boot the monotonic clock is right whatever the wall clock did.
    at = reading.timestamp.monotonic_ns if one_boot else reading.timestamp.utc_ns
    return Observation(
        number=row.id,
        measured=MeasuredValue.from_reading(reading),
        accuracy=parse_recorded_accuracy(row.judgement.accuracy, reading.quantity),
        judgement=row.judgement,
        meter=_clean(row.meter.name or row.meter.address),
        time=at * 1e-9 if one_boot or row.clock_set is not False else None,
        coupling=reading.coupling,
        low_battery=reading.low_battery,
    )


def _clean(text: str) -> str:
    return clean_text(text, _MAX_NAME_LENGTH)
