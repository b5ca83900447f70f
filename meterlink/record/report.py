"""Make the report on a visit from the rows of the database. Pure: times, files and the diagnosis are arguments."""

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import tzinfo

from meterlink.core.cautions import caution_at
from meterlink.core.difference_note import noted_difference
from meterlink.core.equipment import TestPoint
from meterlink.core.firm import NO_FIRM, Firm
from meterlink.core.meter_proof import is_proof_note
from meterlink.core.nameplate import UnitFact
from meterlink.core.site_facts import SiteFact
from meterlink.core.text import length_text
from meterlink.core.version import VERSION
from meterlink.diagnosis.causes import Diagnosis, RepairOutcome
from meterlink.diagnosis.derived_points import DerivedResult
from meterlink.record.entries import (
    TYPED_IN,
    plain,
    reading_entry,
    site_day,
    site_time,
    terminals_text,
    title_text,
    verdict_mark,
    verdict_text,
)
from meterlink.record.model import (
    BeforeAndAfter,
    CauseEntry,
    DerivedEntry,
    Fact,
    Label,
    Mark,
    Picture,
    ReadingEntry,
    ReplacedPart,
    Report,
    UntestedPoint,
)
from meterlink.record.parts import Parts
from meterlink.record.seal_lines import seal_lines, seal_parts
from meterlink.record.sentences import done_sentence, found_sentence, left_lines
from meterlink.store.rows import EarlierVerdict, HistoryRow, StoredReplacement, StoredVisit, VisitNote
from meterlink.store.seals import StoredSeal

_CUSTOMER_CAUTION = (
    "Please keep the unit's covers closed and leave the inside to a qualified person: parts in it can be live, and can "
    "hold a charge, also while it is switched off."
)
_ONLY_MEASURED = (
    "The report covers the listed measurements only. It says nothing about other parts, or about any later time."
)
_NEVER_SAFE = (
    "It does not say that a circuit is safe to touch, or without voltage. Only a qualified person finds that out, at "
    "the part itself, each time."
)
_AS_SURE_AS = "A part within its limits may still fail, and a verdict is as sure as its meter and its limits."
_NO_CERTIFICATE = "It is no inspection and no certificate. Local codes and the maker's instructions come first."
_LIMITATIONS = (_ONLY_MEASURED, _NEVER_SAFE, _AS_SURE_AS, _NO_CERTIFICATE)
NOT_PROVEN = "No proof is recorded"
"""The beginning of the sentence on a proof that is missing."""

_ASSUMED_ACCURACY = "Where an accuracy is called assumed, the meter's own was not entered: a usual one was taken."


@dataclass(frozen=True, slots=True)
class VisitRecord:
    """All that a report is made of.

    ``rows`` are the accepted readings in their order, voided ones among them. ``points`` are the test points of the
    visit, with ratings and hazards. ``earlier`` has, by the uid of a reading, its verdicts before the current one.
    ``site_facts`` are those about its site. ``seal`` is its seal, None for none; ``known_keys`` are the stations'.
    ``is_anonymous``: personal data were left out of it (`meterlink.record.anonymous`).
    ``not_proven`` has ``before`` and ``after`` where no proof on a known source stands before the first, or after the
    last, reading at an isolated test point. ``zone`` is the time zone of the site, None for that of this machine.
    """

    stored: StoredVisit
    rows: Sequence[HistoryRow]
    points: Sequence[TestPoint]
    replacements: Sequence[StoredReplacement]
    notes: Sequence[VisitNote]
    earlier: Mapping[str, Sequence[EarlierVerdict]]
    facts: Sequence[tuple[UnitFact, str, int]]
    diagnosis: Diagnosis
    derived: Sequence[DerivedResult]
    not_proven: Sequence[str]
    firm: Firm = NO_FIRM
    logo: Picture | None = None
    photos: Sequence[Picture] = ()
    zone: tzinfo | None = None
    site_facts: Mapping[SiteFact, str] = field(default_factory=dict)
    seal: StoredSeal | None = None
    known_keys: Collection[str] = ()
    is_anonymous: bool = False


def make_report(record: VisitRecord) -> Report:
    """Return the report on a visit."""
    stored, zone, diagnosis = record.stored, record.zone, record.diagnosis
    parts = Parts(record.points, record.rows, record.replacements)
    differences = dict(filter(None, (noted_difference(note.text) for note in record.notes)))
    entries = {
        row.id: reading_entry(
            row,
            record.earlier.get(row.uid, ()),
            zone,
            of_old_part=parts.is_old(row),
            difference=plain(differences.get(row.uid, "")),
        )
        for row in record.rows
    }
    replaced = tuple(_replaced_part(record, fitted, parts, entries) for fitted in record.replacements)
    untested = tuple(_untested(record, {point.key for point, _ in parts.now()}))
    return Report(
        firm=plain(record.firm.name),
        firm_address=plain(record.firm.address),
        logo=record.logo,
        place=plain(f"{stored.site.name} / {stored.site.unit}"),
        day=site_day(stored.closed_utc_ns or stored.opened.utc_ns, zone),
        facts=tuple(_facts(record)),
        found=found_sentence(parts.on_arrival(), record.derived, diagnosis),
        done=done_sentence(stored, replaced, parts.now(), record.derived),
        replaced=replaced,
        readings=tuple(entries.values()),
        derived=tuple(map(_derived_entry, record.derived)),
        summary=plain(diagnosis.summary),
        causes=tuple(_causes(diagnosis)),
        diagnosis_notes=tuple(_diagnosis_notes(diagnosis)),
        untested=untested,
        untested_lines=tuple(_untested_lines(untested)),
        left=tuple(left_lines(stored.left, is_closed=stored.closed_utc_ns is not None)),
        proofs=tuple(_proofs(record)),
        notes=tuple(_note_text(note, zone) for note in record.notes if _is_remark(note)),
        unit_facts=tuple(
            Fact(fact.capitalize(), plain(text)) for fact, text, _ in record.facts if fact is not UnitFact.PHOTO
        ),
        photos=tuple(record.photos),
        customer_caution=_CUSTOMER_CAUTION,
        cautions=tuple(_cautions(record)),
        limitations=_LIMITATIONS,
        measured=tuple(_measured(entries.values())),
        clock=tuple(_clock(record, list(entries.values()))),
        made=tuple(_made(record)),
        seal=tuple(seal_lines(record.seal, record.known_keys, zone)),
        sealed=None if record.is_anonymous else seal_parts(record.seal),
    )


def _facts(record: VisitRecord) -> Iterator[Fact]:
    stored = record.stored
    closed = "not closed yet" if stored.closed_utc_ns is None else site_time(stored.closed_utc_ns, record.zone)
    for label, text in (
        (Label.SITE, stored.site.name),
        (Label.MACHINE, stored.site.unit),
        (Label.CUSTOMER, record.site_facts.get(SiteFact.CUSTOMER, "")),
        (Label.ADDRESS, record.site_facts.get(SiteFact.ADDRESS, "")),
        (Label.OPENED, site_time(stored.opened.utc_ns, record.zone)),
        (Label.CLOSED, closed),
        (Label.OUTCOME, stored.outcome or "none recorded"),
        (Label.JOB, stored.job),
        (Label.TECHNICIAN, stored.technician),
        (Label.PLAN, stored.plan),
        (Label.VISIT, stored.uid),
    ):
        if plain(text):
            yield Fact(label, plain(text))


def _replaced_part(
    record: VisitRecord, fitted: StoredReplacement, parts: Parts, entries: Mapping[int, ReadingEntry]
) -> ReplacedPart:
    replacement = fitted.replacement
    old, new = plain(replacement.old_rating), plain(replacement.new_rating)
    points, time = parts.points_of(fitted), site_time(replacement.utc_ns or 0, record.zone)
    return ReplacedPart(
        uid=fitted.uid,
        part=plain(replacement.part),
        circuit=plain(replacement.circuit),
        old_rating=old or "not read",
        new_rating=new or "not marked",
        ratings=f"from {old or 'a rating that was not read'} to {new or 'a part without a marked rating'}",
        fitted=f"Fitted {time}{'' if fitted.item is None else ', off the truck'}.",
        objection=plain(f"Fitted all the same, against this: {fitted.objection}") if fitted.objection else "",
        time=time,
        is_there=not points or any(parts.is_newest(fitted, point.key) for point in points),
        points=tuple(_before_and_after(record.diagnosis, fitted, point, parts, entries) for point in points),
    )


def _before_and_after(
    diagnosis: Diagnosis,
    fitted: StoredReplacement,
    point: TestPoint,
    parts: Parts,
    entries: Mapping[int, ReadingEntry],
) -> BeforeAndAfter:
    before, after = parts.before(fitted, point.key), parts.after(fitted, point.key)
    part, terminals = title_text(point), terminals_text(point.terminals)
    outcome, conclusion = _conclusion(diagnosis, part, terminals)
    if not parts.is_newest(fitted, point.key):
        outcome, conclusion = None, "This part was replaced again."
    return BeforeAndAfter(
        key=point.key,
        part=part,
        terminals=terminals,
        before=None if before is None else entries[before.id],
        after=None if after is None else entries[after.id],
        before_text="not measured" if before is None else plain(before.reading.text),
        after_text="not measured" if after is None else plain(after.reading.text),
        outcome=outcome,
        conclusion=conclusion,
    )


def _conclusion(diagnosis: Diagnosis, part: str, terminals: str) -> tuple[RepairOutcome | None, str]:
    for repair in diagnosis.repairs:
        if (plain(repair.part), plain(repair.terminals)) == (part, terminals):
            return repair.outcome, plain(repair.text)
    return None, "Nothing was read of it, before or after."


def _derived_entry(result: DerivedResult) -> DerivedEntry:
    return DerivedEntry(
        title=plain(result.point.title),
        value=plain(result.value) or "none",
        verdict="not judged" if result.verdict is None else verdict_text(result.verdict, result.margin),
        mark=Mark.UNDECIDED if result.verdict is None else verdict_mark(result.verdict, result.margin),
        text=plain(result.text),
        basis=plain(result.basis),
        missing=tuple(map(plain, result.missing)),
    )


def _causes(diagnosis: Diagnosis) -> Iterator[CauseEntry]:
    for cause in diagnosis.causes:
        yield CauseEntry(
            title=plain(cause.title),
            confidence=str(cause.confidence),
            evidence_for=tuple(map(plain, cause.evidence_for)),
            evidence_against=tuple(map(plain, cause.evidence_against)),
            next_measurement=plain(cause.next_measurement),
            caution=plain(cause.caution),
        )


def _diagnosis_notes(diagnosis: Diagnosis) -> Iterator[str]:
    yield from map(plain, diagnosis.notes)
    for asked in diagnosis.questions:
        yield f"Nobody has answered: {plain(asked.question.text)}"


def _untested(record: VisitRecord, read: Collection[str]) -> Iterator[UntestedPoint]:
    skipped = {note.point_key: note.text for note in record.notes if note.point_key is not None}
    voided = {row.point_key for row in record.rows if row.void_reason is not None}
    replaced = {row.point_key for row in record.rows if row.void_reason is None}
    for point in record.points:
        if point.key in read:
            continue
        if point.key in skipped:
            reason = f"skipped: {plain(skipped[point.key])}"
        elif point.key in replaced:
            reason = "the new part was not measured"
        elif point.key in voided:
            reason = "its reading was voided, and none was taken after it"
        elif point.optional:
            reason = "measured only where the part is fitted, or where another reading points to it"
        else:
            reason = "no reason was recorded"
        is_expected = not point.optional or point.key in {*skipped, *replaced, *voided}
        part, terminals = plain(f"{point.circuit}: {point.title}"), terminals_text(point.terminals)
        place = f"{part}, {terminals}, {point.quantity}"  # a coil has ohms and volts at the same terminals
        yield UntestedPoint(part, terminals, reason, place, f"{place}: {reason}", is_expected)


def _untested_lines(untested: Iterable[UntestedPoint]) -> Iterator[str]:
    """Yield for each reason the points that are expected, and were not tested."""
    places: dict[str, list[str]] = {}
    for point in untested:
        if point.is_expected:
            places.setdefault(point.reason, []).append(point.place)
    for reason, own in places.items():
        yield f"{reason[0].upper()}{reason[1:]}: {'; '.join(own)}."


def _proofs(record: VisitRecord) -> Iterator[str]:
    proofs = [note for note in record.notes if is_proof_note(note.text)]
    yield from (_note_text(note, record.zone) for note in proofs)
    for word in record.not_proven:
        yield f"{NOT_PROVEN} {word} the readings at isolated test points."


def _cautions(record: VisitRecord) -> Iterator[str]:
    """Yield each caution once, with the parts that it is for."""
    parts: dict[str, list[str]] = {}
    read = {row.point_key for row in record.rows}
    for point in record.points:
        if point.key in read:
            parts.setdefault(plain(caution_at(point, record.points)), []).append(plain(point.title))
    for caution, titles in parts.items():
        yield f"{', '.join(dict.fromkeys(titles))}: {caution}"


def _note_text(note: VisitNote, zone: tzinfo | None) -> str:
    return f"{site_time(note.utc_ns, zone)}: {plain(note.text)}"


def _is_remark(note: VisitNote) -> bool:
    return note.point_key is None and not is_proof_note(note.text)


def _measured(entries: Collection[ReadingEntry]) -> Iterator[str]:
    """Yield for each meter the times between which it was read, and its calibration."""
    for meter in dict.fromkeys(entry.meter for entry in entries):
        own = [entry for entry in entries if entry.meter == meter]
        times = own[0].time if len(own) == 1 else f"{own[0].time} to {own[-1].time}"
        calibrations = ", ".join(dict.fromkeys(entry.calibration for entry in own))
        how = "Typed in" if all(TYPED_IN in entry.remarks for entry in own) else f"Measured with {meter}"
        yield f"{how}, {times}; calibration: {calibrations}."


def _clock(record: VisitRecord, entries: Sequence[ReadingEntry]) -> Iterator[str]:
    """Yield each step of the station's clock between two readings: those that the seal covers, where there is one."""
    newest = None if record.seal is None else record.seal.verification.newest
    if newest is not None and newest.text is not None:
        steps = {uid: milliseconds / 1e3 for uid, milliseconds in newest.text.clock_steps.items()}
    else:
        steps = {row.uid: row.clock_step_ns / 1e9 for row in record.rows}
    before = 0.0
    for entry in entries:
        after = steps.get(entry.uid, 0.0)
        if step := round(after - before, 3):
            way = f"{'back' if step < 0 else 'on'} by {length_text(abs(step))}"
            place = f"{entry.part} {entry.terminals} ({entry.text})"
            yield f"The station's clock was set {way} before {place} was read: times before and after do not agree."
        before = after


def _made(record: VisitRecord) -> Iterator[str]:
    yield f"Report: Meterlink {VERSION}."
    if judged := [text for text in dict.fromkeys(plain(row.software) for row in record.rows) if text]:
        yield f"Readings judged by: Meterlink {', '.join(judged)}."
    if rules := dict.fromkeys(plain(row.judgement.rule) for row in record.rows):
        yield f"Decision rule: {', '.join(rules)}."
    if any("assumed" in row.judgement.accuracy for row in record.rows):
        yield _ASSUMED_ACCURACY
    if record.is_anonymous:
        yield "Names, addresses, notes and photos were left out of this report. Times are UTC."
        return
    zone = "local" if record.zone is None else f"those of the site ({plain(str(record.zone))})"
    yield f"Times are {zone}, with their offset from UTC."
