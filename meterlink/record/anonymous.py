"""A record without the names of people, places and meters, and without typed remarks; its measurements stay."""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from datetime import UTC

from meterlink.core.calibration import without_certificate
from meterlink.core.difference_note import noted_difference
from meterlink.core.equipment import Meter, Site
from meterlink.core.firm import NO_FIRM
from meterlink.core.meter_proof import hidden_proof_note, is_proof_note
from meterlink.record.entries import TYPED_IN
from meterlink.record.report import VisitRecord
from meterlink.store.rows import EarlierVerdict, HistoryRow, StoredVisit, VisitNote

LEFT_OUT = "left out"
"""The text in place of one that somebody typed."""

_SITE = Site("site left out", "unit left out")


def row_hider(rows: Iterable[HistoryRow]) -> Callable[[HistoryRow], HistoryRow]:
    """Return the function that leaves personal data out of a reading of this visit; its meters are numbered.

    The diagnosis names meters, too: it is made from rows that went through this.
    """
    addresses = dict.fromkeys(row.meter.address for row in rows if not row.reading.is_typed)
    names = {address: f"meter {number}" for number, address in enumerate(addresses, 1)}

    def hide(row: HistoryRow) -> HistoryRow:
        judgement = replace(row.judgement, calibration=without_certificate(row.judgement.calibration))
        name = names.get(row.meter.address, TYPED_IN)
        return row._replace(
            site=_SITE,
            meter=Meter(name, name),
            station="",
            plan="",
            judgement=judgement,
            void_reason=None if row.void_reason is None else LEFT_OUT,
            correction=None if row.correction is None else row.correction._replace(technician=""),
        )

    return hide


def anonymous_record(record: VisitRecord) -> VisitRecord:
    """Return the record of a report without personal data; its rows are those of `row_hider`, and so its diagnosis.

    Out are site, unit, customer, address, technician, job, plan, nameplate, notes, photos, the firm and the numbers of
    certificates; reasons for skips and voids are `LEFT_OUT`. Times are UTC: an offset tells a region.
    """
    return replace(
        record,
        stored=_hidden_visit(record.stored),
        notes=[note for note in map(_hidden_note, record.notes) if note is not None],
        earlier=_hidden_verdicts(record.earlier),
        replacements=[stored._replace(site=_SITE) for stored in record.replacements],
        facts=(),
        site_facts={},
        photos=(),
        logo=None,
        firm=NO_FIRM,
        zone=UTC,
        is_anonymous=True,
    )


def _hidden_visit(stored: StoredVisit) -> StoredVisit:
    return stored._replace(site=_SITE, technician="", job="", plan="", plan_text="")


def _hidden_note(note: VisitNote) -> VisitNote | None:
    """Return the reason of a skip, or a proof, without its words; a difference as it is; None for a remark."""
    if note.point_key is not None:
        return note._replace(text=LEFT_OUT)
    if noted_difference(note.text) is not None:
        return note
    return note._replace(text=hidden_proof_note(LEFT_OUT)) if is_proof_note(note.text) else None


def _hidden_verdicts(earlier: Mapping[str, Iterable[EarlierVerdict]]) -> Mapping[str, list[EarlierVerdict]]:
    return {
        uid: [verdict._replace(calibration=without_certificate(verdict.calibration)) for verdict in verdicts]
        for uid, verdicts in earlier.items()
    }
