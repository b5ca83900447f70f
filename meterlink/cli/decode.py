"""``meterlink decode``: a capture decoded with a profile, packet by packet."""

import io
import json
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import click

from meterlink.capture.capture_file import Capture, CapturedPacket
from meterlink.cli.recorded_capture import load_capture
from meterlink.core.clock import Timestamp
from meterlink.core.errors import InputError
from meterlink.core.readings import Reading
from meterlink.core.units import BASE_UNIT
from meterlink.profiles import Profile, open_profile_driver
from meterlink.station.profile_files import load_profile

INCOMPLETE = "incomplete"
"""The status of a packet that completes no frame and has no known error."""


@click.command()
@click.argument("capture", type=click.Path(path_type=Path))
@click.option("--profile", "file", required=True, type=click.Path(path_type=Path), help="The profile, a TOML file.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object per line, for programs.")
def command(capture: Path, file: Path, *, as_json: bool) -> None:
    """Decode the packets of a CAPTURE (JSON Lines) with a profile.

    \b
        meterlink decode yard.jsonl --profile yard.toml

    One line per packet, in order of time: t; quantity; value and its unit (V, A, Ω, F, Hz, °C, %; null without a
    value); display; status (ok, overload, invalid; incomplete for a packet that completes no frame); and flags, if the
    display has any: display hold (it is frozen), relative (it shows a difference), low battery. A packet that completes
    several frames gets a line for each; a packet of a channel outside the profile gets none.
    """
    if as_json and isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(encoding="utf-8")  # the encoding of JSON, in any pipe (RFC 8259, 8.1)
    profile, recorded = load_profile(file), load_capture(capture)
    for packet, reading in decode(profile, recorded, str(capture)):
        line = packet_fields(packet, reading)
        click.echo(json.dumps(line, ensure_ascii=False) if as_json else _packet_text(line))


def decode(profile: Profile, capture: Capture, name: str) -> Iterator[tuple[CapturedPacket, Reading | None]]:
    """Yield ``(packet, reading)`` for every reading of every packet on the profile's channels.

    A packet without a reading yields ``(packet, None)``. ``name`` names the capture in the error.

    Raises:
        InputError: the capture has no packet of the profile's channels.
    """
    channels = list(dict.fromkeys(packet.channel for packet in capture.packets))
    driver = open_profile_driver(profile, channels)
    profile_channels = {channel.key for channel in driver.channels}
    if profile_channels.isdisjoint(channels):
        raise InputError(
            f"{name} has no packet of a channel of the profile {profile.name}.",
            f"It has packets of: {', '.join(channels) or 'no channel'}. Correct the profile's [connection].",
        )
    for packet in capture.packets:
        if packet.channel in profile_channels:
            nanoseconds = round(packet.seconds * 1e9)
            readings = driver.feed(packet.channel, packet.data, Timestamp(nanoseconds, nanoseconds))
            for reading in readings or (None,):
                yield packet, reading


def packet_fields(packet: CapturedPacket, reading: Reading | None) -> dict[str, Any]:
    """Return the JSON fields of a packet with one of its readings, or with None if it has none.

    The keys are documented in the command's help.
    """
    no_reading = dict.fromkeys(("quantity", "value", "unit", "display", "status"))
    if reading is None:
        return {"t": packet.seconds, **no_reading, "status": INCOMPLETE}
    annunciators = {
        "display hold": reading.display_hold,
        "relative": reading.relative,
        "low battery": reading.low_battery,
    }
    flags = [name for name, on in annunciators.items() if on]
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
