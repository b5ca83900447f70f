"""``meterlink decode``: a capture decoded with a profile, packet by packet."""

import io
import json
import sys
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

import click

from meterlink.capture.capture_file import Capture, CapturedPacket
from meterlink.cli.completion import complete_meter
from meterlink.cli.decode_kept import decode_kept
from meterlink.cli.output import data_option
from meterlink.cli.recorded_capture import load_capture
from meterlink.core.clock import Timestamp
from meterlink.core.errors import InputError
from meterlink.core.readings import Reading, Status
from meterlink.core.text import count_phrase
from meterlink.core.units import BASE_UNIT
from meterlink.profiles import Profile, ProfileDriver, ReadShare, Refusal, RefusalReason, open_profile_driver
from meterlink.profiles.read_share import LEAST_SHARE
from meterlink.station.profile_files import load_profile

INCOMPLETE = "incomplete"
"""The status of a packet that completes no frame and has no known error."""

OTHER = "other"
"""The status of a frame or line of another kind, which the profile leaves out."""


_INCOMPLETE = Refusal(RefusalReason.PART)
_MOST_REASONS = 20  # printed; the others are summed up


class Decoded(NamedTuple):
    """A packet with one of its readings; ``refusal`` says why there is none (None), or why it has no value."""

    packet: CapturedPacket
    reading: Reading | None
    refusal: Refusal | None


@click.command()
@click.argument("capture", required=False, type=click.Path(path_type=Path))
@click.option("--profile", "file", type=click.Path(path_type=Path), help="The profile, a TOML file.")
@click.option(
    "--kept", metavar="METER", shell_complete=complete_meter, help="Decode the kept packets of this meter again."
)
@click.option("--since", metavar="WHEN", help="Of --kept only those since WHEN: 2026-07-01, or 7d, 12h, 30m ago.")
@click.option("--technician", default="", metavar="NAME", help="Of --kept: who records the corrections.")
@click.option("--yes", is_flag=True, help="Record the corrections; without it they are only shown, or asked about.")
@data_option
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object per line, for programs.")
def command(
    capture: Path | None,
    file: Path | None,
    kept: str | None,
    since: str | None,
    data: str | None,
    technician: str,
    *,
    yes: bool,
    as_json: bool,
) -> int:
    """Decode the packets of a CAPTURE (JSON Lines) with a profile, or those that a meter sent before, again.

    \b
        meterlink decode yard.jsonl --profile yard.toml
        meterlink decode --kept "clamp meter" --since 7d
        meterlink decode --kept "clamp meter" --since 7d --yes

    One line per packet, in order of time: t; quantity; value and its unit (V, A, Ω, F, Hz, °C, %; null without a
    value); display; status (ok, overload, invalid; incomplete for a packet that completes no frame; other for a frame
    of a kind that the profile leaves out); flags, if the display has any: display hold (it is frozen), relative (it
    shows a difference), low battery; and without a value reason (a word: code, checksum, word, part …) and detail: the
    bit, the code or the word that is not known. A packet that completes several frames gets a line for each; a packet
    of a channel outside the profile gets none.

    At the end the refused packets are counted by reason, and the other frames by their kind; with --json as
    {"summary": {read, refused, percent, reasons, other, others}}.

    Exit status: 0 the profile reads at least 90 % of the packets, other frames left aside; 1 it reads less.

    With --kept, after a profile or a driver was corrected: the accepted readings of the METER that would have another
    display now, each with its old and new value and verdict, and how many raw readings would. The meter's present
    profile or driver decodes, or the file of --profile. With --yes the station records the new displays and verdicts of
    readings in open visits; the old ones stay beside them. A closed visit is sealed: its readings stay, and it gets a
    note of each difference.

    With --kept and --json one object: meter, driver, profile_hash, readings (uid, at, visit_uid, site, unit, circuit,
    component, section, point, before, after, verdict_before, verdict, margin, reason, closed), raw (same,
    another_value, newly_read, no_longer_read, not_decoded), read_now (at, visit_uid, display: a display at rest that
    was refused in a visit), done, corrected and noted (numbers of readings).

    \f

    Raises:
        click.UsageError: neither or both of a capture and --kept are given, or options of the other.
    """
    if kept is not None:
        if capture is not None:
            raise click.UsageError("Give either a capture or --kept METER.")
        if yes and file is not None:
            raise click.UsageError("A profile must be in use before it corrects the record: save it in profiles/.")
        decode_kept(kept, since, file, data, technician, yes=yes, as_json=as_json)
        return 0
    if since is not None or data is not None or technician or yes:
        raise click.UsageError("--since, --data, --technician and --yes belong to --kept METER.")
    if capture is None or file is None:
        raise click.UsageError("Give a capture and its --profile, or --kept METER.")
    return _decode_capture(capture, file, as_json=as_json)


def _decode_capture(capture: Path, file: Path, *, as_json: bool) -> int:
    if as_json and isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(encoding="utf-8")  # the encoding of JSON, in any pipe (RFC 8259, 8.1)
    profile, recorded = load_profile(file), load_capture(capture)
    share = ReadShare()
    for decoded in decode(profile, recorded, share, str(capture)):
        line = packet_fields(decoded)
        click.echo(json.dumps(line, ensure_ascii=False) if as_json else _packet_text(line, decoded.refusal))
    if as_json:
        click.echo(json.dumps({"summary": _summary_fields(share)}, ensure_ascii=False))
    else:
        click.echo("\n".join(_summary_lines(share)))
    return 1 if share.is_low else 0


def decode(profile: Profile, capture: Capture, share: ReadShare, name: str) -> Iterator[Decoded]:
    """Yield every reading of every packet on the profile's channels, and count it in ``share``.

    A packet without a reading is yielded with None in its place. ``name`` names the capture in the error.

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
    has_parts = profile.framing is not None and bool(profile.framing.parts)
    for packet in capture.packets:
        if packet.channel not in profile_channels:
            continue
        stream = "" if has_parts else packet.channel
        nanoseconds = round(packet.seconds * 1e9)
        readings = driver.feed(packet.channel, packet.data, Timestamp(nanoseconds, nanoseconds))
        for reading in readings:
            refusal = _refusal_of(driver, reading) if reading.status is Status.INVALID else None
            share.add_reading(stream, packet.data, reading.packet, refusal)
            yield Decoded(packet, reading, refusal)
        if not readings:
            refusal = _refusal_of(driver, None)
            share.add_unread(stream, packet.data, refusal)
            yield Decoded(packet, None, refusal)
    share.finish()


def _refusal_of(driver: ProfileDriver, reading: Reading | None) -> Refusal:
    """Return why the packet fed last gave an invalid reading, or None, which says that a frame is not complete."""
    refusals = driver.refusals
    own = [refusal for refusal in refusals if reading is not None and refusal.data == reading.packet]
    return next(iter((*own, *refusals)), _INCOMPLETE)


def packet_fields(decoded: Decoded) -> dict[str, Any]:
    """Return the JSON fields of a packet with one of its readings, or without one.

    The keys are documented in the command's help.
    """
    packet, reading, refusal = decoded
    why: dict[str, Any] = {}
    if refusal is not None:
        why = {"reason": str(refusal.reason), "detail": refusal.detail}
    no_reading = dict.fromkeys(("quantity", "value", "unit", "display", "status"))
    if reading is None:
        is_other = refusal is not None and refusal.reason is RefusalReason.OTHER_KIND
        return {"t": packet.seconds, **no_reading, "status": OTHER if is_other else INCOMPLETE, **why}
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
        **({"flags": flags} if flags else {}),
        **why,
    }


def _packet_text(fields: dict[str, Any], refusal: Refusal | None) -> str:
    flags = f"  ({', '.join(fields['flags'])})" if "flags" in fields else ""
    display = fields["display"] or ""
    # The status says already that a frame is incomplete.
    why = "" if refusal in {None, _INCOMPLETE} else f"{'  ' if display else ''}{refusal}"
    return f"{fields['t']:12.3f} s  {fields['status']:10}  {display}{flags}{why}".rstrip()


def _summary_fields(share: ReadShare) -> dict[str, Any]:
    reasons = [
        {"reason": str(refusal.reason), "detail": refusal.detail, "count": count}
        for refusal, count in share.refusals.most_common()
    ]
    return {
        "read": share.read,
        "refused": share.refusals.total(),
        "percent": share.percent,
        "reasons": reasons,
        "other": share.others.total(),
        "others": [{"detail": other.detail, "count": count} for other, count in share.others.most_common()],
    }


def _summary_lines(share: ReadShare) -> Iterator[str]:
    read = f"{share.read} of {count_phrase(share.total, 'packet')} read"
    if share.refusals:
        yield f"{read} ({share.percent} %). Not read:"
        yield from _counted(share.refusals)
    else:
        yield f"{read}."
    if share.others:
        yield "Left aside, as the profile has it:"
        yield from _counted(share.others)
    if share.is_low:
        yield f"Less than {LEAST_SHARE} %: teach the meter again, with readings of what is not known yet."


def _counted(refusals: Counter[Refusal]) -> Iterator[str]:
    """Yield a line for each of the most frequent refusals, and one for the others."""
    reasons = refusals.most_common()
    for refusal, count in reasons[:_MOST_REASONS]:
        yield f"{count:8}  {refusal}"
    if rest := sum(count for _, count in reasons[_MOST_REASONS:]):
        yield f"{rest:8}  {len(reasons) - _MOST_REASONS} other reasons"
