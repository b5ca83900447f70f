"""``meterlink`` alone on a terminal: it asks for the job, and carries it out."""

import asyncio
import textwrap
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

import click

from meterlink.cli.table import styled
from meterlink.cli.terminal import text_width
from meterlink.core.errors import MeterlinkError
from meterlink.core.text import clean_text, count_phrase

if TYPE_CHECKING:
    from pathlib import Path

    from meterlink.core.equipment import Site
    from meterlink.link.messages import DeviceView
    from meterlink.store.rows import StoredVisit

_MENU = (
    ("1", "try the demo: a whole service call on simulated meters"),
    ("2", "begin a visit: at a unit, with your meters"),
    ("3", "find my meter, and bind it"),
    ("help", "list all commands"),
    ("quit", "leave"),
)
_WORDS = {
    "1": "demo", "demo": "demo", "2": "visit", "visit": "visit", "begin": "visit", "3": "find", "find": "find",
    "meter": "find", "help": "help", "?": "help", "h": "help", "quit": "quit", "q": "quit", "exit": "quit",
}  # fmt: skip
_MOST_UNITS = 9  # known units offered: one digit chooses each
_LONGEST_NAME = 80  # characters of a name typed in


def ask_for_the_job(context: click.Context) -> None:
    """Ask until a job was carried out, or the person quits; an error of a job is printed, and it is asked again."""
    jobs: dict[str, Callable[[], bool]] = {
        "demo": lambda: _play_demo(context),
        "visit": lambda: _begin_visit(context),
        "find": _find_meter,
        "help": lambda: _print_help(context),
        "quit": lambda: True,
    }
    done = False
    while not done:
        _print_menu()
        answer = _ask("What would you like to do?")
        word = "quit" if answer is None else _WORDS.get(answer.casefold(), "")
        if not word:
            # An empty line says enough by itself.
            _say(
                f"{answer!r} is none of these: type 1, 2, 3, help or quit." if answer else "Type 1, 2, 3, help or quit."
            )
            continue
        try:
            done = jobs[word]()
        except MeterlinkError as error:
            _say(f"meterlink: {error}")


def _print_menu() -> None:
    click.echo()
    for key, meaning in _MENU:
        click.echo(f"  {styled(f'{key:<5}', 'bold')} {meaning}")


def _ask(question: str) -> str | None:
    """Return the typed text; None at the end of the input.

    Raises:
        Abort: Ctrl+C was pressed: it leaves the program, as everywhere.
    """
    try:
        text = input(f"{question} ")
    except EOFError:
        click.echo()
        return None
    except KeyboardInterrupt:
        click.echo()
        raise click.Abort from None
    return clean_text(text, _LONGEST_NAME)


def _say(text: str) -> None:
    click.echo(textwrap.fill(text, max(text_width(), 20)))


def _print_help(context: click.Context) -> bool:
    click.echo(context.get_help())
    return False


def _play_demo(context: click.Context) -> bool:
    _invoke(context, "demo")
    return True


def _invoke(context: click.Context, name: str) -> None:
    """Run a command without arguments. Those of the demo and the dashboard stand above this package."""
    assert isinstance(context.command, click.Group)  # noqa: S101  # it is the root
    command = context.command.get_command(context, name)
    assert command is not None  # noqa: S101  # it is in the table of the root
    with command.make_context(name, [], parent=context) as sub_context:
        command.invoke(sub_context)


# --- a visit


def _begin_visit(context: click.Context) -> bool:
    """Begin a visit or go on with one, then open the dashboard; return whether it was done."""
    from meterlink.cli.station_command import send_command  # noqa: PLC0415  # loaded when it is asked for
    from meterlink.core.equipment import Site  # noqa: PLC0415
    from meterlink.link.messages import CommandName  # noqa: PLC0415
    from meterlink.settings import data_dir  # noqa: PLC0415

    folder = data_dir(None)
    known = _newest_by_unit(folder)
    chosen = _ask_for_unit(list(known.values())[:_MOST_UNITS])
    if chosen is None:
        return False
    visit = chosen if not isinstance(chosen, Site) else known.get(chosen)
    if visit is not None and visit.closed_utc_ns is None:
        send_command(folder, CommandName.SWITCH_VISIT, visit=visit.uid)
        _say(f"The visit to {clean_text(visit.site.unit)} goes on.")
    else:
        site = visit.site if visit is not None else chosen
        assert isinstance(site, Site)  # noqa: S101  # a known visit was handled
        plan = "" if visit is not None else _ask_for_plan()
        if plan is None:
            return False
        send_command(folder, CommandName.BEGIN_VISIT, site=site.name, unit=site.unit, plan=plan)
        _say(f"The visit to {clean_text(site.unit)} is open.")
    _invoke(context, "watch")
    return True


def _newest_by_unit(folder: "Path") -> "dict[Site, StoredVisit]":
    """Return the newest visit of each unit: open visits first, then the newest."""
    from meterlink.settings import DATABASE_FILE  # noqa: PLC0415  # loaded when it is asked for
    from meterlink.store.reader import Reader  # noqa: PLC0415

    path = folder / DATABASE_FILE
    newest = {visit.site: visit for visit in (Reader(path).visits() if path.exists() else ())}
    ordered = sorted(newest.values(), key=lambda visit: (visit.closed_utc_ns is None, visit.id), reverse=True)
    return {visit.site: visit for visit in ordered}


def _ask_for_unit(known: "Sequence[StoredVisit]") -> "StoredVisit | Site | None":
    """Return a known unit, chosen by its number, or the names of one; None if nothing was typed."""
    from meterlink.core.equipment import Site  # noqa: PLC0415  # loaded when it is asked for

    for number, visit in enumerate(known, 1):
        state = "the visit is open" if visit.closed_utc_ns is None else ""
        place = f"{clean_text(visit.site.name)} / {clean_text(visit.site.unit)}"
        click.echo(f"  {styled(str(number), 'bold')}  {place}{f'  ({state})' if state else ''}")
    hint = " (a number from the list, or the name of a site; Enter goes back)" if known else " (Enter goes back)"
    site = _ask(f"Which site?{hint}")
    if not site:
        return None
    if site.isdecimal() and 1 <= int(site) <= len(known):
        return known[int(site) - 1]
    names = {visit.site.name.casefold(): visit.site.name for visit in known}
    site = names.get(site.casefold(), site)
    units = [visit.site.unit for visit in known if visit.site.name == site]
    listed = f" ({', '.join(map(clean_text, units))}, or another)" if units else " (its name or its place: Condenser 1)"
    unit = _ask(f"Which unit at {site}?{listed}")
    if not unit:
        return None
    return Site(site, next((name for name in units if name.casefold() == unit.casefold()), unit))


def _ask_for_plan() -> str | None:
    """Return the name of a shipped plan by the kind of unit; None if nothing was chosen."""
    from meterlink.plans import DEFAULT_PLAN, load_plan, shipped_plans  # noqa: PLC0415  # loaded when it is asked for

    plans = sorted(shipped_plans(), key=lambda name: name != DEFAULT_PLAN)
    for number, name in enumerate(plans, 1):
        click.echo(f"  {styled(str(number), 'bold')}  {load_plan(name).name}")
    while True:
        answer = _ask("What kind of unit is it? (a number; Enter for 1)")
        if answer is None:
            return None
        chosen = answer or "1"
        if chosen in plans:
            return chosen
        if chosen.isdecimal() and 1 <= int(chosen) <= len(plans):
            return plans[int(chosen) - 1]
        _say(f"{answer!r} is none of these: type a number from 1 to {len(plans)}.")


# --- a meter


def _find_meter() -> bool:
    """List the devices in range and bind those that are chosen; return False, since a visit may follow."""
    from meterlink.cli.find import LISTEN_SECONDS, FindOptions, device_list_lines, find  # noqa: PLC0415  # as above
    from meterlink.settings import data_dir  # noqa: PLC0415

    folder, options = data_dir(None), FindOptions()
    _say(f"Switch the meter on, and its Bluetooth. Listening for {LISTEN_SECONDS:g} seconds …")
    view, _ = asyncio.run(find(folder, options))
    click.echo("\n".join(device_list_lines(view, "", options, text_width())))
    usable = [device for device in view["devices"] if device["driver"] and not device["bound"]]
    while usable:
        device = _ask_for_device(usable)
        if device is None:
            break
        usable.remove(device)
        try:
            _, done = asyncio.run(find(folder, FindOptions(bind=device["address"])))
        except MeterlinkError as error:
            _say(f"meterlink: {error}")
        else:
            _say(done)
    return False


def _ask_for_device(devices: "Sequence[DeviceView]") -> "DeviceView | None":
    click.echo(f"{count_phrase(len(devices), 'device')} can be bound:")
    for number, device in enumerate(devices, 1):
        click.echo(f"  {styled(str(number), 'bold')}  {device['name'] or '(no name)'}  {device['address']}")
    while answer := _ask("Which one is yours? (a number; Enter for none)"):
        if answer.isdecimal() and 1 <= int(answer) <= len(devices):
            return devices[int(answer) - 1]
        _say(f"{answer!r} is none of these: type a number from 1 to {len(devices)}.")
    return None
