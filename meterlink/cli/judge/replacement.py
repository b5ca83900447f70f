"""``meterlink judge replacement``: which part off the truck may replace a failed capacitor."""

import tomllib
from pathlib import Path
from typing import Any

import click

from meterlink.cli.judge.output import json_option, print_answer
from meterlink.core.cautions import standard_caution
from meterlink.core.equipment import CircuitState
from meterlink.core.errors import InputError
from meterlink.core.units import Quantity
from meterlink.judge.label.rated_part import CapacitorKind
from meterlink.judge.label.ratings import parse_rating
from meterlink.judge.label.replacement import (
    ReplacementOption,
    ReplacementResult,
    StockEntry,
    find_replacements,
    parse_stock,
)

_LARGEST_FILE = 1_000_000  # bytes; a list of every capacitor made is smaller
_MEASURE_NOTE = "Measure the new part before it goes in."


@click.command()
@click.option("--part", required=True, metavar="RATING", help='The failed part\'s rating: "45+7.5 MFD 440V".')
@click.option("--stock", required=True, metavar="FILE", help="What is on the truck, as TOML.")
@click.option(
    "--kind", type=click.Choice([kind.value for kind in CapacitorKind]), help="What the part is, where it is known."
)
@json_option
def replacement(part: str, stock: str, kind: str | None, as_json: bool) -> None:  # noqa: FBT001
    """Say which part of a stock list may replace a failed run or start capacitor, best first.

    The stock list is TOML: one [[part]] table for each kind of part, with rating = "45+5 uF 440 V" as on its label,
    count = 2 (1 where left out) and note = "left bin" (may be left out). With --json: part, options (way, temporary,
    parts, remarks) and passed_over (rating, count, note, reason); each of parts has rating, count, note.
    """
    original = parse_rating(part, kind=CapacitorKind(kind) if kind else None)
    found = find_replacements(original, _read_stock_file(stock))
    print_answer(_fields(found), _lines(found), as_json=as_json)


def _read_stock_file(file: str) -> tuple[StockEntry, ...]:
    try:
        path = Path(file)
        if path.stat().st_size > _LARGEST_FILE:
            raise InputError(f"{file} is too large for a stock list.", "Keep one list per truck.")
        table = tomllib.loads(path.read_text(encoding="utf-8"))
    except UnicodeDecodeError as error:
        raise InputError(f"{file} is not UTF-8 text.", "Save it as UTF-8.") from error
    except RecursionError as error:
        raise InputError(f"{file} is nested too deeply for a stock list.", "Write [[part]] tables.") from error
    except (OSError, ValueError) as error:
        # ValueError: not TOML (TOMLDecodeError is one), or a name with a zero byte in it.
        words = error.strerror if isinstance(error, OSError) else error
        raise InputError(f"{file!r} cannot be read as a stock list: {words}.", "Give a TOML file.") from error
    return parse_stock(table, file)


def _entry_fields(entry: StockEntry) -> dict[str, Any]:
    return {"rating": str(entry.part), "count": entry.count, "note": entry.note}


def _fields(found: ReplacementResult) -> dict[str, Any]:
    return {
        "part": str(found.original),
        "options": [
            {
                "way": option.method,
                "temporary": option.is_temporary,
                "parts": [_entry_fields(entry) for entry in option.parts],
                "remarks": list(option.remarks),
            }
            for option in found.options
        ],
        "passed_over": [{**_entry_fields(entry), "reason": reason} for entry, reason in found.excluded],
    }


def _lines(found: ReplacementResult) -> list[str]:
    if not found.options:
        lines = [f"NOTHING IN STOCK replaces {found.original}"]
    else:
        best, *others = found.options
        lines = [f"{'TEMPORARY' if best.is_temporary else 'USE'} {_option_text(best)}", *best.remarks, _MEASURE_NOTE]
        for option in others:
            temporary = "temporary, " if option.is_temporary else ""
            lines += [f"or {temporary}{_option_text(option)}", *(f"  {remark}" for remark in option.remarks)]
    lines += [f"not {_entry_text(entry)}: {reason}" for entry, reason in found.excluded]
    return [*lines, standard_caution(CircuitState.ISOLATED, Quantity.CAPACITANCE)]


def _option_text(option: ReplacementOption) -> str:
    places = ", ".join(dict.fromkeys(entry.note for entry in option.parts if entry.note))
    left = min(entry.count for entry in option.parts)
    return f"{option}: {option.method}, {left} in stock{f' ({places})' if places else ''}"


def _entry_text(entry: StockEntry) -> str:
    return f"{entry.part} ({entry.note})" if entry.note else str(entry.part)
