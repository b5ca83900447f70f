"""``meterlink teach``: a meter's profile, found from a capture and what its display showed."""

import json
import re
from collections.abc import Iterator
from pathlib import Path

import click

from meterlink.capture.capture_file import read_capture
from meterlink.core.errors import InputError
from meterlink.core.text import clean_text
from meterlink.profiles import write_profile
from meterlink.profiles.model import PROFILE_NAME
from meterlink.teach import TeachReport, teach

_EXIT_NO_PROFILE = 1  # exit status: the capture was read, but no profile was made of it
_MAX_SUGGESTIONS = 5  # readings asked for at a time; more is not read
_MAX_LINE_LENGTH = 200  # characters of a line


@click.command()
@click.argument("capture", type=click.Path(path_type=Path))
@click.option("-o", "--output", type=click.Path(dir_okay=False, path_type=Path), help="Where to write the profile.")
@click.option("--name", help="The profile's name; default: that of the output file.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object, for programs.")
@click.pass_context
def command(context: click.Context, capture: Path, output: Path | None, name: str | None, *, as_json: bool) -> None:
    """Find out how a meter's packets are read, from a CAPTURE (JSON Lines) with labels, and write its profile.

    The profile says what every label says; where that cannot be, none is written, and it is said which label stands
    alone. Each label is also held back in turn and decoded by a profile made of the others. Exit status 0 for a
    profile, 1 for none, 2 for a capture that cannot be read.

    With --json: accepted, name, driver, labels, frames, reason (null where accepted), encoding, framing, check,
    functions (each function, units, labels, held_back_right, held_back_refused, held_back_wrong, sure, wanted),
    contradictions and unused (each t, line, shows), varying (bits that change while the labels say the same) and
    wanted (readings that would decide something, the most useful first).
    """
    report = teach(read_capture(capture), _profile_name(name, output))
    if report.profile is not None and output is not None:
        try:
            output.write_text(write_profile(report.profile), encoding="utf-8")
        except OSError as error:
            raise InputError(f"{output} cannot be written: {error.strerror}.", "Give another file to -o.") from error
    if as_json:
        click.echo(json.dumps(report.as_object(), ensure_ascii=False, indent=2).encode())
    else:
        for line in _lines(report, output):
            click.echo(clean_text(line, _MAX_LINE_LENGTH))
    if not report.has_profile:
        context.exit(_EXIT_NO_PROFILE)


def _profile_name(given: str | None, output: Path | None) -> str:
    """Return the name asked for, or one made of the file's; InputError for one that no profile may have."""
    if given is not None:
        if PROFILE_NAME.fullmatch(given) is None:
            raise InputError(f"{given!r} cannot be a profile's name.", "Use small letters, digits and hyphens.")
        return given
    stem = "-".join(re.findall("[a-z0-9]+", output.stem.lower())) if output is not None else ""
    return stem or "taught"


def _lines(report: TeachReport, output: Path | None) -> Iterator[str]:
    if report.profile is None:
        yield f"NO PROFILE: {report.reason}."
    else:
        where = f", written to {output}" if output is not None else ", not written (no -o)"
        yield f"PROFILE {report.profile.name} ({report.profile.driver}){where}"
        yield f"Number: {report.encoding}; {report.framing}; check: {report.checksum or 'none found'}."
    for one in report.functions:
        said = f"{one.right} right, {one.not_decoded} not read, {one.wrong} wrong"
        yield f"{one.function}: {one.confidence} ({one.entries} labels; held back: {said})."
    for contradiction in report.contradictions:
        yield f"Check this: {contradiction}."
    for label in report.unused_entries:
        yield f"Not used, no packet came: {label.text!r} at {label.seconds:g} s."
    for wish in report.suggested_readings[:_MAX_SUGGESTIONS]:
        yield f"Would decide more: {wish}."
