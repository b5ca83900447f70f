"""The diagnosis of a visit from its rows in the database."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from meterlink.core.replacements import Replacement
from meterlink.core.text import LONGEST_REMARK, clean_text
from meterlink.core.units import Amount
from meterlink.diagnosis.causes import Diagnosis
from meterlink.diagnosis.derived_points import DerivedResult
from meterlink.diagnosis.engine import diagnose
from meterlink.diagnosis.observations import (
    Case,
    Observation,
    PointReadings,
    is_evidence,
    judge_each_part,
    observe_accepted,
)
from meterlink.judge.electrical.insulation import DEFAULT_INSULATION_MINIMUM
from meterlink.settings import Settings
from meterlink.station.diagnosis import VisitDiagnosis, supply_frequency
from meterlink.station.row_points import point_of_row, replacement_of_points
from meterlink.station.rules import shipped_rules
from meterlink.station.visit import ActiveVisit
from meterlink.station.visit_desk import resumed_visit
from meterlink.store.reader import Reader
from meterlink.store.rows import HistoryRow


@dataclass(frozen=True, slots=True)
class StoredDiagnosis:
    """The diagnosis of a visit in the database, its derived results, and the visit as a station would resume it.

    ``number_of_readings`` counts the readings that are not voided.
    """

    diagnosis: Diagnosis
    derived: Sequence[DerivedResult]
    visit: ActiveVisit
    number_of_readings: int


def diagnose_stored(
    reader: Reader,
    uid: str,
    settings: Settings,
    hertz: float | None = None,
    minimum: Amount = DEFAULT_INSULATION_MINIMUM,
    hide: Callable[[HistoryRow], HistoryRow] | None = None,
) -> StoredDiagnosis:
    """Return the diagnosis of the visit ``uid``, which is in the database.

    ``hertz`` is the supply frequency, None for the plan's; ``minimum`` is the lowest good resistance to ground.
    ``hide`` is applied to each reading first: the diagnosis names its meters.

    Raises:
        PlanError: the visit's plan cannot be read by this version.
    """
    rows = reader.history(visit_uid=uid, voided=False)
    replacements = tuple(replacement_of_points(stored.replacement) for stored in reader.replacements(uid))
    found = reader.visit(uid)
    assert found is not None  # noqa: S101  # it is in the list
    if hide is not None:
        rows, found = list(map(hide, rows)), found._replace(accepted=tuple(map(hide, found.accepted)))
    visit = resumed_visit(found, settings)
    case = Case(
        make_point_readings(rows, replacements), hertz or supply_frequency(visit.derived), minimum, replacements
    )
    return StoredDiagnosis(diagnose(case, shipped_rules()), VisitDiagnosis(visit).derived, visit, len(rows))


def make_point_readings(rows: list[HistoryRow], replacements: Sequence[Replacement] = ()) -> tuple[PointReadings, ...]:
    """Return the test points of a visit with their readings, in the order of their first accepted readings.

    ``replacements`` have the `HistoryRow.id` of the last reading before them.
    """
    one_boot = len({row.boot for row in rows}) == 1
    by_key: dict[str, list[HistoryRow]] = {}
    for row in rows:
        by_key.setdefault(row.point_key, []).append(row)
    points = {key: point_of_row(point_rows[-1]) for key, point_rows in by_key.items()}
    covered = [(replacement, replacement.covered_keys(tuple(points.values()))) for replacement in replacements]
    return tuple(
        judge_each_part(
            points[key],
            _observations(point_rows, one_boot=one_boot),
            [replacement for replacement, keys in covered if key in keys],
        )
        for key, point_rows in by_key.items()
    )


def _observations(rows: list[HistoryRow], *, one_boot: bool) -> tuple[Observation, ...]:
    return tuple(
        _observation(row, one_boot=one_boot)
        for row in rows
        if is_evidence(row.reading, row.judgement, decoded_again=row.correction is not None)
    )


def _observation(row: HistoryRow, *, one_boot: bool) -> Observation:
    reading = row.reading
    # Within one boot the monotonic clock is right, even if somebody set the wall clock.
    nanoseconds = reading.timestamp.monotonic_ns if one_boot else reading.timestamp.utc_ns
    return observe_accepted(
        row.id,
        reading,
        row.judgement,
        meter=clean_text(row.meter.name or row.meter.address, LONGEST_REMARK),
        time=nanoseconds * 1e-9 if one_boot or row.clock_set is not False else None,
    )
