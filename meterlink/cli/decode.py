"""``meterlink decode``: a capture through a profile, packet by packet."""

import io
import json
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import click

from meterlink.capture.capture_file import Capture, CapturedPacket, read_capture
from meterlink.core.clock import Timestamp
from meterlink.core.errors import InputError
from meterlink.core.readings import Reading
from meterlink.core.units import BASE_UNIT
from meterlink.profiles import Profile, load_profile, open_profile_driver

INCOMPLETE = "incomplete"
"""The status of a packet that completes no frame and is not known to be wrong."""


@click.command()
@click.argument("capture", type=click.Path(path_type=Path))
@click.option("--profile", "file", required=True, type=click.Path(path_type=Path), help="The profile, a TOML file.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object a line, for programs.")
def command(capture: Path, file: Path, *, as_json: bool) -> None:
    """Decode the packets of a CAPTURE (JSON Lines) by a profile.

    One line per packet, in order of time: t; quantity; value and its unit (V, A, Ω, F, Hz, °C, %; null where there is
    no value); display; status (ok, overload, invalid; incomplete for a packet that completes no frame). Where the
    display says so, flags: hold (it is frozen), relative (it shows a difference), low battery. A packet that completes
    several frames gets a line for each; one of a channel that the profile does not name gets none.
    """
    if as_json and isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(encoding="utf-8")  # as JSON is, whatever encoding a pipe has (RFC 8259, 8.1)
    profile, recorded = load_profile(file), read_capture(capture)
    for packet, reading in decode(profile, recorded, str(capture)):
        line = packet_fields(packet, reading)
        click.echo(json.dumps(line, ensure_ascii=False) if as_json else _packet_text(line))


def decode(profile: Profile, capture: Capture, name: str) -> Iterator[tuple[CapturedPacket, Reading | None]]:
    """Yield every packet of the profile's channels with what it completes: a reading, several in turn, or None.

    InputError naming the capture, ``name``, where it has no packet of such a channel.
    """
    channels = list(dict.fromkeys(packet.channel for packet in capture.packets))
    driver = open_profile_driver(profile, channels)
    fed = {channel.key for channel in driver.channels}
    if fed.isdisjoint(channels):
        raise InputError(
            f"{name} has no packet of a channel of the profile {profile.name}.",
            f"Its channels are: {', '.join(channels) or 'none at all'}. Correct the profile's [connection].",
        )
    for packet in capture.packets:
        if packet.channel in fed:
            nanoseconds = round(packet.seconds * 1e9)
            readings = driver.feed(packet.channel, packet.data, Timestamp(nanoseconds, nanoseconds))
            for reading in readings or (None,):
                yield packet, reading


def packet_fields(packet: CapturedPacket, reading: Reading | None) -> dict[str, Any]:
    """Return what is said of a packet and one reading of it, None where it completes none."""
    said = dict.fromkeys(("quantity", "value", "unit", "display", "status"))
    if reading is None:
        return {"t": packet.seconds, **said, "status": INCOMPLETE}
    lit = {"hold": reading.display_hold, "relative": reading.relative, "low battery": reading.low_battery}
    flags = [name for name, on in lit.items() if on]
    return {
        "t": packet.seconds,
        "quantity": str(reading.quantity),
        "value": reading.value,
        "unit": BASE_UNIT[reading.quantity],
        "display": reading.text,
        "status": str(reading.status),
    } | ({"flags": flags} if flags else {})


def _packet_text(fields: dict[str, Any]) -> str:
    flags = f"  ({', '.join(fields['flags'])})" if "flags" in fields else ""
    return f"{fields['t']:12.3f} s  {fields['status']:10}  {fields['display'] or ''}{flags}".rstrip()
