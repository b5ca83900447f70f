"""A part that is fitted in the place of another: its ratings, and the check against the old part. Pure."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from meterlink.core.equipment import PointKind, Rating, Span, Specification, TestPoint
from meterlink.core.errors import InputError
from meterlink.judge.tolerance import Tolerance, parse_tolerance
from meterlink.station.visit import ActiveVisit

if TYPE_CHECKING:
    from meterlink.judge.label.rated_part import RatedPart


@dataclass(frozen=True, slots=True)
class NewPart:
    """A part that is fitted in the place of an old one.

    ``ratings`` is ``{key of a test point: text of its rating}``. ``sections`` names the sections that it serves, empty
    for all. ``label`` is that of a capacitor, None for another part. ``objection`` says why the rules do not allow it;
    empty if they do, or if nothing is known of the old part. ``method`` is the way of replacing, empty if unknown.
    """

    rating: str
    old_rating: str
    ratings: Mapping[str, str]
    sections: tuple[str, ...] = ()
    label: "RatedPart | None" = None
    method: str = ""
    remarks: tuple[str, ...] = ()
    objection: str = ""


def new_part(visit: ActiveVisit, point: TestPoint, text: str) -> NewPart:
    """Return the part that is fitted at ``point``, with its rating ``text`` as marked.

    Raises:
        OpenQuestionError: the text has several meanings.
        InputError: the text is no rating of this part, or is missing for a capacitor.
    """
    if point.kind is PointKind.CAPACITOR:
        return _new_capacitor(visit, point, text)
    old = point.specification
    old_rating = "" if old is None else str(old)
    if not text:
        return NewPart(old_rating, old_rating, {})
    _, specifications = visit.read_rating(point, text)
    new = specifications[point.key]
    objection = f"The new part is marked {new!s}, the old one {old_rating}." if old not in {None, new} else ""
    return NewPart(str(new), old_rating, {point.key: str(new)}, objection=objection)


def _new_capacitor(visit: ActiveVisit, point: TestPoint, text: str) -> NewPart:
    from meterlink.judge.label.replacement import check_replacement  # noqa: PLC0415  # only where a part is replaced

    if not text:
        raise InputError("The label of the new capacitor is missing.", 'Write it as printed: "35+5 MFD 440V".')
    label, specifications = visit.read_rating(point, text)
    assert label is not None  # noqa: S101  # read as the label of a capacitor
    ratings = dict.fromkeys(specifications, str(label))
    sections = (point.section,) if point.section and len(label.sections) < _section_count(visit, point) else ()
    original = _original(visit, specifications, label)
    if original is None:
        remark = "The old part's rating is not known here: compare the new label with the old one."
        return NewPart(str(label), "", ratings, sections, label, remarks=(remark,))
    check = check_replacement(original, label)
    method = "" if check.method is None else str(check.method)
    return NewPart(str(label), str(original), ratings, sections, label, method, check.remarks, check.objection)


def _section_count(visit: ActiveVisit, point: TestPoint) -> int:
    return len({
        other.section
        for other in visit.points.values()
        if (other.component, other.kind) == (point.component, point.kind)
    })  # fmt: skip


def _original(visit: ActiveVisit, specifications: Mapping[str, Specification], new: "RatedPart") -> "RatedPart | None":
    """Return the old part, or its section, in the place of ``new``; None where its rating is not known."""
    from meterlink.judge.label.rated_part import RatedPart  # noqa: PLC0415  # with `_new_capacitor`

    points = [visit.points[key] for key in specifications if key in visit.points]
    old = [point.specification for point in points]
    label = visit.labels.get(points[0].component) if points else None
    if label is not None and label.marked_range is None:
        values = {specification.value for specification in old if isinstance(specification, Rating)}
        label = label if values <= set(label.sections) else None  # the label of another part of this name
    volts = label.volts if label else ()
    hertz, kind = (label.hertz, label.kind) if label else ((), None)
    match old:
        case [Span() as span]:
            return RatedPart((), span, volts=volts, hertz=hertz, kind=kind)
        case [Rating() as rating] if len(new.sections) < 2:
            return RatedPart((rating.value,), tolerance=_tolerance(rating), volts=volts, hertz=hertz, kind=kind)
        case [Rating() as herm, Rating() as fan]:
            sections = (herm.value, fan.value)
            return RatedPart(sections, tolerance=_tolerance(herm), volts=volts, hertz=hertz, kind=kind)
    return None


def _tolerance(rating: Rating) -> Tolerance | None:
    return None if rating.tolerance is None else parse_tolerance(rating.tolerance, rating.value)
