"""``meterlink teach``: a meter's profile, worked out from a capture with labels from its display."""

import json
from collections.abc import Iterator
from pathlib import Path

import click

from meterlink.cli.recorded_capture import load_capture
from meterlink.core.errors import InputError
from meterlink.core.text import clean_text
from meterlink.profiles.model import LONGEST_PROFILE_NAME, is_profile_name, make_profile_name
from meterlink.station.profile_files import load_profile
from meterlink.teach import TeachProgress, TeachReport, find_progress, teach, write_taught_profile
from meterlink.tomlfile.files import printable_path

_EXIT_NO_PROFILE = 1  # exit status of a readable capture without a profile
_MAX_SUGGESTIONS = 5  # suggested readings printed; a longer list goes unread
_MAX_LINE_LENGTH = 200  # characters of a line


@click.command()
@click.argument("capture", type=click.Path(path_type=Path))
@click.option("-o", "--output", type=click.Path(dir_okay=False, path_type=Path), help="File for the profile.")
@click.option("--name", help="The profile's name; default: the name of the output file.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object, for programs.")
@click.pass_context
def command(context: click.Context, capture: Path, output: Path | None, name: str | None, *, as_json: bool) -> None:
    """Work out a meter's profile from a CAPTURE (JSON Lines) with labels.

    \b
        meterlink teach yard.jsonl -o yard.toml

    The profile agrees with every entry. If no profile does, none is written, and the entries that contradict most of
    the others are named. To test the profile, each entry is held out in turn and decoded by a profile made from the
    others. Ctrl-C ends the search, with the best so far. Exit status 0 for a profile, 1 for none, 2 for an unusable
    capture.

    With --json: has_profile, name, driver, entries (their number), frames, reason (null with a profile), encoding,
    framing, checksum, functions (each function, units, entries, held_out_right, held_out_not_decoded, held_out_wrong,
    confidence, suggested_readings, one_range: no entry shows another), contradictions, unused_entries and near_entries
    (each t, line, display; a contradiction also expected_text, and rival, the only entry that contradicts it; near: one
    count off a moving display), unexplained_bits (they change while the labels stay the same), unconfirmed_entries
    (each t, line, display: the only entry of its range, unit, sign, digit or overload, not read yet), slow_bytes (they
    follow time), pinned_bytes (they may, but must not move yet), still_bytes (they never moved in less than an hour),
    unlabelled_frames and unlabelled_read (frames without an entry, and those of them that the profile reads), stopped
    (by Ctrl-C), suggested_readings (the most useful first) and progress (entered: the entries that count; needed: about
    how many will be enough; open: text and entries of each thing still open).

    \f

    Raises:
        InputError: the capture or the name cannot be used, or the output file cannot be written.
    """
    recorded = load_capture(capture)
    if output is not None:
        _check_output(capture, output)
    report = teach(recorded, _profile_name(name, output))
    if report.profile is not None and output is not None:
        try:
            output.write_text(write_taught_profile(report, recorded), encoding="utf-8")
        except OSError as error:
            raise InputError(f"{output} cannot be written: {error.strerror}.", "Give another file to -o.") from error
    if as_json:
        answer = report.as_object() | {"progress": find_progress(recorded.entries, report).as_object()}
        click.echo(json.dumps(answer, ensure_ascii=False, indent=2).encode())
    else:
        for line in _lines(report, find_progress(recorded.entries, report), output):
            click.echo(clean_text(line, _MAX_LINE_LENGTH))
    if not report.has_profile:
        context.exit(_EXIT_NO_PROFILE)


def _profile_name(name: str | None, output: Path | None) -> str:
    """Return the given name, or a name made from the output file's.

    Raises:
        InputError: the given name is not a profile's name.
    """
    if name is not None:
        if not is_profile_name(name):
            raise InputError(
                f"{name!r} is not a name for a profile.",
                f"Use at most {LONGEST_PROFILE_NAME} lower-case letters, digits and hyphens.",
            )
        return name
    return make_profile_name(output.stem if output is not None else "")


def _check_output(capture: Path, output: Path) -> None:
    """Check that the profile overwrites at most an older profile.

    Raises:
        InputError: the file is the capture, or another file that is no profile.
    """
    if not output.exists() or not output.stat().st_size:
        return
    if output.samefile(capture):
        raise InputError(f"The profile would overwrite the capture {capture}.", "Give another file to -o.")
    try:
        load_profile(output)
    except InputError:
        raise InputError(
            f"{printable_path(output)} exists, and is no profile that may be overwritten.", "Give another file to -o."
        ) from None


def _doubts(report: TeachReport) -> Iterator[str]:
    """Yield the frames that the profile does not read, and the bytes that may change."""
    if report.stopped:
        yield "Stopped: not every entry was held out, so the counts above are not complete."
    if report.unlabelled_frames:
        yield f"Of {report.unlabelled_frames} frames without an entry it reads {report.unlabelled_read}."
    for entry in report.unconfirmed_entries:
        if entry.displayed_value.overload:
            yield (
                f"Not read, because its packets hold a number: {entry.text!r} at {entry.seconds:g} s. If the display "
                "showed a number, correct the entry."
            )
        else:
            yield f"Not read until a second entry confirms it: {entry.text!r} at {entry.seconds:g} s."
    for function in report.functions:
        if function.one_range:
            yield (
                f"{function.function} was shown in one range. Perhaps the packets do not tell ranges apart: compare "
                "with the display in another range, or show one here."
            )
    if report.slow_bytes:
        yield f"These bytes follow time, not the display, and may change: {', '.join(map(str, report.slow_bytes))}."
    if report.pinned_bytes:
        yield (
            f"These bytes may follow time, too, but hardly moved: {', '.join(map(str, report.pinned_bytes))}. "
            "Frames in which they move further are refused."
        )
    if report.still_bytes:
        yield (
            f"These bytes never moved: {', '.join(map(str, report.still_bytes))}. If one of them is a clock or the "
            "level of a battery, frames are refused once it moves."
        )


def _lines(report: TeachReport, progress: TeachProgress, output: Path | None) -> Iterator[str]:
    if report.profile is None:
        yield f"NO PROFILE: {report.reason}."
    else:
        destination = f", written to {output}" if output is not None else ", not written (no -o)"
        yield f"PROFILE {report.profile.name} ({report.profile.driver}){destination}"
        yield f"Number: {report.encoding}; {report.framing}; checksum: {report.checksum or 'none found'}."
    for function in report.functions:
        yield f"{function.function}: {function.confidence} ({function.entries} entries; held out: {function.held_out})."
    if report.profile is not None:
        yield from _doubts(report)
    for contradiction in report.contradictions:
        yield f"Check this: {contradiction}."
    for label in report.unused_entries:
        yield f"Not used, no frame near it: {label.text!r} at {label.seconds:g} s."
    for label in report.near_entries:
        yield f"Not used, one count off a moving display: {label.text!r} at {label.seconds:g} s."
    yield f"Entries: {progress}."
    for suggestion in report.suggested_readings[:_MAX_SUGGESTIONS]:
        yield f"Useful next: {suggestion}."
