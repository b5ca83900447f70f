"""Plans: TOML files that list the test points of a visit, and the ones that ship with Meterlink.

A plan is ``name = "…"`` and one ``[[point]]`` table per test point, in the order they are taken::

    name = "single-phase split condenser"

    [[point]]
    key = "compressor-herm"            # unique in the plan; lower-case letters, digits, hyphens
    circuit = "compressor"
    component = "run capacitor"
    section = "HERM"                   # where a component has several
    terminals = ["C", "HERM"]
    quantity = "capacitance"           # voltage, current, resistance, capacitance, frequency, temperature, ratio
    state = "isolated and discharged"  # or "energized"
    check = "capacitor"                # capacitor (rated, tolerance), coil (low, high) or range (low, high)
    rated = "45 uF"                    # left out while nobody has read it off the part
    tolerance = "6 %"                  # left out: the default tolerance
    why = "One sentence for whoever has not done this before."
"""

import re
import tomllib
from collections.abc import Mapping
from importlib import resources
from pathlib import Path
from typing import Any, TypeVar

from meterlink.equipment import Check, Plan, Rating, Span, State, TestPoint
from meterlink.errors import InputError, PlanError
from meterlink.text import clean_name
from meterlink.units import BASE_UNIT, Amount, Quantity, parse_amount, parse_number, parse_unit

DEFAULT_PLAN = "split-condenser"

_Word = TypeVar("_Word", Quantity, State, Check)

_KEY = re.compile(r"[a-z0-9]+(?:-[a-z0-9]+)*")
_LONGEST_WHY = 400  # characters: a few lines on the smallest screen
_FIELDS = {
    "key", "circuit", "component", "section", "terminals", "quantity", "state", "check",
    "rated", "tolerance", "low", "high", "why",
}  # fmt: skip


def shipped_plans() -> tuple[str, ...]:
    """Return the names of the plans that ship with Meterlink."""
    folder = resources.files(__package__)
    return tuple(sorted(item.name.removesuffix(".toml") for item in folder.iterdir() if item.name.endswith(".toml")))


def load_plan(name_or_file: str) -> Plan:
    """Return the shipped plan of that name, or the plan in that file.

    PlanError names the file and the test point of the first thing that is wrong.
    """
    if name_or_file in shipped_plans():
        where = f"plan {name_or_file}"
        text = resources.files(__package__).joinpath(f"{name_or_file}.toml").read_text(encoding="utf-8")
    else:
        where = name_or_file
        try:
            text = Path(name_or_file).read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError) as error:
            raise PlanError(
                f"The plan {name_or_file!r} cannot be read: {_words(error)}.",
                f"Give a file, or one of: {', '.join(shipped_plans())}.",
            ) from error
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise PlanError(f"{where} is not valid TOML: {error}.", "Mend that line.") from error
    name = table.get("name")
    if not isinstance(name, str) or not clean_name(name):
        raise PlanError(f"{where} has no name.", 'Add name = "…" at its top.')
    return Plan(clean_name(name, 80), read_points(table, where))


def _words(error: OSError | UnicodeDecodeError) -> str:
    return error.strerror or "it cannot be opened" if isinstance(error, OSError) else "it is not UTF-8 text"


def read_points(table: Mapping[str, Any], where: str) -> tuple[TestPoint, ...]:
    """Return the test points of ``table["point"]``; PlanError naming ``where`` and the point otherwise."""
    entries = table.get("point")
    if not isinstance(entries, list) or not entries:
        raise PlanError(f"{where} lists no test points.", "Add at least one [[point]] table.")
    points: list[TestPoint] = []
    for number, entry in enumerate(entries, 1):
        if not isinstance(entry, dict):
            raise PlanError(f"{where}, point {number}: not a table.", "Write it as [[point]].")
        label = f"{where}, point {number} ({entry.get('key', 'no key')})"
        try:
            point = _point(entry)
        except InputError as error:
            raise PlanError(f"{label}: {error.message}", error.remedy) from error
        if any(point.key == other.key for other in points):
            raise PlanError(f"{label}: another point has this key.", "Give each point a key of its own.")
        points.append(point)
    return tuple(points)


def _point(entry: Mapping[str, Any]) -> TestPoint:
    unknown = sorted(set(entry) - _FIELDS)
    if unknown:
        raise InputError(f"{unknown[0]!r} is not a field of a test point.", f"Use: {', '.join(sorted(_FIELDS))}.")
    key = _text(entry, "key")
    if not _KEY.fullmatch(key):
        raise InputError(f"key {key!r} is not usable.", "Use lower-case letters, digits and hyphens.")
    terminals = entry.get("terminals")
    if not (isinstance(terminals, list) and len(terminals) == 2 and all(isinstance(t, str) for t in terminals)):
        raise InputError("terminals must be two names.", 'Write terminals = ["C", "HERM"].')
    quantity = _choice(entry, "quantity", Quantity)
    check = _choice(entry, "check", Check)
    return TestPoint(
        key=key,
        circuit=_text(entry, "circuit"),
        component=_text(entry, "component"),
        section=_text(entry, "section", needed=False),
        terminals=(clean_name(terminals[0], 12), clean_name(terminals[1], 12)),
        quantity=quantity,
        state=_choice(entry, "state", State),
        check=check,
        against=_against(entry, quantity, check),
        why=_text(entry, "why", needed=False, longest=_LONGEST_WHY),
    )


def _text(entry: Mapping[str, Any], field: str, *, needed: bool = True, longest: int = 40) -> str:
    given = entry.get(field, "")
    text = clean_name(given, longest) if isinstance(given, str) else ""
    if needed and not text:
        raise InputError(f"{field} is missing or not text.", f'Write {field} = "…".')
    return text


def _choice(entry: Mapping[str, Any], field: str, kind: type[_Word]) -> _Word:
    try:
        return kind(str(entry.get(field)))
    except ValueError:
        allowed = ", ".join(member.value for member in kind)
        raise InputError(f"{field} {entry.get(field)!r} is not known.", f"Use one of: {allowed}.") from None


def _against(entry: Mapping[str, Any], quantity: Quantity, check: Check) -> Rating | Span | None:
    if check is Check.CAPACITOR:
        if quantity is not Quantity.CAPACITANCE:
            raise InputError(f"a capacitor check cannot have quantity {quantity}.", 'Write quantity = "capacitance".')
        if "low" in entry or "high" in entry:
            raise InputError("a capacitor check takes rated and tolerance.", 'For two limits write check = "range".')
        if "rated" not in entry:
            return None
        tolerance = entry.get("tolerance")
        if tolerance is not None and not isinstance(tolerance, str):
            raise InputError(f"tolerance {tolerance!r} is not text.", 'Write tolerance = "6 %".')
        return Rating(_amount(entry, "rated", quantity), tolerance)
    if "rated" in entry or "tolerance" in entry:
        raise InputError(f"a {check} check takes low and high.", 'For a rating write check = "capacitor".')
    bounds = {field: _amount(entry, field, quantity) for field in ("low", "high") if field in entry}
    return make_span(bounds.get("low"), bounds.get("high"))


def _amount(entry: Mapping[str, Any], field: str, quantity: Quantity) -> Amount:
    given = entry[field]
    if not isinstance(given, str):
        raise InputError(f"{field} {given!r} has no unit.", f'Write {field} = "{given} …" with its unit, as text.')
    return parse_amount(given, quantity)


def make_span(low: Amount | None, high: Amount | None) -> Span | None:
    """Return the two limits in one unit (the one given first), None for none; InputError when low is above high."""
    first = low or high
    if first is None:
        return None
    bottom = None if low is None else low.to(first.unit)
    top = None if high is None else high.to(first.unit)
    if bottom is not None and top is not None and bottom > top:
        raise InputError(f"the low limit {low} is above the high limit {high}.", "Swap them.")
    return Span(bottom, top, first.unit)


_RANGE = re.compile(r"(?P<low>[^a-z]*?[0-9.]\s*[a-zµΩ°]*)\s*(?:to|\.\.|–|-)\s*(?P<high>[0-9.].*)", re.IGNORECASE)


def parse_against(text: str, quantity: Quantity, check: Check) -> Rating | Span:
    """Return what a test point is held against, as somebody types it off the part.

    For a capacitor section a rating with or without a tolerance (``45 uF``, ``45 uF 6 %``, ``45uF J``); otherwise
    ``10 to 18 ohm``, ``at least 10 ohm`` or ``at most 18 ohm``. InputError with an example for anything else.
    """
    given = text.strip()
    if check is Check.CAPACITOR:
        return _parse_rating(given, quantity)
    for words, side in (("at least", "low"), ("at most", "high")):
        if given.lower().startswith(words):
            bound = parse_amount(given[len(words) :], quantity)
            span = make_span(bound, None) if side == "low" else make_span(None, bound)
            break
    else:
        match = _RANGE.fullmatch(given)
        if match is None:
            raise InputError(f"{text!r} is not two limits.", f"Write them as 10 to 18 {BASE_UNIT[quantity]}.")
        high = parse_amount(match["high"], quantity)
        span = make_span(parse_amount(match["low"], quantity, unit=high.unit), high)
    assert span is not None  # noqa: S101  # at least one bound was parsed
    return span


def _parse_rating(given: str, quantity: Quantity) -> Rating:
    number, rest = parse_number(given)
    spelled, _, tolerance = rest.partition(" ")
    for mark in ("±", "+/-", "+-"):
        before, found, after = rest.partition(mark)
        if found:
            spelled, tolerance = before, found + after
            break
    rated = Rating(Amount(number, parse_unit(spelled, quantity)), tolerance.strip() or None)
    if not number > 0:
        raise InputError(f"A rating of {rated.value} cannot be.", "Write what is printed on the part: 45 uF 6 %.")
    return rated
