"""``meterlink enter``: type in a reading from a meter without radio; the running station judges and keeps it."""

import asyncio
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import click

from meterlink.cli.completion import complete_point
from meterlink.cli.daemon_version import connect_to_daemon
from meterlink.cli.judge.questions import question_lines
from meterlink.cli.output import data_option, verdict_colour
from meterlink.cli.station_command import ensure_station, require_success
from meterlink.cli.table import styled
from meterlink.core.errors import LinkError, StoreError
from meterlink.core.verdicts import Margin
from meterlink.link.client import LinkClient, daemon_stopped
from meterlink.link.messages import AcceptedView, CommandName, PointView, Topic, VisitView
from meterlink.settings import existing_data_dir

# A commit takes milliseconds; after this time the disk has a problem, which the dashboard shows.
_COMMIT_TIMEOUT = 10.0  # s


@click.command()
@click.argument("text", metavar="READING")
@click.option(
    "--point",
    default="",
    metavar="KEY",
    shell_complete=complete_point,
    help="Test point of the reading; default: the active test point.",
)
@data_option
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object, for programs.")
def command(*, text: str, point: str, data: str | None, as_json: bool) -> None:
    """Type in a reading from a meter without radio: 4.70 uF, OL Mohm, -12.34 mV DC.

    \b
        meterlink enter "43.1 uF"
        meterlink enter "4.70 uF" --point run-capacitor-fan

    The station judges it and accepts it at the active test point at once; then the next test point becomes active. A
    reading with several meanings is accepted as 'cannot tell' with its question, which `meterlink answer` answers. With
    --json: point, circuit, title, and accepted (text, verdict, margin, reason, question and more, as in the station's
    messages to the dashboard).
    """
    test_point, accepted = asyncio.run(enter_reading(existing_data_dir(data), text, point))
    click.echo(accepted_text(test_point, accepted, as_json=as_json))


def accepted_text(point: PointView, accepted: AcceptedView, *, as_json: bool) -> str:
    """Return an accepted reading with its verdict, and its question if it has one, as text or as one JSON object."""
    circuit, title = point["circuit"], point["title"]
    if as_json:
        fields: dict[str, Any] = {"point": point["key"], "circuit": circuit, "title": title, "accepted": accepted}
        return json.dumps(fields)  # ASCII only: safe in a pipe of any encoding
    margin = f" ({accepted['margin']})" if accepted["margin"] == Margin.CLOSE_CALL else ""
    word = f"{accepted['verdict'].upper()}{margin}"
    verdict = styled(word, verdict_colour(accepted["verdict"], accepted["margin"]))
    lines = [f"{circuit}: {title}: {accepted['text']}  {verdict}  {accepted['reason']}"]
    if accepted["question"] is not None:
        lines += question_lines(accepted["question"])
        lines.append(f"Answer with: meterlink answer {accepted['id']} --answer and the number or the key of a choice.")
    return "\n".join(lines)


async def enter_reading(folder: Path, text: str, point: str = "") -> tuple[PointView, AcceptedView]:
    """Send a typed-in reading to the daemon of ``folder``; return ``(test point, accepted reading)``.

    Raises:
        LinkError: the daemon stopped, or has another version.
        CommandError: no visit is open; the message is the station's.
        CommandInputError: it is no reading of the test point; the message is the station's.
        StoreError: the reading was not stored in time.
    """
    accepted = await wait_for_accepted(folder, CommandName.ENTER, text=text, point=point)
    assert accepted is not None  # noqa: S101  # the command accepts a reading
    return accepted


async def wait_for_accepted(
    folder: Path, command: CommandName, **fields: str | int
) -> tuple[PointView, AcceptedView] | None:
    """Send a command; return ``(test point, accepted reading)`` if it accepted one, or judged one again, else None.

    Raises:
        LinkError: the daemon stopped, or has another version.
        CommandError: the state does not allow it now; the message is the station's.
        CommandInputError: its input cannot be used; the message is the station's.
        StoreError: the verdict was not stored in time.
    """
    async with ensure_station(folder):
        return await _wait_for_accepted(folder, command, fields)


async def _wait_for_accepted(
    folder: Path, command: CommandName, fields: Mapping[str, str | int]
) -> tuple[PointView, AcceptedView] | None:
    client = await connect_to_daemon(folder)
    try:
        async with asyncio.timeout(_COMMIT_TIMEOUT):
            before = {accepted["id"]: accepted["revision"] for _, accepted in accepted_views(await first_visit(client))}
            reply = await client.request(command, **fields)
            require_success(reply)
            number = reply["accepted"]
            if number is None:
                return None
            async for message in client:
                if message["topic"] == Topic.VISIT:
                    for point, accepted in accepted_views(message):
                        if accepted["id"] == number and accepted["revision"] > before.get(number, 0):
                            return point, accepted
        link_error = daemon_stopped(folder)
        raise link_error
    except TimeoutError as error:
        raise StoreError(
            "The station has not stored the reading yet.", "Check the dashboard: the disk may be full."
        ) from error
    finally:
        await client.close()


async def first_visit(client: LinkClient) -> VisitView:
    """Return the first view of the visit, which the daemon sends to every new watcher.

    Raises:
        LinkError: the daemon stopped.
    """
    async for message in client:
        if message["topic"] == Topic.VISIT:
            return message
    raise LinkError("The station's daemon has stopped.", "Start it with: meterlink run")


def accepted_views(visit: VisitView) -> list[tuple[PointView, AcceptedView]]:
    """Return the test points that have an accepted reading, each with its newest, in plan order."""
    return [(point, point["accepted"]) for point in visit["points"] if point["accepted"] is not None]
