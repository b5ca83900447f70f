"""The check of a report in JSON against the sealed editions that it carries.

The report is made again from the sealed text, and what both cover is compared: place, facts, notes, readings and
replaced parts. The diagnosis, what follows from it, and the names of meters are not covered.
"""

import json
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from meterlink.core.errors import InputError
from meterlink.record.json import FORMAT, json_report
from meterlink.record.model import Label
from meterlink.record.report import NOT_PROVEN, make_report
from meterlink.record.sealed_record import REMOVED, Sealed, sealed_record
from meterlink.seal.canonical import Json, can_be_sealed
from meterlink.seal.differences import Difference, differences
from meterlink.seal.edition import Edition, salted_hash
from meterlink.seal.verification import Verification, verify_editions

_NOT_A_REPORT = "Give a report that was written with --format json, or the id of a visit."
_SHOWN_TIME = re.compile(r"(\d{4}-\d\d-\d\d) (\d\d:\d\d:\d\d) UTC([+-]\d\d:\d\d)", re.ASCII)

_SEALED_FACTS = (
    Label.SITE, Label.MACHINE, Label.OPENED, Label.CLOSED, Label.OUTCOME, Label.JOB, Label.TECHNICIAN, Label.PLAN,
    Label.VISIT,
)  # fmt: skip
# Keys that the seal does not cover: names of meters, the place where a part was taken from, the diagnosis.
_OUTSIDE_READING = {"meter"}
_OUTSIDE_PART = {"fitted"}
_OUTSIDE_PAIR = {"outcome", "conclusion"}


@dataclass(frozen=True, slots=True)
class CheckedReport:
    """The check of a report. ``withheld`` are the subjects of sealed personal texts that it does not disclose."""

    verification: Verification
    withheld: tuple[str, ...]


def verify_report(text: str, name: str) -> CheckedReport:
    """Return the check of a report in JSON; ``name`` is that of its file.

    Raises:
        InputError: the text is not a report in JSON, or one of another version.
    """
    report = _parsed(text, name)
    sealed = report.get("sealed")
    if sealed is None:
        return CheckedReport(Verification(()), ())
    try:
        editions = [
            Edition(str(entry["text"]), str(entry["public_key"]), str(entry["signature"]))
            for entry in sealed["editions"]
        ]
        disclosed = {str(entry["subject"]): (str(entry["salt"]), str(entry["text"])) for entry in sealed["disclosed"]}
    except (TypeError, KeyError) as error:
        raise InputError(f"The seal in {name} is damaged: {error} is missing.", _NOT_A_REPORT) from error
    verification = verify_editions(editions)
    newest = verification.newest
    if newest is None or newest.text is None or not newest.edition.is_signed:
        return CheckedReport(verification, ())  # a changed text says nothing about the rest
    visit = newest.text.visit
    try:
        hashes = dict(_sealed_subjects(visit))
        texts = _shown_names(report) | {subject: text for subject, (_, text) in disclosed.items()}
        expected = _covered(json.loads(json_report(make_report(sealed_record(visit, texts, newest.text.clock_steps)))))
    except (LookupError, TypeError, ValueError, AttributeError, ArithmeticError, InputError) as error:
        # Anybody can sign anything with a key of their own.
        raise InputError(f"The sealed text in {name} is not that of a visit.", _NOT_A_REPORT) from error
    changes = [
        *_false_disclosures(hashes, disclosed), *_other_day(report), *differences(expected, _covered(report)),
    ]  # fmt: skip
    withheld = tuple(subject for subject, sealed in hashes.items() if sealed and subject not in disclosed)
    return CheckedReport(Verification(verification.editions, tuple(changes)), withheld)


def _parsed(text: str, name: str) -> dict[str, Any]:
    """Return the report.

    Raises:
        InputError: the text is not a report in JSON, or one of another version.
    """
    try:
        report = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise InputError(f"{name} is not JSON.", _NOT_A_REPORT) from error
    if not isinstance(report, dict) or not str(report.get("format", "")).startswith("meterlink-report-"):
        raise InputError(f"{name} is not a report.", _NOT_A_REPORT)
    if report["format"] != FORMAT:
        raise InputError(f"{name} was written by another version.", "Check it with that one, or check the visit.")
    if not can_be_sealed(report):
        raise InputError(f"{name} has a number or a sign that no report has.", _NOT_A_REPORT)
    return report


def _sealed_subjects(visit: Sealed) -> Iterator[tuple[str, str]]:
    """Yield the subjects of the personal texts of a sealed visit with their hashes."""
    for subject in ("site", "unit", "technician", "job"):
        yield subject, visit[subject]
    for reading in visit["readings"]:
        yield f"meter of {reading['uid']}", reading["meter_address"]
        for correction in reading.get("corrections", ()):
            yield f"correction {correction['uid']}", correction["technician"]
        for void in reading["voids"]:
            yield f"void {void['uid']}", void["reason"]
    for note in visit["notes"]:
        yield f"note {note['uid']}", note["text"]


def _false_disclosures(hashes: Mapping[str, str], disclosed: Mapping[str, tuple[str, str]]) -> Iterator[Difference]:
    """Yield the personal texts of the report that are not those that were sealed."""
    for subject, (salt, text) in disclosed.items():
        if hashes.get(subject, "") != (salted_hash(salt, text) if text else ""):
            yield Difference(f"{subject}: not the text that was sealed", "another text", text)


def _other_day(report: Mapping[str, Any]) -> Iterator[Difference]:
    """Yield the day of the report where it is not that of its end."""
    ends = [str(fact.get("text"))[:10] for fact in _objects(report.get("facts")) if fact.get("name") == Label.CLOSED]
    if ends and report.get("day") != ends[0]:
        yield Difference("day", ends[0], str(report.get("day")))


def _shown_names(report: Mapping[str, Any]) -> dict[str, str]:
    """Return the names in the report by subject; one without salt is a pseudonym that nothing can check."""
    shown = {fact.get("name"): str(fact.get("text")) for fact in _objects(report.get("facts"))}
    return {"site": shown.get(Label.SITE, REMOVED), "unit": shown.get(Label.MACHINE, REMOVED)}


def _covered(report: Mapping[str, Any]) -> Json:
    """Return the parts of a report that the seal covers, with times in UTC; any JSON may stand in a changed report."""
    facts = [fact for fact in _objects(report.get("facts")) if fact.get("name") in _SEALED_FACTS]
    proofs = report.get("proofs")
    return _in_utc(
        {
            "place": report.get("place"),
            "facts": [{"key": fact["name"], "text": fact.get("text")} for fact in facts],
            "left": report.get("left"),
            "notes": report.get("notes"),
            "proofs": [line for line in proofs if not str(line).startswith(NOT_PROVEN)]
            if isinstance(proofs, list)
            else proofs,
            "readings": _each(report.get("readings"), _reading),
            "replaced": _each(report.get("replaced"), _part),
            "clock": report.get("clock", []),  # a report of an earlier version has none
        }
    )


def _reading(entry: Mapping[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in entry.items() if key not in _OUTSIDE_READING}


def _part(part: Mapping[str, Any]) -> dict[str, Any]:
    covered = {key: value for key, value in part.items() if key not in _OUTSIDE_PART}
    return covered | {"points": _each(part.get("points"), _pair)}


def _pair(pair: Mapping[str, Any]) -> dict[str, Any]:
    covered = {key: value for key, value in pair.items() if key not in _OUTSIDE_PAIR}
    sides = {side: pair[side] for side in ("before", "after") if side in pair}
    return covered | {side: _reading(entry) if isinstance(entry, dict) else entry for side, entry in sides.items()}


def _each(entries: object, covered: Callable[[Mapping[str, Any]], dict[str, Any]]) -> object:
    """Return the covered part of each object of a list; anything else stays, and differs from what was sealed."""
    if not isinstance(entries, list):
        return entries
    return [covered(entry) if isinstance(entry, dict) else entry for entry in entries]


def _objects(value: object) -> list[dict[str, Any]]:
    return [item for item in value if isinstance(item, dict)] if isinstance(value, list) else []


def _in_utc(value: Any) -> Json:
    """Return a JSON value in which every time, ``2026-07-01 13:05:09 UTC+02:00``, is written in UTC."""
    if isinstance(value, dict):
        return {key: _in_utc(item) for key, item in value.items()}
    if isinstance(value, list):
        return [_in_utc(item) for item in value]
    return _SHOWN_TIME.sub(_utc_time, value) if isinstance(value, str) else value


def _utc_time(shown: re.Match[str]) -> str:
    try:
        moment = datetime.fromisoformat(f"{shown[1]}T{shown[2]}{shown[3]}").astimezone(UTC)
    except (ValueError, OverflowError):  # the 31st of April
        return shown[0]
    return f"{moment:%Y-%m-%d %H:%M:%S} UTC"
