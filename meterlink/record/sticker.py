"""Stickers for the inside of a unit: the part that is there, its rating, and its value when it was new. Pure.

A sticker names the machine's parts only: no site, customer, technician or address.
"""

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import tzinfo

from meterlink.core.cautions import sticker_cautions
from meterlink.core.equipment import CircuitState, PointKind, TestPoint
from meterlink.core.errors import InputError
from meterlink.core.verdicts import FAILED_VERDICTS, Verdict
from meterlink.judge.judging import format_decimal
from meterlink.judge.label.rated_part import implied_kind
from meterlink.judge.label.ratings import parse_rating
from meterlink.record.entries import plain, site_day
from meterlink.store.rows import ComponentRating, HistoryRow, StoredReplacement

NOT_READ = "not read"
"""The words for a value that nobody measured, or nobody read off the part."""

_Part = tuple[str, str, str]  # circuit, component, section, in lower case

# Verdicts on a reading that is a value of the part; the others say that nothing, or another thing, was measured.
_OF_THE_PART = frozenset({Verdict.WITHIN, Verdict.NO_LIMITS, *FAILED_VERDICTS})
_NUMBER_AND_UNIT = re.compile(r"(?<=\d) (?=\S)")


@dataclass(frozen=True, slots=True)
class Sticker:
    """The texts of a sticker, top to bottom; ``rating`` is the largest, ``more_rating`` the next.

    ``notes`` are the lines below: the day of fitting, and a line for each value. ``cautions`` say the same, the longest
    first. ``part`` names the part in a sentence.
    """

    part: str
    title: str
    circuits: str
    rating: str
    more_rating: str
    notes: tuple[str, ...]
    cautions: tuple[str, ...] = field(repr=False)

    @property
    def plain_text(self) -> str:
        """All of it but the caution, as lines: the contents of its QR code."""
        lines = (self.title, self.circuits, self.rating, self.more_rating, *self.notes)
        return "\n".join(line.replace("\u00a0", " ") for line in lines if line)


@dataclass(frozen=True, slots=True)
class FittedPart:
    """A part that was fitted in a unit and is still there.

    ``points`` are the test points of the visit. ``keys`` are those of the part, without the sections that a later part
    has taken over.
    """

    stored: StoredReplacement
    points: Sequence[TestPoint]
    keys: frozenset[str]

    @property
    def component(self) -> str:
        """The name of the part in its plan."""
        return self.stored.replacement.component


def parts_there(replacements: Iterable[tuple[StoredReplacement, Sequence[TestPoint]]]) -> list[FittedPart]:
    """Return the parts that were fitted and not taken out since, in the order in which they were fitted.

    ``replacements`` are those of one unit, oldest first, each with the test points of its visit.
    """
    found: list[FittedPart] = []
    for stored, points in replacements:
        keys = stored.replacement.covered_keys(points)
        newer = {_part_of(point) for point in points if point.key in keys}
        older = [
            FittedPart(
                part.stored,
                part.points,
                frozenset(
                    point.key for point in part.points if point.key in part.keys and _part_of(point) not in newer
                ),
            )
            for part in found
        ]
        there = [
            part
            for part, before in zip(older, found, strict=True)
            if part.keys or not (before.keys or _is_same(part, stored))
        ]
        found = [*there, FittedPart(stored, points, keys)]
    return found


def _is_same(part: FittedPart, stored: StoredReplacement) -> bool:
    """Return whether a part without test points of its own is the one that was replaced."""
    return (part.component.casefold(), part.stored.replacement.circuit.casefold()) == (
        stored.replacement.component.casefold(),
        stored.replacement.circuit.casefold(),
    )


def fitted_sticker(
    part: FittedPart, ratings: Sequence[ComponentRating], rows: Iterable[HistoryRow], zone: tzinfo | None = None
) -> Sticker | None:
    """Return the sticker of a part that was fitted; None where no rating of it is known.

    ``ratings`` are the newest that were read off the parts of the unit. ``rows`` are the accepted readings of the visit
    in which it was fitted and of those after it, in order.

    Raises:
        InputError: the sections have different ratings.
    """
    replacement = part.stored.replacement
    points = [point for point in part.points if point.key in part.keys]
    rating = _present_rating(part, points, ratings) or plain(replacement.new_rating)
    if not rating:
        return None
    fitted_utc_ns = replacement.utc_ns or 0
    later = [row for row in rows if _is_after(row, part.stored)]
    return _sticker(
        replacement.component,
        points,
        rating,
        [
            *_part_before(part.stored, rating, points),
            f"Fitted {site_day(fitted_utc_ns, zone)}",
            *(_value_line(point, name, later, part.stored.visit_uid, zone) for point, name in _measured_points(points)),
        ],
    )


def read_stickers(
    ratings: Sequence[ComponentRating],
    points: Mapping[str, TestPoint],
    rows: Sequence[HistoryRow],
    zone: tzinfo | None = None,
) -> list[Sticker]:
    """Return a sticker for each part whose rating was read off it, and which nobody has replaced.

    ``points`` are test points by their key; a rating without one is left out. The values are the newest readings.
    """
    grouped: dict[tuple[str, str, bool, str], list[TestPoint]] = {}
    for rating in ratings:
        point = points.get(rating.point_key)
        if point is None or not plain(rating.rating):
            continue
        # The sections of a dual capacitor have one label; other parts of one name stand in their own circuits.
        is_capacitor = point.kind is PointKind.CAPACITOR
        circuit = "" if is_capacitor else point.circuit.casefold()
        grouped.setdefault((point.component, circuit, is_capacitor, plain(rating.rating)), []).append(point)
    return [
        _sticker(
            component,
            own,
            rating,
            [
                "Day of fitting not known",
                *(_newest_value_line(point, name, rows, zone) for point, name in _measured_points(own)),
            ],
        )
        for (component, _, _, rating), own in grouped.items()
    ]


def _sticker(component: str, points: Sequence[TestPoint], rating: str, notes: Sequence[str]) -> Sticker:
    is_capacitor = any(point.kind is PointKind.CAPACITOR for point in points)
    value, more = _capacitor_texts(rating) if is_capacitor else (rating, "")
    sections = list(dict.fromkeys(plain(point.section) for point in points if is_capacitor and point.section))
    name = plain(component)
    title = " ".join((f"{name[:1].upper()}{name[1:]}", " + ".join(sections))).strip()
    circuits = ", ".join(dict.fromkeys(plain(point.circuit) for point in points))
    return Sticker(
        name, title, circuits, _glued(value), _glued(more), tuple(map(_glued, notes)),
        sticker_cautions(is_capacitor=is_capacitor),
    )  # fmt: skip


def _part_before(stored: StoredReplacement, rating: str, points: Sequence[TestPoint]) -> list[str]:
    """Return the line on a part with other values than the one before it; empty for the same, or an unknown old part.

    The next technician might take the rating of a makeshift for that of the unit.
    """
    old = plain(stored.replacement.old_rating)
    is_capacitor = any(point.kind is PointKind.CAPACITOR for point in points)
    alike = _capacitor_texts(old)[0] == _capacitor_texts(rating)[0] if is_capacitor else old == rating
    return [f"In place of {old}"] if old and (stored.objection or not alike) else []


def _capacitor_texts(rating: str) -> tuple[str, str]:
    """Return the values of a capacitor, and the rest of its rating; the whole text where it is not read."""
    try:
        part = parse_rating(rating)
    except InputError:
        return rating, ""
    sections = "+".join(format_decimal(value.digits) for value in part.sections)
    value = f"{sections} µF" if part.marked_range is None else str(part.marked_range)
    volts = "/".join(map(format_decimal, part.volts)) + " V" if part.volts else f"volts {NOT_READ}"
    tolerance = "" if part.marked_range else str(part.tolerance or f"tolerance {NOT_READ}")
    hertz = "/".join(map(format_decimal, part.hertz)) + " Hz" if part.hertz else ""
    kind = "" if part.kind is None or part.kind is implied_kind(part) else str(part.kind)
    return value, ", ".join(filter(None, (volts, tolerance, hertz, kind)))


def _present_rating(part: FittedPart, points: Sequence[TestPoint], ratings: Iterable[ComponentRating]) -> str:
    """Return the rating that was read off the part when it was fitted or later; empty without one.

    Raises:
        InputError: the sections have different ratings.
    """
    own = {_part_of(point) for point in points}
    known = {point.key for point in part.points}
    read = [
        rating
        for rating in ratings
        if (rating.circuit.casefold(), rating.component.casefold(), rating.section.casefold()) in own
        and rating.utc_ns >= (part.stored.replacement.utc_ns or 0)
        and (rating.point_key in part.stored.ratings or rating.point_key not in known)
    ]
    texts = list(dict.fromkeys(plain(rating.rating) for rating in read if plain(rating.rating)))
    if len(texts) > 1:
        listed = ", ".join(f"{plain(rating.section)} {plain(rating.rating)}" for rating in read)
        raise InputError(
            f"The sections of the {plain(part.component)} have different ratings: {listed}.",
            "Enter its label again in a visit: meterlink visit rating.",
        )
    return texts[0] if texts else ""


def _measured_points(points: Sequence[TestPoint]) -> list[tuple[TestPoint, str]]:
    """Return the test points whose values describe the part, each with its name on a sticker, empty for one alone.

    They are the sections of a capacitor, else the ohms of windings and coils, else all its test points.
    """
    capacitors = [point for point in points if point.kind is PointKind.CAPACITOR]
    isolated = [
        point for point in points if point.state is CircuitState.ISOLATED and point.kind is not PointKind.INSULATION
    ]
    chosen = capacitors or isolated or list(points)
    sections = [plain(point.section) for point in chosen]
    named = all(sections) and len(set(sections)) == len(sections)
    names = sections if named else [plain("–".join(point.terminals)) for point in chosen]
    return list(zip(chosen, names if len(chosen) > 1 or named else [""], strict=True))


def _value_line(point: TestPoint, name: str, rows: Iterable[HistoryRow], visit_uid: str, zone: tzinfo | None) -> str:
    """Return the line of the first reading of a new part; of a later visit than that of its fitting, with its day."""
    row = next((row for row in rows if _reads(row, point)), None)
    if row is None:
        return f"New {name}: {NOT_READ}" if name else f"New: {NOT_READ}"
    if row.visit_uid != visit_uid:
        return _dated_value(row, name, zone)
    return f"{f'New {name}'.strip()}: {_value(row)}"


def _newest_value_line(point: TestPoint, name: str, rows: Sequence[HistoryRow], zone: tzinfo | None) -> str:
    row = next((row for row in reversed(rows) if _reads(row, point)), None)
    return f"{name or 'Value'}: {NOT_READ}" if row is None else _dated_value(row, name, zone)


def _dated_value(row: HistoryRow, name: str, zone: tzinfo | None) -> str:
    return f"{name or 'Read'} {site_day(row.reading.timestamp.utc_ns, zone)}: {_value(row)}"


def _value(row: HistoryRow) -> str:
    """Return a reading as displayed, with its verdict where the part is not sound by it."""
    verdict = f", {row.judgement.verdict}" if row.judgement.verdict in FAILED_VERDICTS else ""
    return f"{plain(row.reading.text)}{verdict}"


def _is_after(row: HistoryRow, stored: StoredReplacement) -> bool:
    """Return whether a reading of that visit, or of a later one, was taken after a part was fitted.

    Within a visit the number decides. A reading that was given to its visit later has a late number: its time counts.
    """
    replacement = stored.replacement
    if row.assigned_utc_ns is not None and row.reading.timestamp.utc_ns < (replacement.utc_ns or 0):
        return False
    return row.visit_uid != stored.visit_uid or row.id > (replacement.after_number or 0)


def _reads(row: HistoryRow, point: TestPoint) -> bool:
    """Return whether a reading counts and is a value of the part at ``point``; of another plan, too."""
    return (
        row.void_reason is None
        and row.judgement.question is None
        and row.judgement.verdict in _OF_THE_PART
        and (row.circuit.casefold(), row.component.casefold(), row.section.casefold()) == _part_of(point)
        and (row.reading.quantity, row.state, row.kind) == (point.quantity, point.state, point.kind)
        and set(row.terminals) == set(point.terminals)
    )


def _part_of(point: TestPoint) -> _Part:
    return point.circuit.casefold(), point.component.casefold(), point.section.casefold()


def _glued(text: str) -> str:
    """Return a text whose numbers are never parted from their units: with spaces that do not break."""
    return _NUMBER_AND_UNIT.sub("\u00a0", plain(text))
