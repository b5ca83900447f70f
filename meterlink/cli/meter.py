"""``meterlink meter``: the meters of the data folder, and the facts about them that a technician sets."""

import asyncio
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import click

from meterlink.cli.completion import complete_meter, complete_point
from meterlink.cli.daemon_version import connect_to_daemon
from meterlink.cli.lazy_group import CommandGroup
from meterlink.cli.output import Form, data_option, json_option, listing_options, print_table, printable_text
from meterlink.cli.station_command import require_success, send_command
from meterlink.cli.stored_meters import load_known_meters
from meterlink.cli.table import Cell
from meterlink.core.calibration import Calibration, local_day, parse_date
from meterlink.core.clock import SystemClock
from meterlink.core.errors import InputError
from meterlink.core.text import clean_text, count_phrase
from meterlink.link.client import NoDaemonError
from meterlink.link.messages import CommandName, KnownMeterView
from meterlink.settings import data_dir, existing_data_dir
from meterlink.station.known_meters import known_meter_view

_meter = click.argument("meter", metavar="METER", shell_complete=complete_meter)
_columns = listing_options("name", "address", "state", "bound", "test_point", "accuracy", "calibration")


@click.group(cls=CommandGroup)
def command() -> None:
    """List your meters; set their names, test points, drivers, accuracy and calibration.

    METER is an address or a name. The meter whose readings you type has the name 'typed in'. A running station does
    it. Where none runs, the command does it itself. To bind a meter: meterlink find.
    """


@command.command("list")
@data_option
@_columns
def list_meters(*, data: str | None, form: Form) -> None:
    """List the known meters.

    \b
        meterlink meter list

    With --json: an array of name, address, first_address, bound, serial, has_radio, test_point, driver, accuracy,
    calibration, calibration_state, overdue, remarks, and, empty or null while no station runs: state, detail, rssi
    (dBm), battery (percent), low_battery, readings, at (the newest one).
    """
    records = _records(existing_data_dir(data))
    if form.prints(records, records):
        return
    if not records:
        click.echo("No meters yet. Switch one on, and bind it: meterlink find")
        return
    rows = [
        (
            printable_text(record["name"] or record["address"]),
            record["state"] or ("bound" if record["bound"] else ""),
            printable_text(record["test_point"]),
            printable_text(record["accuracy"]) or "assumed",
            Cell(printable_text(_calibration_text(record)), "yellow" if record["overdue"] else ""),
        )
        for record in records
    ]
    print_table(("Meter", "State", "Test point", "Accuracy", "Calibration"), rows)
    for record in records:
        for remark in record["remarks"]:
            click.echo(f"{printable_text(record['name'] or record['address'])}: {printable_text(remark)}")


@command.command()
@_meter
@data_option
@_columns
def show(*, meter: str, data: str | None, form: Form) -> None:
    """Show a METER with all that is known of it.

    \b
        meterlink meter show "clamp meter"

    With --json: an object with the keys of list.

    \f

    Raises:
        InputError: no meter, or more than one, has this name or address.
    """
    records = [record for record in _records(existing_data_dir(data)) if _is_named(record, meter)]
    if len(records) != 1:
        number = "No meter has" if not records else f"{len(records)} meters have"
        raise InputError(f"{number} the name or address {meter!r}.", "See: meterlink meter list")
    if not form.prints(records[0], records):
        click.echo("\n".join(_lines(records[0])))


@command.command()
@_meter
@click.argument("text", metavar="NAME")
@data_option
@json_option
def name(*, meter: str, text: str, data: str | None, as_json: bool) -> None:
    """Give a METER another NAME.

    \b
        meterlink meter name 00:00:5E:00:53:0A "clamp meter"

    With --json: meter (an object, as in list).
    """
    result = send_command(data_dir(data), CommandName.NAME_METER, meter=meter, text=text)
    _report(result, f"The meter's name is {printable_text(result['meter']['name'])}.", as_json=as_json)


@command.command()
@_meter
@click.argument("point", metavar="[POINT]", default="", shell_complete=complete_point)
@click.option("--none", "unpin", is_flag=True, help="It measures the active test point again.")
@data_option
@json_option
def pin(*, meter: str, point: str, unpin: bool, data: str | None, as_json: bool) -> None:
    """Let a METER always measure the test point POINT, in later visits, too.

    \b
        meterlink meter pin "clamp meter" compressor-amps
        meterlink meter pin "clamp meter" --none

    With --json: meter (an object, as in list).

    \f

    Raises:
        click.UsageError: neither a test point nor --none is given, or both.
    """
    if bool(point) == unpin:
        raise click.UsageError("Give a test point, or --none.")
    fields = {"point": point} if point else {}
    result = send_command(data_dir(data), CommandName.PIN, meter=meter, **fields)
    text = f"It always measures {point}." if point else "It measures the active test point."
    _report(result, text, as_json=as_json)


@command.command()
@_meter
@click.argument("driver", metavar="[DRIVER]", default="")
@click.option("--auto", is_flag=True, help="The driver that fits its advertisement best.")
@data_option
@json_option
def driver(*, meter: str, driver: str, auto: bool, data: str | None, as_json: bool) -> None:
    """Read a METER with a DRIVER, or with the profile of this name.

    \b
        meterlink meter driver "clamp meter" yard-meter
        meterlink meter driver "clamp meter" --auto

    With --json: meter (an object, as in list).

    \f

    Raises:
        click.UsageError: neither a driver nor --auto is given, or both.
    """
    if bool(driver) == auto:
        raise click.UsageError("Give a driver, or --auto.")
    result = send_command(data_dir(data), CommandName.SET_DRIVER, meter=meter, text=driver)
    chosen = f"{printable_text(result['meter']['driver'])} reads it." if driver else "The best driver reads it."
    _report(result, chosen, as_json=as_json)


@command.command()
@_meter
@click.argument("text", metavar="ACCURACY")
@data_option
@json_option
def accuracy(*, meter: str, text: str, data: str | None, as_json: bool) -> None:
    """Enter the ACCURACY of a METER: a line of its manual, or a class.

    \b
        meterlink meter accuracy "clamp meter" "capacitance: 0.9 % + 2 digits"
        meterlink meter accuracy "clamp meter" "voltage AC up to 600 V: 1 % + 3"
        meterlink meter accuracy "typed in" good

    A line counts for its quantity and range. The classes are basic, good and lab; their figures are common practice,
    without a source: the manual says more. The accepted readings of open visits are judged again.

    With --json: meter (an object, as in list) and judged_again (a number of readings).
    """
    result = send_command(data_dir(data), CommandName.SET_ACCURACY, meter=meter, text=text)
    _report(result, f"Accuracy: {printable_text(result['meter']['accuracy'])}.", as_json=as_json)


@command.command()
@_meter
@click.option("--done", "calibrated", metavar="DATE", default="", help="When it was calibrated: 2026-03-01.")
@click.option("--due", metavar="DATE", default="", help="The last day on which that counts.")
@click.option("--certificate", metavar="TEXT", default="", help="The number of the certificate.")
@click.option("--none", "forget", is_flag=True, help="Nothing is known of its calibration.")
@data_option
@json_option
def calibration(
    *, meter: str, calibrated: str, due: str, certificate: str, forget: bool, data: str | None, as_json: bool
) -> None:
    """Enter the calibration of a METER; it replaces the one entered before.

    \b
        meterlink meter calibration clamp --done 2026-03-01 --due 2027-03-01

    With --json: meter (an object, as in list) and judged_again (a number of readings).

    \f

    Raises:
        click.UsageError: nothing is given, or something beside --none.
    """
    if bool(calibrated or due or certificate) == forget:
        raise click.UsageError("Give a date or a certificate, or --none.")
    done, last = (parse_date(text) if text else None for text in (calibrated, due))
    entered = str(Calibration(done, last, clean_text(certificate)))
    result = send_command(data_dir(data), CommandName.SET_CALIBRATION, meter=meter, text=entered)
    _report(result, f"Calibration: {printable_text(_calibration_text(result['meter']))}.", as_json=as_json)


def _report(result: Mapping[str, Any], text: str, *, as_json: bool) -> None:
    if as_json:
        click.echo(json.dumps(result))
        return
    click.echo(text)
    if judged := result.get("judged_again", 0):
        click.echo(f"{count_phrase(judged, 'accepted reading')} judged again.")
    for remark in result["meter"]["remarks"]:
        click.echo(printable_text(remark))


def _records(folder: Path) -> list[dict[str, Any]]:
    """Return the known meters, with their states where a station runs."""
    result = asyncio.run(_ask_station(folder))
    if result is None:
        today = local_day(SystemClock().now().utc_ns)
        result = {"meters": [known_meter_view(meter, today) for meter in load_known_meters(folder)], "connected": []}
    connected = {meter["address"].upper(): meter for meter in result["connected"]}
    found = [_record(meter, connected.pop(meter["address"].upper(), None)) for meter in result["meters"]]
    unknown = {"first_address": "", "bound": False, "serial": "", "has_radio": True, "test_point": "", "accuracy": ""}
    unknown |= {"calibration": "", "calibration_state": "", "overdue": False, "remarks": []}
    return found + [_record({**meter, **unknown}, meter) for meter in connected.values()]


async def _ask_station(folder: Path) -> Mapping[str, Any] | None:
    """Return the reply of the station that runs on ``folder``; None if none runs."""
    try:
        client = await connect_to_daemon(folder)
    except NoDaemonError:
        return None
    try:
        reply = await client.request(CommandName.LIST_METERS)
    finally:
        await client.close()
    require_success(reply)
    return reply["data"]


def _record(known: Mapping[str, Any], connected: Mapping[str, Any] | None) -> dict[str, Any]:
    live = connected or {}
    record: dict[str, Any] = {key: known[key] for key in KnownMeterView.__annotations__}
    record["name"] = record["name"] or live.get("name", "")
    record["driver"] = record["driver"] or live.get("driver", "")
    states = {"state": "", "detail": "", "rssi": None, "battery": None, "low_battery": False, "readings": 0, "at": None}
    return record | {key: live.get(key, missing) for key, missing in states.items()}


def _is_named(record: Mapping[str, Any], meter: str) -> bool:
    return meter.strip().upper() in {record["address"].upper(), record["first_address"].upper()} or (
        bool(record["name"]) and record["name"] == clean_text(meter)
    )


def _calibration_text(record: Mapping[str, Any]) -> str:
    text: str = record["calibration_state"] or record["calibration"] or "unknown"
    return text.removeprefix("calibration ")


def _lines(record: Mapping[str, Any]) -> list[str]:
    state = " ".join(filter(None, (record["state"], record["detail"])))
    battery = "" if record["battery"] is None else f"{record['battery']} %{', low' if record['low_battery'] else ''}"
    radio = {
        "State": state or ("bound; no station runs" if record["bound"] else "not bound"),
        "Signal": "" if record["rssi"] is None else f"{record['rssi']} dBm",
        "Battery": battery,
        "Newest reading": record["at"] or "",
        "Driver": record["driver"] or "the one that fits best",
        "Test point": record["test_point"] or "the active one",
        "Serial number": record["serial"],
    }
    facts = {
        **(radio if record["has_radio"] else {}),
        "Accuracy": record["accuracy"] or "assumed, as for any meter",
        "Calibration": _calibration_text(record),
    }
    title = " ".join(filter(None, (record["name"], record["address"] if record["has_radio"] else "")))
    return [
        printable_text(title),
        *(f"  {label}: {printable_text(text)}" for label, text in facts.items() if text),
        *(f"  {printable_text(remark)}" for remark in record["remarks"]),
    ]
