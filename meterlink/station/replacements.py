"""Replacements from stock for capacitors that failed in this visit. Pure."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

from meterlink.core.errors import InputError
from meterlink.core.verdicts import Verdict
from meterlink.station.visit import ActiveVisit

if TYPE_CHECKING:
    from meterlink.judge.label.replacement import ReplacementOption, StockEntry

_FAILED = {Verdict.OUTSIDE, Verdict.OPEN, Verdict.SHORTED}


def replacement_sentences(visit: ActiveVisit, stock: "Sequence[StockEntry]") -> list[str]:
    """Return a sentence for each failed capacitor whose label is known; an empty list without stock."""
    return [_sentence(component, visit, stock) for component in visit.labels if stock and _failed(visit, component)]


def _failed(visit: ActiveVisit, component: str) -> bool:
    of_component = [readings for key, readings in visit.accepted.items() if visit.points[key].component == component]
    return any(readings[-1].judgement.verdict in _FAILED for readings in of_component if readings)


def _sentence(component: str, visit: ActiveVisit, stock: "Sequence[StockEntry]") -> str:
    from meterlink.judge.label.replacement import find_replacements  # noqa: PLC0415  # only where a capacitor failed

    try:
        options = find_replacements(visit.labels[component], stock).options
    except InputError as error:
        return f"For the {component} from stock: {error}"
    if not options:
        return f"Nothing in stock replaces the {component}, {visit.labels[component]}."
    return f"For the {component} from stock: {_option(options[0])}."


def _option(option: "ReplacementOption") -> str:
    notes = ", ".join(dict.fromkeys(entry.note for entry in option.parts if entry.note))
    temporary = ", temporary" if option.is_temporary else ""
    return f"{option}{f' ({notes})' if notes else ''}, {option.method}{temporary}"
