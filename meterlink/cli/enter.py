"""``meterlink keyed``: a value read off a meter without a radio, typed in for the running station to judge and keep."""

import asyncio
import json
from pathlib import Path
from typing import Any

import click

from meterlink.core.errors import InputError, StoreError
from meterlink.link.client import connect, daemon_stopped
from meterlink.link.messages import AcceptedView, PointView, VisitView
from meterlink.settings import data_dir

# A commit takes milliseconds; past this the disk is in trouble, and the station says so itself.
_COMMIT_TIMEOUT = 10.0  # s


@click.command()
@click.argument("shown")
@click.option("--point", default="", metavar="KEY", help="The test point it was read at; default: the active one.")
@click.option("--data", type=click.Path(file_okay=False), help="Data folder; default: the platform's own place.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object, for programs.")
def command(*, shown: str, point: str, data: str | None, as_json: bool) -> None:
    """Have the running station judge and keep what a meter without a radio shows: 4.70 uF, OL Mohm, -12.34 mV DC.

    It is held at the active test point at once, and the station goes on to the next. With --json: point, circuit,
    title, and held (text, verdict, margin, reason and more, as the dashboard is told).
    """
    at, held = asyncio.run(enter_reading(data_dir(data), shown, point))
    if as_json:
        told: dict[str, Any] = {"point": at["key"], "circuit": at["circuit"], "title": at["title"], "held": held}
        click.echo(json.dumps(told))  # ASCII only: whatever encoding a pipe has, it arrives unharmed
        return
    margin = f" ({held['margin']})" if held["margin"] == "close call" else ""
    click.echo(f"{at['circuit']}: {at['title']}: {held['text']}  {held['verdict'].upper()}{margin}  {held['reason']}")


async def enter_reading(folder: Path, text: str, point: str = "") -> tuple[PointView, AcceptedView]:
    """Type a value in at the daemon of ``folder``; return the test point it was held at, and what was held there.

    LinkError where no daemon runs, InputError in its words where the value cannot be held, StoreError where it is not
    on the disk in time.
    """
    client = await connect(folder)
    try:
        async with asyncio.timeout(_COMMIT_TIMEOUT):
            before: VisitView | None = None
            sent = False
            async for message in client:
                if message["topic"] != "visit":
                    continue
                if sent and before is not None and (found := _find_new_accepted(before, message)):
                    return found
                before = before or message
                if not sent:
                    sent = True
                    if error := await client.send("key", text=text, point=point):
                        raise InputError(error)
        raise daemon_stopped(folder)
    except TimeoutError as error:
        raise StoreError(
            "The station has taken the value but not kept it yet.", "See the dashboard: the disk may be full."
        ) from error
    finally:
        await client.close()


def _find_new_accepted(before: VisitView, after: VisitView) -> tuple[PointView, AcceptedView] | None:
    """Return the point with a held reading that was typed in since ``before``."""
    for old, new in zip(before["points"], after["points"], strict=False):
        held = new["accepted"]
        if held is not None and held["meter"] == "keyed in" and held != old["accepted"]:
            return new, held
    return None
