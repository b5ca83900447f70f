"""``meterlink enter``: type in a reading from a meter without radio; the running station judges and keeps it."""

import asyncio
import json
from pathlib import Path
from typing import Any

import click

from meterlink.core.errors import InputError, StoreError
from meterlink.core.verdicts import Margin
from meterlink.link.client import connect, daemon_stopped
from meterlink.link.messages import AcceptedView, CommandName, PointView, Topic, VisitView
from meterlink.settings import existing_data_dir

# A commit takes milliseconds; after this time the disk has a problem, which the dashboard shows.
_COMMIT_TIMEOUT = 10.0  # s


@click.command()
@click.argument("text", metavar="READING")
@click.option("--point", default="", metavar="KEY", help="Test point of the reading; default: the active test point.")
@click.option("--data", type=click.Path(file_okay=False), help="Data folder; default: the platform's folder for data.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object, for programs.")
def command(*, text: str, point: str, data: str | None, as_json: bool) -> None:
    """Type in a reading from a meter without radio: 4.70 uF, OL Mohm, -12.34 mV DC.

    The running station judges it and accepts it at the active test point at once; then the next test point becomes
    active. With --json: point, circuit, title, and accepted (text, verdict, margin, reason and more, as in the
    station's messages to the dashboard).
    """
    test_point, accepted = asyncio.run(enter_reading(existing_data_dir(data), text, point))
    circuit, title = test_point["circuit"], test_point["title"]
    if as_json:
        fields: dict[str, Any] = {"point": test_point["key"], "circuit": circuit, "title": title, "accepted": accepted}
        click.echo(json.dumps(fields))  # ASCII only: safe in a pipe of any encoding
        return
    margin = f" ({accepted['margin']})" if accepted["margin"] == Margin.CLOSE_CALL else ""
    verdict = f"{accepted['verdict'].upper()}{margin}"
    click.echo(f"{circuit}: {title}: {accepted['text']}  {verdict}  {accepted['reason']}")


async def enter_reading(folder: Path, text: str, point: str = "") -> tuple[PointView, AcceptedView]:
    """Send a typed-in reading to the daemon of ``folder``; return ``(test point, accepted reading)``.

    Raises:
        LinkError: no daemon runs, or it stopped.
        InputError: the daemon refused the reading; the message is the daemon's.
        StoreError: the reading was not stored in time.
    """
    client = await connect(folder)
    try:
        async with asyncio.timeout(_COMMIT_TIMEOUT):
            reply = await client.request(CommandName.ENTER, text=text, point=point)
            if reply["error"]:
                raise InputError(reply["error"])
            async for message in client:
                if message["topic"] == Topic.VISIT and (found := _find_accepted(message, reply["accepted"])):
                    return found
        link_error = daemon_stopped(folder)
        raise link_error
    except TimeoutError as error:
        raise StoreError(
            "The station has not stored the reading yet.", "Check the dashboard: the disk may be full."
        ) from error
    finally:
        await client.close()


def _find_accepted(visit: VisitView, number: int | None) -> tuple[PointView, AcceptedView] | None:
    """Return the test point that shows the accepted reading ``number``, and that reading; None before its commit."""
    for point in visit["points"]:
        accepted = point["accepted"]
        if accepted is not None and accepted["id"] == number:
            return point, accepted
    return None
