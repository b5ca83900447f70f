"""Replacements from stock for capacitors that failed in this visit. Pure."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

from meterlink.core.equipment import PointKind
from meterlink.core.verdicts import FAILED_VERDICTS
from meterlink.station.visit import ActiveVisit

if TYPE_CHECKING:
    from meterlink.judge.label.rated_part import RatedPart
    from meterlink.judge.label.replacement import StockEntry


def replacement_sentences(visit: ActiveVisit, stock: "Sequence[StockEntry]") -> dict[str, str]:
    """Return the parts on the truck for each failed capacitor, ``{component: sentence}``; nothing without stock."""
    failed = _failed_capacitors(visit) if stock else []
    if not failed:
        return {}
    from meterlink.judge.label.truck import truck_sentence  # noqa: PLC0415  # only where a capacitor failed

    return {component: truck_sentence(component, _label_of(visit, component), stock) for component in failed}


def _label_of(visit: ActiveVisit, component: str) -> "RatedPart | None":
    """Return the typed label of a component, None without one, and for the rating of one section of a dual alone."""
    label = visit.labels.get(component)
    sections = [
        point for point in visit.points.values() if (point.component, point.kind) == (component, PointKind.CAPACITOR)
    ]
    return None if label is None or len(label.sections or ("range",)) < len(sections) else label


def _failed_capacitors(visit: ActiveVisit) -> list[str]:
    failed = (
        visit.points[key].component
        for key, readings in visit.accepted.items()
        if visit.points[key].kind is PointKind.CAPACITOR
        and readings
        and readings[-1].judgement.verdict in FAILED_VERDICTS
    )
    return list(dict.fromkeys(failed))
