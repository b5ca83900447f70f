"""``meterlink visit``: begin, pause, switch and close visits; enter ratings and notes; show the readings."""

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import click

from meterlink.cli.output import printable_text
from meterlink.cli.station_command import send_command
from meterlink.core.clock import format_rfc3339
from meterlink.core.errors import NoDatabaseError, VisitError
from meterlink.core.outcomes import Outcome
from meterlink.link.messages import CommandName
from meterlink.plans import shipped_plans
from meterlink.settings import DATABASE_FILE, data_dir, existing_data_dir, load_settings
from meterlink.store.reader import Reader
from meterlink.store.rows import StoredVisit

_data = click.option(
    "--data", type=click.Path(file_okay=False), help="Data folder; default: the platform's folder for data."
)
_json = click.option("--json", "as_json", is_flag=True, help="Print JSON, for programs.")

_OUTCOMES = click.Choice(list(map(str, Outcome)))


@click.group()
def command() -> None:
    """Begin, pause, switch and close visits; enter ratings and notes.

    A running station does it. Where none runs, the command does it itself.
    """


@command.command()
@click.option("--site", required=True, help="Name of the site.")
@click.option("--unit", required=True, help="Name of the unit: the machine with the nameplate.")
@click.option("--plan", default="", help="A plan file or a shipped plan; default: that of the unit's newest visit.")
@click.option("--technician", default="", help="Who does the job.")
@click.option("--job", default="", help="Number of the job.")
@_data
@_json
def begin(*, site: str, unit: str, plan: str, technician: str, job: str, data: str | None, as_json: bool) -> None:
    """Begin a visit; the visit before is paused. Ratings of the unit's earlier visits are known.

    With --json: visit (its id).
    """
    plan = plan if plan in shipped_plans() or not plan else str(Path(plan).absolute())  # the station's folder differs
    fields = {"site": site, "unit": unit, "plan": plan, "technician": technician, "job": job}
    result = send_command(data_dir(data), CommandName.BEGIN_VISIT, **fields)
    _report(result, f"The visit to {printable_text(unit)}, {printable_text(site)} is open.", as_json=as_json)


@command.command()
@click.argument("visit", metavar="VISIT")
@_data
@_json
def switch(*, visit: str, data: str | None, as_json: bool) -> None:
    """Go on with another open VISIT (its id, see list); the visit before is paused."""
    _report(send_command(data_dir(data), CommandName.SWITCH_VISIT, visit=visit), "The visit goes on.", as_json=as_json)


@command.command()
@_data
@_json
def pause(*, data: str | None, as_json: bool) -> None:
    """Pause the active visit: readings belong to no visit until another begins."""
    _report(send_command(data_dir(data), CommandName.PAUSE_VISIT), "The visit is paused.", as_json=as_json)


@command.command()
@click.option("--outcome", required=True, type=_OUTCOMES, metavar="OUTCOME", help="The state of the unit.")
@_data
@_json
def close(*, outcome: str, data: str | None, as_json: bool) -> None:
    """Close the active visit, and list the test points that are left.

    OUTCOME is repaired, temporary repair, declined, part to be fetched, or no fault found.

    With --json: visit, outcome, untested and outside_not_replaced (keys of
    test points), skipped (point, reason).
    """
    result = send_command(data_dir(data), CommandName.CLOSE_VISIT, outcome=outcome)
    lines = [f"The visit is closed: {outcome}."]
    lines += [f"{title}: {', '.join(keys)}." for title, keys in _left(result).items() if keys]
    _report(result, "\n".join(lines), as_json=as_json)


def _left(result: Mapping[str, Any]) -> dict[str, list[str]]:
    return {
        "Untested": result["untested"],
        "Not sound and not replaced": result["outside_not_replaced"],
        "Skipped": [f"{skipped['point']} ({printable_text(skipped['reason'])})" for skipped in result["skipped"]],
    }


@command.command()
@click.argument("text", metavar="TEXT")
@_data
def note(*, text: str, data: str | None) -> None:
    """Keep a note on the active visit."""
    send_command(data_dir(data), CommandName.NOTE, text=text)
    click.echo("Noted.")


@command.command()
@click.argument("point", metavar="POINT")
@click.option("--reason", required=True, help="Why it is not measured.")
@_data
def skip(*, point: str, reason: str, data: str | None) -> None:
    """Skip the test point POINT (its key), with a reason."""
    send_command(data_dir(data), CommandName.SKIP, point=point, text=reason)
    click.echo("Skipped.")


@command.command()
@click.argument("reading", metavar="READING")
@click.option("--reason", required=True, help="Why it does not count: a typing slip, a wrong terminal.")
@_data
def void(*, reading: str, reason: str, data: str | None) -> None:
    """Void an accepted READING (its id, see show): it is kept, and counts nowhere."""
    send_command(data_dir(data), CommandName.VOID, uid=reading, text=reason)
    click.echo("The reading is voided.")


@command.command()
@click.argument("reading", metavar="READING")
@_data
def unvoid(*, reading: str, data: str | None) -> None:
    """Let a voided READING (its id, see show) count again."""
    send_command(data_dir(data), CommandName.UNVOID, uid=reading)
    click.echo("The reading counts again.")


@command.command()
@click.argument("point", metavar="POINT")
@click.argument("text", metavar="RATING")
@_data
def rating(*, point: str, text: str, data: str | None) -> None:
    """Enter the RATING that is printed on the part at POINT: '35/5 MFD 440V', '14.1 A'."""
    send_command(data_dir(data), CommandName.SET_RATING, point=point, text=text)
    click.echo("The rating is kept.")


@command.command()
@click.argument("point", metavar="POINT")
@click.option("--rating", default="", help="As marked on the new part; may be left out if nothing is marked.")
@click.option("--answer", default="", metavar="CHOICE", help="The answer where the rules object: fitted.")
@click.option("--elsewhere", is_flag=True, help="The part is not off the truck.")
@click.option("--undo", is_flag=True, help="Undo the newest replacement of this part.")
@_data
@_json
def replace(  # the options of one command
    *, point: str, rating: str, answer: str, elsewhere: bool, undo: bool, data: str | None, as_json: bool
) -> None:
    """Record that the part at POINT (the key of a test point) is replaced: '35/5 MFD 440V'.

    The new part is checked against the old one. Readings before belong to the old part; measure the new one: that is
    the proof. A part of this rating on the truck is taken off the stock.

    With --json: visit, replacement (its id), part, points (keys to measure again), old_rating, new_rating, method,
    remarks, stock (rating, left; null for a part from elsewhere), caution.

    \f

    Raises:
        click.UsageError: --undo stands with an option of a new part.
    """
    folder = data_dir(data)
    if undo:
        if rating or answer or elsewhere:
            raise click.UsageError("--undo takes back a replacement: leave the options of the new part out.")
        result = send_command(folder, CommandName.UNDO_REPLACEMENT, point=point)
        lines = [f"The {printable_text(result['part'])} is the old one again."]
    else:
        source = {"source": "elsewhere"} if elsewhere else {}
        texts = {name: text for name, text in (("text", rating), ("answer", answer)) if text}
        result = send_command(folder, CommandName.REPLACE, point=point, **texts, **source)
        new = f": {printable_text(result['new_rating'])}" if result["new_rating"] else ""
        method = f" ({result['method']})" if result["method"] else ""
        lines = [f"The {printable_text(result['part'])} is replaced{new}{method}.", *result["remarks"]]
        lines += [f"Measure the new part: {', '.join(result['points'])}.", result["caution"]]
    if result["stock"] is not None:
        lines.insert(1, f"On the truck: {result['stock']['left']} of {printable_text(result['stock']['rating'])}.")
    click.echo(json.dumps(result) if as_json else "\n".join(lines))


@command.command("list")
@_data
@_json
def list_visits(*, data: str | None, as_json: bool) -> None:
    """List the visits, newest last.

    With --json: an array of visit (its id), site, unit, plan, state (active, paused or closed), opened, closed,
    outcome, technician, job.
    """
    try:
        visits = _reader(data).visits()
    except NoDatabaseError:
        visits = []
    if as_json:
        click.echo(json.dumps([_listed(visit) for visit in visits], indent=2))
        return
    for visit in visits:
        fields = _listed(visit)
        place = f"{printable_text(visit.site.name)} / {printable_text(visit.site.unit)}"
        click.echo(f"{visit.uid}  {fields['opened']}  {fields['state']:6}  {place}  {fields['outcome'] or ''}".rstrip())
    if not visits:
        click.echo("No visits yet.")


@command.command()
@click.argument("visit", metavar="[VISIT]", default="")
@_data
@_json
def show(*, visit: str, data: str | None, as_json: bool) -> None:
    """Show a VISIT (its id; default: the active one): its test points, ratings, limits and readings.

    With --json: the fields of list, and points with key, circuit, component, section, terminals, quantity, coupling,
    state, rating, limits (low, high, unit, basis), readings (accepted, newest last: id, at, text, verdict, margin,
    reason, meter, revision, voided, void_reason, of_old_part, judged_before), notes, and replacements (id, at, part,
    circuit, sections, old_rating, new_rating, off_the_truck).

    \f

    Raises:
        VisitError: there is no such visit.
    """
    from meterlink.station.visit_desk import resumed_visit  # noqa: PLC0415  # only this command needs the station
    from meterlink.station.visit_fields import visit_fields  # noqa: PLC0415

    reader = _reader(data)
    found = reader.visit(visit or None)
    if found is None:
        raise VisitError(
            f"There is no visit {visit}." if visit else "No visit is open.", "List them: meterlink visit list"
        )
    stored = next(stored for stored in reader.visits() if stored.uid == found.ids.uid)
    restored = resumed_visit(found, load_settings(existing_data_dir(data)))
    fields = {
        **_listed(stored),
        **visit_fields(restored, found, reader.visit_notes(stored.uid), reader.earlier_verdicts(stored.uid)),
    }
    click.echo(json.dumps(fields, indent=2) if as_json else "\n".join(_lines(fields)))


def _reader(data: str | None) -> Reader:
    return Reader(existing_data_dir(data) / DATABASE_FILE)


def _listed(visit: StoredVisit) -> dict[str, Any]:
    closed = visit.closed_utc_ns
    return {
        "visit": visit.uid,
        "site": visit.site.name,
        "unit": visit.site.unit,
        "plan": visit.plan,
        "state": "closed" if closed is not None else "active" if visit.active else "paused",
        "opened": format_rfc3339(visit.opened.utc_ns),
        "closed": None if closed is None else format_rfc3339(closed),
        "outcome": visit.outcome,
        "technician": visit.technician,
        "job": visit.job,
    }


def _lines(fields: Mapping[str, Any]) -> list[str]:
    place = f"{printable_text(fields['site'])} / {printable_text(fields['unit'])}"
    lines = [f"{place}, {printable_text(fields['plan'])}, {fields['state']}, opened {fields['opened']}"]
    for point in fields["points"]:
        name = " ".join(filter(None, (point["circuit"] + ":", point["component"], point["section"])))
        rating = f", {printable_text(point['rating'])}" if point["rating"] else ""
        lines.append(
            f"{printable_text(name)}, {point['quantity']} at {'–'.join(map(printable_text, point['terminals']))}, "
            f"{point['state']}{rating}"
        )
        lines += [
            f"  {_mark(reading)}{reading['text']}  {reading['verdict'].upper()}"
            f"{' (close call)' if reading['margin'] == 'close call' else ''}  {reading['at']}  {reading['id']}"
            for reading in point["readings"]
        ]
    lines += [
        f"Replaced: {printable_text(fitted['part'])}, {printable_text(fitted['old_rating']) or 'not read'} by "
        f"{printable_text(fitted['new_rating']) or 'one without a marked rating'}, {fitted['at']}"
        for fitted in fields["replacements"]
    ]
    lines += [f"Note: {printable_text(note['text'])}" for note in fields["notes"] if note["point"] is None]
    lines += [f"Skipped {note['point']}: {printable_text(note['text'])}" for note in fields["notes"] if note["point"]]
    return lines


def _mark(reading: Mapping[str, Any]) -> str:
    old = "OLD PART  " if reading["of_old_part"] else ""
    return f"{old}VOIDED ({printable_text(reading['void_reason'])})  " if reading["voided"] else old


def _report(result: Mapping[str, Any], text: str, *, as_json: bool) -> None:
    click.echo(json.dumps(result) if as_json else f"{text}  {result.get('visit', '')}".rstrip())
