"""The values of parts over their visits, in one query: as much of each accepted reading as a trend needs."""

import sqlite3
from typing import NamedTuple

from meterlink.core.clock import Timestamp
from meterlink.core.equipment import CircuitState, Meter, PointKind, Site
from meterlink.core.readings import Coupling, Reading, Status
from meterlink.core.units import Quantity
from meterlink.core.verdicts import Judgement, Margin, Verdict
from meterlink.store.decoding import decode_decimal, decode_flag, decode_limits, decode_rows
from meterlink.store.history_query import COUNTS, OF_ACCEPTED


class PartValue(NamedTuple):
    """The last accepted reading of a visit at a test point; ``judgement`` has its verdict, limits and uncertainty.

    The fields are those of `HistoryRow`.
    """

    id: int
    visit_uid: str
    site: Site
    circuit: str
    component: str
    section: str
    terminals: tuple[str, str]
    state: CircuitState
    kind: PointKind
    reading: Reading
    judgement: Judgement
    rating: str
    meter: Meter
    clock_set: bool | None


class VisitedUnit(NamedTuple):
    """A unit with the time when its newest visit was opened, ns since 1970 UTC; None without a visit."""

    site: Site
    newest_visit_utc_ns: int | None


# The readings that count are chosen by their own table, before the names are looked up.
_SELECT = f"""
    SELECT a.id, v.uid, s.name AS site, u.name AS site_unit, ci.name AS circuit, co.name AS component, co.section,
        p.terminal_a, p.terminal_b, p.state, p.kind, a.quantity, a.digits, a.unit, a.status, a.coupling, a.utc_ns,
        a.clock_set, j.verdict, j.margin, j.limits_low, j.limits_high, j.limits_unit, j.limits_basis, j.limits_nominal,
        j.digits AS judged_digits, j.expanded_uncertainty, j.rating, m.address, m.name AS meter
    FROM current_readings a {OF_ACCEPTED}
    WHERE a.id IN (SELECT MAX(a.id) FROM accepted_readings a WHERE {COUNTS} GROUP BY a.visit_id, a.point_id)
        AND (?1 IS NULL OR s.name = ?1 COLLATE NOCASE) AND (?2 IS NULL OR u.name = ?2 COLLATE NOCASE)
        AND (?3 IS NULL OR co.name = ?3 COLLATE NOCASE) AND (?4 OR u.archived_utc_ns IS NULL)
    ORDER BY a.id
"""  # noqa: S608  # constants only


def part_values(
    connection: sqlite3.Connection, site: str | None, unit: str | None, component: str | None, *, archived: bool
) -> list[PartValue]:
    """Return the last reading of every visit at each test point, in the order of acceptance, without voided ones."""
    return decode_rows(_part_value, connection.execute(_SELECT, (site, unit, component, archived)))


def visited_units(connection: sqlite3.Connection, site: str | None, unit: str | None) -> list[VisitedUnit]:
    """Return the units that are not archived, in the order in which they were first visited."""
    rows = connection.execute(
        "SELECT s.name AS site, u.name, MAX(v.opened_utc_ns) AS newest FROM units u JOIN sites s ON s.id = u.site_id"
        " LEFT JOIN visits v ON v.unit_id = u.id WHERE u.archived_utc_ns IS NULL"
        " AND (?1 IS NULL OR s.name = ?1 COLLATE NOCASE) AND (?2 IS NULL OR u.name = ?2 COLLATE NOCASE)"
        " GROUP BY u.id ORDER BY u.id",
        (site, unit),
    )
    return [VisitedUnit(Site(row["site"], row["name"]), row["newest"]) for row in rows]


def _part_value(row: sqlite3.Row) -> PartValue:
    reading = Reading(
        Quantity(row["quantity"]),
        decode_decimal(row["digits"]),
        row["unit"],
        Timestamp(row["utc_ns"], 0),
        Status(row["status"]),
        None if row["coupling"] is None else Coupling(row["coupling"]),
    )
    judgement = Judgement(
        Verdict(row["verdict"]),
        None if row["margin"] is None else Margin(row["margin"]),
        decode_limits(row),
        decode_decimal(row["judged_digits"]),
        None,
        decode_decimal(row["expanded_uncertainty"]),
        "",
        "",
    )
    return PartValue(
        row["id"],
        row["uid"],
        Site(row["site"], row["site_unit"]),
        row["circuit"],
        row["component"],
        row["section"],
        (row["terminal_a"], row["terminal_b"]),
        CircuitState(row["state"]),
        PointKind(row["kind"]),
        reading,
        judgement,
        row["rating"],
        Meter(row["address"], row["meter"]),
        decode_flag(row["clock_set"]),
    )
