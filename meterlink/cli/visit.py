"""``meterlink visit``: begin, pause, switch and close visits; enter ratings and notes; show the readings."""

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import click

from meterlink.cli.choice import NamedChoice
from meterlink.cli.completion import (
    complete_open_visit,
    complete_plan,
    complete_point,
    complete_site,
    complete_unit,
    complete_visit,
)
from meterlink.cli.judge.dates import parse_date
from meterlink.cli.lazy_group import CommandGroup
from meterlink.cli.output import (
    Form,
    data_option,
    json_option,
    listing_options,
    local_time,
    local_time_text,
    print_table,
    print_text,
    printable_text,
    verdict_colour,
)
from meterlink.cli.removal import confirm_removal, print_done, yes_option
from meterlink.cli.station_command import send_command
from meterlink.cli.stored_visits import SHORT_ID, find_visit, short_id
from meterlink.cli.table import Cell
from meterlink.cli.terminal import terminal_width
from meterlink.core.clock import format_rfc3339, utc_nanoseconds
from meterlink.core.errors import NoDatabaseError, VisitError
from meterlink.core.outcomes import Outcome
from meterlink.link.messages import CommandName
from meterlink.settings import DATABASE_FILE, data_dir, existing_data_dir, load_settings
from meterlink.store.reader import Reader
from meterlink.store.rows import StoredVisit

_STATE_COLOURS = {"active": "green", "paused": "yellow", "closed": ""}
_OUTCOMES = NamedChoice(list(map(str, Outcome)))


@click.group(cls=CommandGroup)
def command() -> None:
    """Begin, pause, switch and close visits; enter ratings and notes.

    A running station does it. Where none runs, the command does it itself.
    """


@command.command()
@click.option("--site", required=True, shell_complete=complete_site, help="Name of the site.")
@click.option(
    "--unit", required=True, shell_complete=complete_unit, help="Name of the unit: the machine with the nameplate."
)
@click.option(
    "--plan",
    default="",
    shell_complete=complete_plan,
    help="A plan file or a shipped plan; default: that of the unit's newest visit.",
)
@click.option("--technician", default="", help="Who does the job.")
@click.option("--job", default="", help="Number of the job.")
@data_option
@json_option
def begin(*, site: str, unit: str, plan: str, technician: str, job: str, data: str | None, as_json: bool) -> None:
    """Begin a visit; the visit before is paused. Ratings of the unit's earlier visits are known.

    \b
        meterlink visit begin --site "Mill Lane bakery" --unit "Condenser 1"
        meterlink visit begin --site School --unit "RTU 2" --plan heat-pump

    With --json: visit (its id).
    """
    from meterlink.plans import shipped_plans  # noqa: PLC0415  # only this command needs the reader of plans

    plan = plan if plan in shipped_plans() or not plan else str(Path(plan).absolute())  # the station's folder differs
    fields = {"site": site, "unit": unit, "plan": plan, "technician": technician, "job": job}
    result = send_command(data_dir(data), CommandName.BEGIN_VISIT, **fields)
    _report(result, f"The visit to {printable_text(unit)}, {printable_text(site)} is open.", as_json=as_json)


@command.command()
@click.argument("visit", metavar="VISIT", shell_complete=complete_open_visit)
@data_option
@json_option
def switch(*, visit: str, data: str | None, as_json: bool) -> None:
    """Go on with another open VISIT (its id, or the beginning, see list); the visit before is paused.

    \b
        meterlink visit switch 7f3a
    """
    from meterlink.station.visit_desk import WITHOUT_PLAN  # noqa: PLC0415  # only two commands need the station

    stored = find_visit(_reader(data).visits(), visit)
    result = send_command(data_dir(data), CommandName.SWITCH_VISIT, visit=stored.uid)
    text = "The visit goes on." if stored.plan_text else f"The visit goes on. {WITHOUT_PLAN}"
    _report(result, text, as_json=as_json)


@command.command()
@data_option
@json_option
def pause(*, data: str | None, as_json: bool) -> None:
    """Pause the active visit: readings belong to no visit until another begins.

    \b
        meterlink visit pause
    """
    _report(send_command(data_dir(data), CommandName.PAUSE_VISIT), "The visit is paused.", as_json=as_json)


@command.command()
@click.argument("visit", metavar="[VISIT]", default="", shell_complete=complete_visit)
@click.option("--site", required=True, shell_complete=complete_site, help="Name of the site.")
@click.option("--unit", required=True, shell_complete=complete_unit, help="Name of the unit.")
@data_option
@json_option
def move(*, visit: str, site: str, unit: str, data: str | None, as_json: bool) -> None:
    """Let a VISIT (its id; default: the active one) be one of another unit: it was begun at the wrong one.

    \b
        meterlink visit move --site "Mill Lane bakery" --unit "Condenser 2"

    An open visit loses the ratings and answers that came from the unit before, and has those of the new one.

    With --json: visit, site, unit.
    """
    folder = data_dir(data)
    which = {"visit": find_visit(_reader(data).visits(), visit).uid} if visit else {}
    result = send_command(folder, CommandName.MOVE_VISIT, site=site, unit=unit, **which)
    _report(result, f"The visit is one of {printable_text(unit)}, {printable_text(site)}.", as_json=as_json)


@command.command()
@click.argument("point", metavar="POINT", shell_complete=complete_point)
@click.option("--from", "begin", required=True, metavar="WHEN", help="2026-07-01T13:00:00Z; without a zone it is UTC.")
@click.option("--to", "end", required=True, metavar="WHEN", help="The end of the span, at most a day later.")
@click.option("--meter", default="", help="The address or the name of one meter; default: all.")
@data_option
@json_option
def assign(*, point: str, begin: str, end: str, meter: str, data: str | None, as_json: bool) -> None:
    """Accept at POINT the readings that settled in a span of time outside any visit.

    \b
        meterlink visit assign herm --from 2026-07-01T13:00 --to 2026-07-01T13:05

    They are judged as if they came then, and marked as assigned later.

    With --json: visit, readings (their ids).
    """
    span = {"since_utc_ns": utc_nanoseconds(parse_date(begin)), "until_utc_ns": utc_nanoseconds(parse_date(end))}
    which = {"meter": meter} if meter else {}
    result = send_command(data_dir(data), CommandName.ASSIGN, point=point, **which, **span)
    count = len(result["readings"])
    text = f"{count} {'reading is' if count == 1 else 'readings are'} assigned to {printable_text(point)}."
    _report(result, text, as_json=as_json)


_on_off = click.Choice(["on", "off"])


@command.command()
@click.option(
    "--outcome", required=True, type=_OUTCOMES, metavar="OUTCOME", help="How the unit is left: repaired, for example."
)
@click.option("--power", type=_on_off, help="How the power is left.")
@click.option("--covers", type=_on_off, help="Whether the covers are on.")
@data_option
@json_option
def close(*, outcome: str, power: str | None, covers: str | None, data: str | None, as_json: bool) -> None:
    """Close the active visit, and list the test points that are left.

    \b
        meterlink visit close --outcome repaired

    OUTCOME is repaired, temporary repair, declined, part to be fetched, or no fault found.

    With --json: visit, outcome, untested and outside_not_replaced (keys of test points), skipped (point, reason),
    power_on and covers_on (null where nobody said it), meter_not_proven (before, after), used (parts off the truck:
    rating, left, low: the low mark, null without one), seal (the fingerprint of the sealed visit; empty where it could
    not be sealed yet).
    """
    left = {name: state for name, state in (("power", power), ("covers", covers)) if state}
    result = send_command(data_dir(data), CommandName.CLOSE_VISIT, outcome=outcome, **left)
    _report(result, "\n".join(closing_lines(result)), as_json=as_json)


def closing_lines(result: Mapping[str, Any]) -> list[str]:
    """Return the data of a reply to `CommandName.CLOSE_VISIT` as lines: the outcome, and the test points left."""
    left = {
        "Untested": result["untested"],
        "Not sound and not replaced": result["outside_not_replaced"],
        "Skipped": [f"{skipped['point']} ({printable_text(skipped['reason'])})" for skipped in result["skipped"]],
        "The meter was not proven on a known source, around the isolated readings": result["meter_not_proven"],
    }
    lines = [f"The visit is closed: {result['outcome']}."]
    lines += [f"{title}: {', '.join(keys)}." for title, keys in left.items() if keys]
    not_said = {"the power is on": result["power_on"], "the covers are on": result["covers_on"]}
    lines += [f"Not said: whether {thing}." for thing, said in not_said.items() if said is None]
    if used := "; ".join(map(_used_text, result["used"])):
        lines.append(f"Used: {used}. To buy: meterlink stock restock")
    lines.append(
        f"Sealed, with the fingerprint {result['seal']}."
        if result["seal"]
        else "It is not sealed yet: meterlink seal keys, or the station's log, says why."
    )
    return [*lines, "The report on it: meterlink report --last -o report.html"]


def _used_text(used: Mapping[str, Any]) -> str:
    """Return a kind of part that a visit used, with the number left: ``45+5 µF 440 V, 1 left``."""
    left = max(used["left"], 0)
    low = f", fewer than {used['low']}" if used["low"] and left < used["low"] else ""
    return f"{printable_text(used['rating'])}, {left or 'none'} left{low}"


@command.command()
@click.argument("text", metavar="TEXT")
@data_option
def note(*, text: str, data: str | None) -> None:
    """Keep a note on the active visit.

    \b
        meterlink visit note "squeaky fan"
    """
    send_command(data_dir(data), CommandName.NOTE, text=text)
    click.echo("Noted.")


@command.command()
@click.argument("reading", metavar="[READING]", default="")
@data_option
def prove(*, reading: str, data: str | None) -> None:
    """Keep a note that the meter was proven on a known source: before the isolated readings, and after.

    Without READING, by the steady voltage on the display of a meter with Bluetooth; else by the voltage that was read.

    \b
        meterlink visit prove "241 V AC"
    """
    result = send_command(data_dir(data), CommandName.PROVE, text=reading)
    click.echo(printable_text(result["note"]))
    if result["voided"]:
        click.echo("Its test point has lost that reading: it is voided, and can be measured again.")


@command.command()
@click.argument("point", metavar="POINT", shell_complete=complete_point)
@click.option("--reason", required=True, help="Why it is not measured.")
@data_option
def skip(*, point: str, reason: str, data: str | None) -> None:
    """Skip the test point POINT (its key), with a reason.

    \b
        meterlink visit skip run-capacitor-fan --reason "cover rusted shut"
    """
    send_command(data_dir(data), CommandName.SKIP, point=point, text=reason)
    click.echo("Skipped.")


@command.command()
@click.argument("reading", metavar="READING")
@click.option("--reason", required=True, help="Why it does not count: a typing slip, a wrong terminal.")
@data_option
def void(*, reading: str, reason: str, data: str | None) -> None:
    """Void an accepted READING (its id, see show): it is kept, and counts nowhere.

    \b
        meterlink visit void 7f3a --reason "typing slip"
    """
    send_command(data_dir(data), CommandName.VOID, uid=reading, text=reason)
    click.echo("The reading is voided.")


@command.command()
@click.argument("reading", metavar="READING")
@data_option
def unvoid(*, reading: str, data: str | None) -> None:
    """Let a voided READING (its id, see show) count again.

    \b
        meterlink visit unvoid 7f3a
    """
    send_command(data_dir(data), CommandName.UNVOID, uid=reading)
    click.echo("The reading counts again.")


@command.command()
@click.argument("point", metavar="POINT", shell_complete=complete_point)
@click.argument("text", metavar="RATING")
@data_option
def rating(*, point: str, text: str, data: str | None) -> None:
    """Enter the RATING that is printed on the part at POINT: '35/5 MFD 440V', '14.1 A'.

    \b
        meterlink visit rating run-capacitor-herm "45+5 MFD 440V"
        meterlink visit rating compressor-amps "14.1 A"
    """
    send_command(data_dir(data), CommandName.SET_RATING, point=point, text=text)
    click.echo("The rating is kept.")


@command.command()
@click.argument("point", metavar="POINT", shell_complete=complete_point)
@click.option("--rating", default="", help="As marked on the new part; may be left out if nothing is marked.")
@click.option("--answer", default="", metavar="CHOICE", help="The answer where the rules object: fitted.")
@click.option("--elsewhere", is_flag=True, help="The part is not off the truck.")
@click.option("--undo", is_flag=True, help="Undo the newest replacement of this part.")
@data_option
@json_option
def replace(  # the options of one command
    *, point: str, rating: str, answer: str, elsewhere: bool, undo: bool, data: str | None, as_json: bool
) -> None:
    """Record that the part at POINT (the key of a test point) is replaced: '35/5 MFD 440V'.

    \b
        meterlink visit replace run-capacitor-herm --rating "45+5 MFD 440V"
        meterlink visit replace run-capacitor-herm --undo

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


@command.command()
@click.argument("visit", metavar="VISIT", shell_complete=complete_visit)
@yes_option
@data_option
def forget(*, visit: str, yes: bool, data: str | None) -> None:
    """Remove technician, job, notes and typed reasons of a VISIT (its id, or the beginning); its measurements stay.

    \b
        meterlink visit forget 7f3a

    They read 'removed' from then on, and the seal stays valid. The names of the site and the unit stay: see
    `meterlink site forget`, which tells more.
    """
    reader = _reader(data)
    found = find_visit(reader.visits(), visit)
    folder = existing_data_dir(data)
    word = found.uid[:SHORT_ID]
    if not confirm_removal(reader.visit_removal(found.uid), folder, word, yes=yes):
        click.echo("Nothing is removed.")
        return
    send_command(folder, CommandName.FORGET_VISIT, visit=found.uid)
    print_done(f"The visit {word} is without names of people.")


@command.command("list")
@data_option
@listing_options("visit", "opened", "state", "site", "unit", "outcome", "closed", "plan", "technician", "job")
def list_visits(*, data: str | None, form: Form) -> None:
    """List the visits, newest last.

    \b
        meterlink visit list
        meterlink visit list --lines | grep paused | cut -f 1

    With --json: an array of visit (its id), site, unit, plan, state (active, paused or closed), opened, closed,
    outcome, technician, job, power_on, covers_on.
    """
    try:
        visits = _reader(data).visits()
    except NoDatabaseError:
        visits = []
    records = [_listed(visit) for visit in visits]
    if form.prints(records, records):
        return
    if not visits:
        click.echo("No visits yet. Begin one: meterlink visit begin --site SITE --unit UNIT")
        return
    on_terminal = terminal_width() is not None
    rows = [
        (
            short_id(visit.uid, visits) if on_terminal else visit.uid,
            local_time(visit.opened.utc_ns),
            Cell(fields["state"], _STATE_COLOURS[fields["state"]]),
            f"{printable_text(visit.site.name)} / {printable_text(visit.site.unit)}",
            fields["outcome"] or "",
        )
        for visit, fields in zip(visits, records, strict=True)
    ]
    print_table(("Visit", "Opened", "State", "Site / unit", "Outcome"), rows, ("Site / unit",))


@command.command()
@click.argument("visit", metavar="[VISIT]", default="", shell_complete=complete_visit)
@data_option
@listing_options("point", "circuit", "component", "section", "terminals", "text", "verdict", "margin", "at", "id")
def show(*, visit: str, data: str | None, form: Form) -> None:
    """Show a VISIT (its id or the beginning; default: the active one): test points, ratings, limits and readings.

    \b
        meterlink visit show
        meterlink visit show 8ae19539 --json

    With --json: the fields of list, and points with key, circuit, component, section, terminals, quantity, coupling,
    state, last (text, verdict, at, of_old_part; null without an earlier visit), rating, limits (low, high, unit,
    basis), readings (accepted, newest last: id, at, text, verdict, margin, reason, meter, revision, voided,
    void_reason, assigned_later, accepted_as (the display before its packet was decoded again, else null), of_old_part,
    judged_before), notes, and replacements (id, at, part, circuit, sections,
    old_rating, new_rating, off_the_truck, objection: that of the rules, to a part fitted all the same).

    \f

    Raises:
        VisitError: no visit is open.
        InputError: there is no such visit.
    """
    from meterlink.station.visit_desk import resumed_visit  # noqa: PLC0415  # only this command needs the station
    from meterlink.station.visit_fields import visit_fields  # noqa: PLC0415

    reader = _reader(data)
    found = reader.visit(find_visit(reader.visits(), visit).uid if visit else None)
    if found is None:
        raise VisitError("No visit is open.", "List them: meterlink visit list")
    stored = find_visit(reader.visits(), found.ids.uid)
    restored = resumed_visit(found, load_settings(existing_data_dir(data)))
    fields = {
        **_listed(stored),
        **visit_fields(restored, found, reader.visit_notes(stored.uid), reader.earlier_verdicts(stored.uid)),
    }
    if not form.prints(fields, _reading_records(fields)):
        _print_visit(fields)


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
        "power_on": visit.left.power_on,
        "covers_on": visit.left.covers_on,
    }


def _reading_records(fields: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Return a record for each reading, and one without a reading for each test point that has none."""
    without = dict.fromkeys(("text", "verdict", "margin", "at", "id"))
    return [
        {**point, "point": point["key"], **reading}
        for point in fields["points"]
        for reading in point["readings"] or [without]
    ]


def _print_visit(fields: Mapping[str, Any]) -> None:
    place = f"{printable_text(fields['site'])} / {printable_text(fields['unit'])}"
    print_text(f"{place}, {printable_text(fields['plan'])}, {fields['state']}")
    print_text(f"Visit {fields['visit']}, opened {local_time_text(fields['opened'])}")
    id_length = None if terminal_width() is None else SHORT_ID  # its beginning suffices for `void`
    rows = [row for point in fields["points"] for row in _point_rows(point, id_length)]
    print_table(("Test point", "At", "Limits", "Reading", "Verdict", "Id"), rows)
    for fitted in fields["replacements"]:
        old = printable_text(fitted["old_rating"]) or "not read"
        new = printable_text(fitted["new_rating"]) or "one without a marked rating"
        print_text(f"Replaced: {printable_text(fitted['part'])}, {old} by {new}, {local_time_text(fitted['at'])}")
        if fitted["objection"]:
            print_text(f"  Fitted all the same, against this: {printable_text(fitted['objection'])}")
    for note in fields["notes"]:
        text = printable_text(note["text"])
        print_text(f"Skipped {note['point']}: {text}" if note["point"] else f"Note: {text}")


def _point_rows(point: Mapping[str, Any], id_length: int | None) -> list[tuple[str | Cell, ...]]:
    limits = point["limits"] or {}
    head = (
        printable_text(" ".join(filter(None, (f"{point['circuit']}:", point["component"], point["section"])))),
        printable_text("–".join(point["terminals"])),
        printable_text(point["rating"] or limits.get("basis") or ""),
    )
    readings = [
        (
            printable_text(reading["text"]),
            _verdict_cell(reading),
            reading["id"][:id_length],
        )
        for reading in point["readings"]
    ]
    first, *later = readings or [("not measured", Cell(""), "")]
    return [(*head, *first), *(("", "", "", *reading) for reading in later)]


def _verdict_cell(reading: Mapping[str, Any]) -> Cell:
    close = " (close call)" if reading["margin"] == "close call" else ""
    verdict = f"{reading['verdict'].upper()}{close}"
    if reading["of_old_part"]:
        verdict = f"{verdict}, old part"
    if reading["accepted_as"] is not None:
        verdict = f"{verdict}, decoded again, accepted as {printable_text(reading['accepted_as'])}"
    if reading["assigned_later"]:
        verdict = f"{verdict}, assigned later"
    if reading["voided"]:
        verdict = f"VOIDED ({printable_text(reading['void_reason'])}), was {verdict}"
    counts = not (reading["voided"] or reading["of_old_part"])
    return Cell(verdict, verdict_colour(reading["verdict"], reading["margin"]) if counts else "")


def _report(result: Mapping[str, Any], text: str, *, as_json: bool) -> None:
    click.echo(json.dumps(result) if as_json else f"{text}  {result.get('visit', '')}".rstrip())
