"""``meterlink judge replacement``: the parts on the truck that can replace a failed capacitor."""

from pathlib import Path
from typing import Any

import click

from meterlink.cli.judge.output import json_option, print_answer
from meterlink.cli.judge.questions import answer_option, settle
from meterlink.core.cautions import standard_caution
from meterlink.core.equipment import CircuitState
from meterlink.core.units import Quantity
from meterlink.judge.label.ratings import read_label
from meterlink.judge.label.replacement import (
    ReplacementOption,
    ReplacementResult,
    StockEntry,
    find_replacements,
)
from meterlink.judge.label.usual_values import CapacitorKind
from meterlink.settings import load_stock

_MEASURE_NOTE = "Measure the new part before it goes in."


@click.command()
@click.option("--part", required=True, metavar="RATING", help='The failed part\'s rating: "45+7.5 MFD 440V".')
@click.option("--stock", required=True, metavar="FILE", help="TOML file with the parts on the truck.")
@click.option("--kind", type=click.Choice([kind.value for kind in CapacitorKind]), help="Kind of part, if known.")
@answer_option
@json_option
def replacement(part: str, stock: str, kind: str | None, answer: str | None, as_json: bool) -> None:  # noqa: FBT001
    """Find the parts of a stock list that can replace a failed run or start capacitor, best first.

    \b
        meterlink judge replacement --part "45 uF 370 V" --stock truck.toml

    The stock list is TOML: one [[part]] table for each kind of part, with rating = "45+5 uF 440 V" as on its label,
    count = 2 (default 1) and note = "left bin" (optional). With --json: part, options (method, is_temporary, parts,
    remarks) and excluded (rating, count, note, reason); each of parts has rating, count, note. A rating with several
    meanings raises a question, as in `judge rating`.
    """
    original = settle(read_label(part, kind=CapacitorKind(kind) if kind else None), answer, as_json=as_json)
    result = find_replacements(original, load_stock(Path(stock)))
    print_answer(_fields(result), _lines(result), as_json=as_json)


def _entry_fields(entry: StockEntry) -> dict[str, Any]:
    return {"rating": str(entry.part), "count": entry.count, "note": entry.note}


def _fields(result: ReplacementResult) -> dict[str, Any]:
    return {
        "part": str(result.original),
        "options": [
            {
                "method": option.method,
                "is_temporary": option.is_temporary,
                "parts": [_entry_fields(entry) for entry in option.parts],
                "remarks": list(option.remarks),
            }
            for option in result.options
        ],
        "excluded": [{**_entry_fields(entry), "reason": reason} for entry, reason in result.excluded],
    }


def _lines(result: ReplacementResult) -> list[str]:
    if not result.options:
        lines = [f"NOTHING IN STOCK replaces {result.original}"]
    else:
        best, *alternatives = result.options
        lines = [f"{'TEMPORARY' if best.is_temporary else 'USE'} {_option_text(best)}", *best.remarks, _MEASURE_NOTE]
        for option in alternatives:
            temporary = "temporary, " if option.is_temporary else ""
            lines += [f"or {temporary}{_option_text(option)}", *(f"  {remark}" for remark in option.remarks)]
    lines += [f"not {entry.part_and_place}: {reason}" for entry, reason in result.excluded]
    return [*lines, standard_caution(CircuitState.ISOLATED, Quantity.CAPACITANCE)]


def _option_text(option: ReplacementOption) -> str:
    notes = ", ".join(dict.fromkeys(entry.note for entry in option.parts if entry.note))
    count = min(entry.count for entry in option.parts)
    return f"{option}: {option.method}, {count} in stock{f' ({notes})' if notes else ''}"
