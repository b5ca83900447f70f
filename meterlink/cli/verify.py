"""``meterlink verify``: whether a visit, or a report, is as it was sealed."""

import json
import sys
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from typing import Any

import click

from meterlink.cli.completion import complete_visit
from meterlink.cli.output import data_option, json_option, printable_text
from meterlink.cli.stored_visits import find_visit, newest_visit
from meterlink.core.errors import InputError
from meterlink.record.verified_report import verify_report
from meterlink.record.verified_visit import verify_visit
from meterlink.seal.canonical import fingerprint
from meterlink.seal.verification import EditionCheck, SealState, Verification
from meterlink.settings import DATABASE_FILE, existing_data_dir
from meterlink.store.reader import Reader

_STATUS = {SealState.INTACT: 0, SealState.CHANGED: 3, SealState.NOT_SEALED: 4}
_LARGEST_FILE = 64 * 1024 * 1024  # bytes; photos are in a report as text, up to some MB each
_STANDARD_INPUT = "-"
_COVERED = (
    "the visit with its outcome, test points, accepted readings with their packets, verdicts, voids, corrections,"
    " replacements and notes"
)
_PROOF = (
    "An intact seal shows that the holder of its key sealed these contents, and that nobody changed them since. It does"
    " not show that a reading was right, or who took it, or that the station's clock was."
)
_OUTSIDE_VISIT = "raw readings, the names of meters, and the facts and photos of the unit"
_OUTSIDE_REPORT = (
    "the two sentences, diagnosis, derived results, points that were not tested, cautions, pictures, the facts of site"
    " and unit, and the names of meters"
)


@click.command("verify", short_help="Check that a visit, or a report, is as it was sealed.")
@click.argument("target", metavar="[VISIT|FILE]", default="", shell_complete=complete_visit)
@click.option("--last", is_flag=True, help="The newest visit; the default.")
@click.option("--key", metavar="KEY", help="The public key, or its beginning, that must have sealed every edition.")
@data_option
@json_option
def command(target: str, key: str | None, data: str | None, *, last: bool, as_json: bool) -> int:
    """Check that a VISIT (its id or the beginning), or a report in a FILE, is as it was sealed.

    \b
        meterlink verify --last
        meterlink verify 7f3a
        meterlink verify report.json --key 3f2a91bc

    A closed visit is sealed by the station's key. A later change that Meterlink makes (a void, a new verdict, another
    name) makes another edition, which is listed with its changes. Every other change is found here. A report in JSON
    (meterlink report --format json) carries its seal, for any machine. FILE may be - for standard input.

    Exit status: 0 intact, 3 changed, 4 not sealed.

    With --json: state (intact, changed, not sealed), visit, changes (place, before, after: since the newest edition),
    unchecked (personal texts that were removed, or that the report does not disclose), covered, outside, and editions:
    edition, sealed, fingerprint, public_key, problems and changes (from the edition before).

    \f

    Raises:
        click.UsageError: both a target and --last are given.
        InputError: the visit or the file does not exist, or the file is not a report in JSON.
    """
    if target and last:
        raise click.UsageError("Give a visit, a file, or --last.")
    if target == _STANDARD_INPUT or (target and (Path(target).is_file() or target.endswith(".json"))):
        name = "standard input" if target == _STANDARD_INPUT else target
        checked = verify_report(_read(target), name)
        return _show(name, checked.verification, checked.withheld, key, _OUTSIDE_REPORT, as_json=as_json)
    reader = Reader(existing_data_dir(data) / DATABASE_FILE)
    visits = reader.visits()
    stored = find_visit(visits, target) if target else newest_visit(visits)
    seal = reader.seal(stored.uid)
    verification = verify_visit(seal, {known.public_key for known in reader.station_keys()})
    name = f"The visit {stored.uid} to {stored.site.name} / {stored.site.unit}"
    if not seal.is_closed:
        name = f"{name} is open: it is sealed when it is closed. It"
    return _show(name, verification, seal.unchecked if seal.editions else (), key, _OUTSIDE_VISIT, as_json=as_json)


def _read(path: str) -> str:
    """Return the text of a file, or of standard input.

    Raises:
        InputError: it cannot be read, is no text, or is larger than a report.
    """
    try:
        with sys.stdin.buffer if path == _STANDARD_INPUT else Path(path).open("rb") as file:
            content = file.read(_LARGEST_FILE + 1)
        if len(content) > _LARGEST_FILE:
            raise InputError(f"{path} is too large for a report.", "Give a report that was written with --format json.")
        return content.decode()
    except OSError as error:
        raise InputError(f"{path} cannot be read: {error.strerror}.", "Check its name.") from error
    except UnicodeDecodeError as error:
        raise InputError(f"{path} is not text.", "Give a report that was written with --format json.") from error


def _show(
    name: str, verification: Verification, unchecked: tuple[str, ...], key: str | None, outside: str, *, as_json: bool
) -> int:
    """Print the result of a check; return the exit status."""
    others = [check for check in verification.editions if key and not _has_key(check, key)]
    state = SealState.CHANGED if others else verification.state
    if as_json:
        click.echo(json.dumps(_fields(verification, state, unchecked, outside), ensure_ascii=False, indent=2))
        return _STATUS[state]
    click.secho(f"{printable_text(name)}: {state}.", bold=True)
    for change in verification.changes:
        click.echo(f"  Changed since it was sealed: {printable_text(str(change))}")
    for check in reversed(verification.editions):
        for line in _edition_lines(check, is_other_key=check in others):
            click.echo(line)
    if unchecked:
        click.echo(printable_text(f"Not checked, because the text was removed or left out: {', '.join(unchecked)}."))
    if verification.editions:
        click.echo(f"The seal covers {_COVERED}.\nIt does not cover {outside}.\n{_PROOF}")
    return _STATUS[state]


def _edition_lines(check: EditionCheck, *, is_other_key: bool) -> Iterator[str]:
    number, sealed = ("?", "?") if check.text is None else (check.text.number, check.text.sealed)
    state = "changed" if check.problems else "intact"
    time = printable_text(f"{sealed.partition('.')[0].replace('T', ' ')} UTC")
    yield f"Edition {number}, sealed {time}: {state}. Fingerprint {fingerprint(check.edition.digest)}."
    yield f"  Sealed with the key {printable_text(check.edition.public_key)}."
    yield from (f"  {printable_text(problem)}" for problem in check.problems)
    if is_other_key:
        yield "  It is not the key that you gave."
    yield from (f"  Changed from the edition before: {printable_text(str(change))}" for change in check.changes)


def _has_key(check: EditionCheck, key: str) -> bool:
    return check.edition.public_key.startswith("".join(key.split()).lower())


def _fields(verification: Verification, state: SealState, unchecked: tuple[str, ...], outside: str) -> dict[str, Any]:
    newest = verification.newest
    return {
        "state": state,
        "visit": None if newest is None or newest.text is None else newest.text.visit.get("uid"),
        "changes": list(map(asdict, verification.changes)),
        "unchecked": list(unchecked),
        "covered": _COVERED,
        "outside": outside,
        "editions": [
            {
                "edition": None if check.text is None else check.text.number,
                "sealed": None if check.text is None else check.text.sealed,
                "fingerprint": fingerprint(check.edition.digest),
                "public_key": check.edition.public_key,
                "problems": list(check.problems),
                "changes": list(map(asdict, check.changes)),
            }
            for check in verification.editions
        ],
    }
