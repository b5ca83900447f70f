"""``meterlink diagnose``: what the held readings of a visit point to."""

import json
from contextlib import suppress

import click

from meterlink.cli.diagnosis_output import as_lines, as_object, case_options, derived_lines, read_mains, read_minimum
from meterlink.core.equipment import TestPoint
from meterlink.core.errors import InputError
from meterlink.core.text import clean_name
from meterlink.diagnosis.engine import diagnose
from meterlink.diagnosis.observations import Case, Observation, Takes, accuracy_of, judged_again
from meterlink.diagnosis.rules_page import page
from meterlink.judge.judging import Measured
from meterlink.settings import DATABASE, data_dir, load_settings
from meterlink.station.diagnosis import derived_of, derived_views, mains_of
from meterlink.station.visit import ActiveVisit, Held
from meterlink.store.reader import Reader
from meterlink.store.rows import HistoryRow, KeptVisit

LATEST = "latest"
_LONGEST = 80  # characters of a name out of the database; more would be somebody else's text


@click.command("diagnose", short_help="Say what a visit's readings point to, and why.")
@click.option("--data", metavar="DIR", help="Data folder of the station.")
@click.option("--visit", default=LATEST, show_default=True, metavar="UID", help="Which visit.")
@case_options
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
        click.echo(page(), nl=False)
        return
    hertz, minimum = read_mains(mains), read_minimum(ground_minimum)
    folder = data_dir(data)
    reader = Reader(folder / DATABASE)
    kept = _chosen(reader.visits(), visit)
    rows = reader.history(visit=kept.uid)
    visit_again = _again(reader, kept, rows, load_settings(folder).capacitor_tolerance)
    derived = derived_of(visit_again)
    diagnosis = diagnose(Case(takes_of(rows), hertz or mains_of(visit_again.derived), minimum))
    if as_json:
        place = {"visit": kept.uid, "site": kept.place.site, "unit": kept.place.unit}
        # ASCII only, as in history: whatever encoding a pipe has, it arrives unharmed.
        worked_out = {"derived": derived_views(derived)}
        click.echo(json.dumps({**place, **as_object(diagnosis), **worked_out}, indent=2))
        return
    click.echo(f"{_clean(kept.place.site)} / {_clean(kept.place.unit)}, {len(rows)} held readings")
    for line in (*as_lines(diagnosis), *derived_lines(derived)):
        click.echo(line)


def _chosen(visits: list[KeptVisit], wanted: str) -> KeptVisit:
    if not visits:
        raise InputError("There is no visit in this data folder yet.", "Name another with --data DIR.")
    if wanted == LATEST:
        return visits[-1]
    found = next((kept for kept in visits if kept.uid == wanted), None)
    if found is None:
        raise InputError(f"There is no visit {clean_name(wanted)!r}.", "meterlink history --json lists them.")
    return found


def _again(reader: Reader, kept: KeptVisit, rows: list[HistoryRow], capacitor_tolerance: str) -> ActiveVisit:
    """Return the visit as it stood, with the ratings read off the parts since its plan was made."""
    found = reader.plan(kept.uid)
    visit = ActiveVisit(kept.place, found.plan, kept.opened.utc_ns, capacitor_tolerance)
    for key in {check.point("capacitor") for check in visit.derived} & found.ratings.keys():
        with suppress(InputError):  # it was kept by another version; what was held still has its limits
            visit.rate(str(key), found.ratings[str(key)])
    for row in rows:
        visit.keep(row.point, Held(row.reading, row.judgement, row.meter.name or row.meter.address, row.settled_in))
    return visit


def takes_of(rows: list[HistoryRow]) -> tuple[Takes, ...]:
    """Return the test points of a visit's held readings, in the order they were first held, with their takes."""
    one_boot = len({row.boot for row in rows}) == 1
    by_key: dict[str, list[HistoryRow]] = {}
    for row in rows:
        by_key.setdefault(row.point, []).append(row)
    return tuple(
        judged_again(_point(held[0]), tuple(_observation(row, one_boot=one_boot) for row in held))
        for held in by_key.values()
    )


def _point(row: HistoryRow) -> TestPoint:
    return TestPoint(
        key=row.point,
        circuit=_clean(row.circuit),
        component=_clean(row.component),
        section=_clean(row.section),
        terminals=(_clean(row.terminals[0]), _clean(row.terminals[1])),
        quantity=row.reading.quantity,
        state=row.state,
        check=row.check,
    )


def _observation(row: HistoryRow, *, one_boot: bool) -> Observation:
    reading = row.reading
    # Within one boot the monotonic clock is right whatever the wall clock did.
    at = reading.stamp.monotonic_ns if one_boot else reading.stamp.utc_ns
    return Observation(
        number=row.id,
        measured=Measured.from_reading(reading),
        accuracy=accuracy_of(row.judgement.accuracy, reading.quantity),
        judgement=row.judgement,
        meter=_clean(row.meter.name or row.meter.address),
        at=at * 1e-9 if one_boot or row.clock_set is not False else None,
        coupling=reading.coupling,
        low_battery=reading.low_battery,
    )


def _clean(text: str) -> str:
    return clean_name(text, _LONGEST)
