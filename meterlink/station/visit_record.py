"""Read the rows, the diagnosis, the logo and the photos of which the report on a visit is made."""

from collections.abc import Sequence
from pathlib import Path

from meterlink.core.nameplate import UnitFact
from meterlink.core.site_facts import SiteFact
from meterlink.core.time_zones import find_zone
from meterlink.record.anonymous import anonymous_record, row_hider
from meterlink.record.model import Picture
from meterlink.record.pictures import LARGEST_PICTURE, LARGEST_SUM, make_picture
from meterlink.record.report import VisitRecord
from meterlink.settings import Settings
from meterlink.station.stored_diagnosis import diagnose_stored
from meterlink.station.visit_desk import missing_proofs
from meterlink.store.reader import Reader
from meterlink.store.rows import StoredVisit


def read_visit_record(
    reader: Reader, stored: StoredVisit, folder: Path, settings: Settings, *, anonymous: bool = False
) -> VisitRecord:
    """Return the record of a visit that is in the database; ``folder`` is the data folder, where the logo may be.

    ``anonymous`` leaves personal data out (`meterlink.record.anonymous`).

    Raises:
        PlanError: the visit's plan cannot be read by this version.
    """
    rows = reader.history(visit_uid=stored.uid)
    hide = row_hider(rows) if anonymous else None
    found = diagnose_stored(reader, stored.uid, settings, hide=hide)
    notes = reader.visit_notes(stored.uid)
    site_facts = reader.site_facts(stored.site.name)
    facts = next((unit.facts for unit in reader.units(stored.site)), ())
    record = VisitRecord(
        stored=stored,
        rows=rows if hide is None else list(map(hide, rows)),
        points=tuple(found.visit.points.values()),
        replacements=reader.replacements(stored.uid),
        notes=notes,
        earlier=reader.earlier_verdicts(stored.uid),
        facts=facts,
        diagnosis=found.diagnosis,
        derived=found.derived,
        not_proven=missing_proofs(found.visit, notes),
        firm=settings.firm,
        logo=_read_picture(folder / settings.firm.logo) if settings.firm.logo else None,
        photos=_read_photos([text for fact, text, _ in facts if fact is UnitFact.PHOTO]),
        site_facts=site_facts,
        zone=find_zone(site_facts.get(SiteFact.TIME_ZONE, "")),
        seal=reader.seal(stored.uid),
        known_keys={key.public_key for key in reader.station_keys()},
    )
    return anonymous_record(record) if anonymous else record


def _read_photos(paths: Sequence[str]) -> list[Picture]:
    """Return the photos, of which the first have room in the report."""
    photos, room = [], LARGEST_SUM
    for path in paths:
        photo = _read_picture(Path(path), room)
        room -= len(photo.data_uri) * 3 // 4  # bytes of the file, in base64
        photos.append(photo)
    return photos


def _read_picture(path: Path, room: int = LARGEST_SUM) -> Picture:
    """Return a picture by the name of its file alone: the folders on this machine are nobody's business."""
    data = None
    try:
        with path.open("rb") as file:
            data = file.read(LARGEST_PICTURE + 1)
    except (OSError, ValueError):
        pass  # the report says that it is not there
    return make_picture(path.name, data, room)
