"""The check of a report in JSON against the sealed editions that it carries.

Each value of the report that the seal covers is derived from the sealed text again, and compared. The words around
them, the sentences, the diagnosis and the pictures are not covered.
"""

import json
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from decimal import Decimal
from typing import Any

from meterlink.core.clock import Timestamp
from meterlink.core.errors import InputError
from meterlink.core.readings import Coupling, Reading, Status
from meterlink.core.units import Quantity
from meterlink.core.verdicts import Margin, Verdict
from meterlink.record.entries import plain, utc_text, verdict_text
from meterlink.record.model import Label
from meterlink.record.sentences import left_lines
from meterlink.seal.canonical import canonical_text
from meterlink.seal.differences import Difference
from meterlink.seal.edition import Edition, salted_hash
from meterlink.seal.verification import Verification, verify_editions
from meterlink.store.rows import UnitLeft

_SEALED = "sealed"  # the key of the editions in a report
_NOT_A_REPORT = "Give a report that was written with --format json, or the id of a visit."
_SHOWN_TIME = re.compile(r"(\d{4}-\d\d-\d\d) (\d\d:\d\d:\d\d) UTC([+-]\d\d:\d\d)", re.ASCII)

Sealed = Mapping[str, Any]
"""A part of the sealed text; its station wrote it, so its parts are of the types that it has in the database."""


@dataclass(frozen=True, slots=True)
class CheckedReport:
    """The check of a report. ``withheld`` are the subjects of sealed personal texts that it does not disclose."""

    verification: Verification
    withheld: tuple[str, ...]


def verify_report(text: str, name: str) -> CheckedReport:
    """Return the check of a report in JSON; ``name`` is that of its file.

    Raises:
        InputError: the text is not a report in JSON.
    """
    report = _parsed(text, name)
    sealed = report.get(_SEALED)
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
    try:
        hashes = dict(_sealed_subjects(newest.text.visit))
        changes = [*_false_disclosures(hashes, disclosed), *_changes(report, newest.text.visit, disclosed)]
    except (LookupError, TypeError, ValueError, AttributeError, ArithmeticError) as error:
        # Anybody can sign anything with a key of their own.
        raise InputError(f"The sealed text in {name} is not that of a visit.", _NOT_A_REPORT) from error
    withheld = tuple(subject for subject, sealed in hashes.items() if sealed and subject not in disclosed)
    return CheckedReport(Verification(verification.editions, tuple(changes)), withheld)


def _parsed(text: str, name: str) -> dict[str, Any]:
    """Return the report.

    Raises:
        InputError: the text is not a report in JSON.
    """
    try:
        report = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise InputError(f"{name} is not JSON.", _NOT_A_REPORT) from error
    if not isinstance(report, dict) or not str(report.get("format", "")).startswith("meterlink-report-"):
        raise InputError(f"{name} is not a report.", _NOT_A_REPORT)
    return report


def _sealed_subjects(visit: Sealed) -> Iterator[tuple[str, str]]:
    """Yield the subjects of the personal texts of a sealed visit with their hashes."""
    for subject in ("site", "unit", "technician", "job"):
        yield subject, visit[subject]
    for reading in visit["readings"]:
        yield f"meter of {reading['uid']}", reading["meter_address"]
        for void in reading["voids"]:
            yield f"void {void['uid']}", void["reason"]
    for note in visit["notes"]:
        yield f"note {note['uid']}", note["text"]


def _false_disclosures(hashes: Mapping[str, str], disclosed: Mapping[str, tuple[str, str]]) -> Iterator[Difference]:
    """Yield the personal texts of the report that are not those that were sealed."""
    for subject, (salt, text) in disclosed.items():
        if hashes.get(subject, "") != (salted_hash(salt, text) if text else ""):
            yield Difference(f"{subject}: not the text that was sealed", "another text", text)


def _changes(
    report: Mapping[str, Any], visit: Sealed, disclosed: Mapping[str, tuple[str, str]]
) -> Iterator[Difference]:
    texts = {subject: plain(text) for subject, (_, text) in disclosed.items()}
    yield from _fact_changes(report, visit, texts)
    readings = {reading["uid"]: reading for reading in visit["readings"]}
    points = {point["key"]: point for point in visit["points"]}
    yield from _list_changes("readings", report.get("readings"), list(readings))
    for entry in _objects(report.get("readings")):
        if (uid := str(entry.get("uid"))) in readings:
            yield from _reading_changes(entry, readings[uid], points)
    yield from _replacement_changes(report, visit, readings, points)
    yield from _note_changes(report, visit, texts)


def _fact_changes(report: Mapping[str, Any], visit: Sealed, texts: Mapping[str, str]) -> Iterator[Difference]:
    shown = {str(fact.get("name")): str(fact.get("text")) for fact in _objects(report.get("facts"))}
    closed = _second(visit["closed"])
    for label, sealed in (
        (Label.OPENED, _second(visit["opened"])),
        (Label.CLOSED, closed),
        (Label.OUTCOME, plain(visit["outcome"] or "none recorded")),
        (Label.PLAN, plain(visit["plan"])),
        (Label.VISIT, visit["uid"]),
    ):
        now = shown.get(label, "")
        if (_second_shown(now) if label in {Label.OPENED, Label.CLOSED} else now) != sealed:
            yield Difference(label.lower(), sealed, now)
    left = list(left_lines(UnitLeft(visit["power_on"], visit["covers_on"]), is_closed=True))
    if _lines(report.get("left")) != left:
        yield Difference(Label.LEFT.lower(), " ".join(left), " ".join(_lines(report.get("left"))))
    for label, subject in (
        (Label.SITE, "site"),
        (Label.MACHINE, "unit"),
        (Label.JOB, "job"),
        (Label.TECHNICIAN, "technician"),
    ):
        if label in shown and shown[label] != texts.get(subject, ""):
            yield Difference(subject, texts.get(subject, "") or "not disclosed", shown[label])


def _list_changes(place: str, shown: object, sealed: list[str]) -> Iterator[Difference]:
    """Yield that objects are missing, were added, or stand in another order."""
    uids = [str(entry.get("uid")) for entry in _objects(shown)]
    for uid in sealed:
        if uid not in uids:
            yield Difference(f"{place[:-1]} {uid}", uid, "")
    for uid in uids:
        if uid not in sealed:
            yield Difference(f"{place[:-1]} {uid}", "", uid)
    if len(uids) > len(set(uids)):
        yield Difference(f"{place}: the number", str(len(sealed)), str(len(uids)))
    if [uid for uid in uids if uid in sealed] != [uid for uid in sealed if uid in uids]:
        yield Difference(f"the order of the {place}", ", ".join(sealed), ", ".join(uids))


def _reading_changes(
    entry: Mapping[str, Any], reading: Sealed, points: Mapping[str, Sealed], place: str = "reading"
) -> Iterator[Difference]:
    """Yield the values of an entry that are not those of its sealed reading."""
    name = f"{place} {reading['uid']} ({reading['point']})"
    for key, sealed in _sealed_values(reading, points[reading["point"]]).items():
        if key not in entry:
            yield Difference(f"{name}, {key.replace('_', ' ')}", _shown(sealed), "")
        elif not _is_same(entry[key], sealed):
            yield Difference(f"{name}, {key.replace('_', ' ')}", _shown(sealed), _shown(entry[key]))
    verdicts = [_verdict_words(verdict) for verdict in reading["verdicts"][:-1]]
    earlier = [entry.get("verdict") for entry in _objects(entry.get("earlier"))]
    if earlier != verdicts:
        yield Difference(f"{name}, earlier verdicts", _shown(verdicts), _shown(earlier))


def _sealed_values(reading: Sealed, point: Sealed) -> dict[str, object]:
    """Return the covered values of a reading as a report has them."""
    verdict, voids = reading["verdicts"][-1], reading["voids"]
    has_limits = verdict["limits_unit"] is not None
    terminals = "–".join(point["terminals"])
    return {
        "point": reading["point"],
        "circuit": plain(point["circuit"]),
        "terminals": plain(terminals),
        "state": point["state"],
        "text": plain(_reading(reading).text),
        "counts": not (voids and voids[-1]["voided"]),
        "verdict": _verdict_words(verdict),
        "low": _decimal_text(verdict["limits_low"]),
        "high": _decimal_text(verdict["limits_high"]),
        "value": _decimal_text(verdict["digits"]) if has_limits else None,
        "unit": plain(verdict["limits_unit"] or reading["unit"]),
        "expanded_uncertainty": _decimal_text(verdict["expanded_uncertainty"]),
        "probability": verdict["probability"],
        "reason": plain(verdict["reason"]),
        "next_measurement": plain(verdict["next_measurement"]),
        "accuracy": plain(verdict["accuracy"]) or "unknown",
        "calibration": plain(verdict["calibration"]) or "nothing entered",
        "rule": plain(verdict["rule"]),
        "time_utc": utc_text(_ns(reading["at"])),
    }


def _replacement_changes(
    report: Mapping[str, Any], visit: Sealed, readings: Mapping[str, Sealed], points: Mapping[str, Sealed]
) -> Iterator[Difference]:
    sealed = [replacement for replacement in visit["replacements"] if replacement["undone"] is None]
    shown = _objects(report.get("replaced"))
    if len(shown) != len(sealed):
        yield Difference("replaced parts", str(len(sealed)), str(len(shown)))
    order = list(readings)
    for entry, replacement in zip(shown, sealed, strict=False):
        name = f"replacement {replacement['uid']}"
        part = f"{replacement['component']} {' and '.join(replacement['sections'])}".rstrip()
        for key, value in (
            ("part", plain(part)),
            ("circuit", plain(replacement["circuit"])),
            ("old_rating", plain(replacement["old_rating"]) or "not read"),
            ("new_rating", plain(replacement["new_rating"]) or "not marked"),
            ("time", _second(replacement["at"])),
        ):
            now = str(entry.get(key))
            if (_second_shown(now) if key == "time" else now) != value:
                yield Difference(f"{name}, {key.replace('_', ' ')}", value, now)
        last_old = order.index(replacement["after"]) if replacement["after"] in order else -1
        for point in _objects(entry.get("points")):
            for key, is_right in (("before", last_old.__ge__), ("after", last_old.__lt__)):
                yield from _pair_changes(name, key, point.get(key), readings, points, order, is_right)


def _pair_changes(
    name: str,
    key: str,
    entry: object,
    readings: Mapping[str, Sealed],
    points: Mapping[str, Sealed],
    order: list[str],
    is_right: Callable[[int], bool],
) -> Iterator[Difference]:
    """Yield the changes of the reading before or after a replacement, which must be on its side of it."""
    if not isinstance(entry, dict):
        return
    uid = str(entry.get("uid"))
    if uid not in readings or not is_right(order.index(uid)):
        yield Difference(f"{name}: the reading {key} it", "another reading", uid)
        return
    yield from _reading_changes(entry, readings[uid], points, f"{name}, {key}: reading")


def _note_changes(report: Mapping[str, Any], visit: Sealed, texts: Mapping[str, str]) -> Iterator[Difference]:
    """Yield the notes that were not sealed, and the sealed ones that the report discloses and no longer shows."""
    lines = [*_lines(report.get("notes")), *_lines(report.get("proofs"))]
    sealed = [
        texts[f"note {note['uid']}"]
        for note in visit["notes"]
        if note["point"] is None and texts.get(f"note {note['uid']}")
    ]
    for text in sealed:
        if not any(text in line for line in lines):
            yield Difference("note", text, "")
    for line in _lines(report.get("notes")):
        if not any(line.endswith(text) for text in sealed):
            yield Difference("note", "", line)


def _reading(reading: Sealed) -> Reading:
    at = Timestamp(_ns(reading["at"]), 0)
    digits = None if reading["digits"] is None else Decimal(reading["digits"])
    coupling = None if reading["coupling"] is None else Coupling(reading["coupling"])
    return Reading(Quantity(reading["quantity"]), digits, reading["unit"], at, Status(reading["status"]), coupling)


def _verdict_words(verdict: Sealed) -> str:
    margin = None if verdict["margin"] is None else Margin(verdict["margin"])
    return verdict_text(Verdict(verdict["verdict"]), margin)


def _objects(value: object) -> list[dict[str, Any]]:
    return [item for item in value if isinstance(item, dict)] if isinstance(value, list) else []


def _decimal_text(text: str | None) -> str | None:
    return None if text is None else f"{Decimal(text):f}"


def _ns(text: str) -> int:
    """Return a time of the sealed text in ns since 1970 UTC."""
    seconds, _, rest = text.removesuffix("Z").partition(".")
    moment = datetime.fromisoformat(f"{seconds}+00:00") - datetime(1970, 1, 1, tzinfo=UTC)
    return (moment.days * 86_400 + moment.seconds) * 1_000_000_000 + int(rest)


def _second(text: str) -> str:
    """Return a time of the sealed text without the parts of a second."""
    return f"{text.partition('.')[0]}Z"


def _second_shown(text: str) -> str:
    """Return a time of a report, ``2026-07-01 13:05:09 UTC+02:00``, in the form of `_second`; others as they are."""
    shown = _SHOWN_TIME.fullmatch(text)
    try:
        moment = datetime.fromisoformat(f"{shown[1]}T{shown[2]}{shown[3]}") if shown else None
    except ValueError:  # the 31st of April
        moment = None
    return text if moment is None else f"{moment.astimezone(UTC):%Y-%m-%dT%H:%M:%S}Z"


def _is_same(one: Any, other: Any) -> bool:
    """Return whether two JSON values are the same; 1 and 1.0 are, 1 and true are not."""
    try:
        return canonical_text(one) == canonical_text(other)
    except ValueError:  # an integer beyond those of JSON, which no report has
        return False


def _lines(value: object) -> list[str]:
    return list(map(str, value)) if isinstance(value, list) else []


def _shown(value: object) -> str:
    return "none" if value is None else str(value)
