"""The rules, read from ``rules.toml`` and checked: every fact exists, every word has a meaning."""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources
from string import Formatter
from typing import Any

from meterlink.core.equipment import State
from meterlink.core.errors import InputError
from meterlink.core.units import Quantity
from meterlink.diagnosis import facts_capacitor, facts_coil, facts_others, facts_windings
from meterlink.diagnosis.causes import Blames
from meterlink.diagnosis.evidence import FACTS, Fact
from meterlink.diagnosis.subjects import SUBJECTS

# Importing them registers their facts.
_REGISTERED = (facts_capacitor, facts_coil, facts_others, facts_windings)

# What the needs of a rule amount to where nothing else is known, in half-powers of ten.
ALONE = {"possible": 0, "likely": 2}
# A weighed fact brings its own.
WEIGHTS = {"strong": 2, "some": 1, "weighed": 0}


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule, as written in ``rules.toml``.

    It makes a finding about each subject ``of`` its kind of which all ``needs`` hold and no ``unless`` does. ``alone``
    is what that amounts to by itself. ``speaks_for`` and ``speaks_against`` are facts with their weights. ``title``
    and ``next`` may name the subject's words in braces. ``first`` is what to measure instead of ``next`` while the
    fact it is listed under is unknown. ``care`` is said beyond the standard caution for ``next_state``.
    """

    key: str
    of: str
    title: str
    blames: Blames
    alone: int
    needs: tuple[Fact, ...]
    unless: tuple[Fact, ...]
    speaks_for: tuple[tuple[Fact, int], ...]
    speaks_against: tuple[tuple[Fact, int], ...]
    next: str
    next_state: State
    next_quantity: Quantity
    first: tuple[tuple[Fact, str], ...] = ()
    care: str = ""
    source: str = ""


_FIELDS = {
    "key", "of", "title", "blames", "alone", "needs", "unless", "speaks_for", "speaks_against", "next", "next_state",
    "next_quantity", "first", "care", "source",
}  # fmt: skip


@cache
def shipped_rules() -> tuple[Rule, ...]:
    """Return the rules that ship with Meterlink, in the order of the file."""
    return read_rules(resources.files(__package__).joinpath("rules.toml").read_text(encoding="utf-8"))


def read_rules(text: str) -> tuple[Rule, ...]:
    """Return the rules in ``text`` (TOML); InputError naming the rule and what is wrong with it."""
    try:
        entries = tomllib.loads(text).get("rule", [])
    except tomllib.TOMLDecodeError as error:
        raise InputError(f"The rules are not valid TOML: {error}.", "Mend that line.") from error
    rules: list[Rule] = []
    for entry in entries:
        name = f"Rule {entry.get('key', 'without a key')!r}"
        try:
            rules.append(_rule(entry))
        except (KeyError, ValueError, TypeError) as error:
            raise InputError(
                f"{name} cannot be used: {error}.", "See the rules that ship for how one is written."
            ) from error
        if [rule.key for rule in rules].count(rules[-1].key) > 1:
            raise InputError(f"{name} is there twice.", "Give each rule a key of its own.")
    return tuple(rules)


def _rule(entry: Mapping[str, Any]) -> Rule:
    if strange := sorted(set(entry) - _FIELDS):
        raise ValueError(f"{strange[0]!r} is no field of a rule")
    scope = entry["of"]
    subject = SUBJECTS[scope]
    first = tuple((_fact(scope, statement), text) for statement, text in entry.get("first", {}).items())
    for text in (entry["title"], entry["next"], *(text for _, text in first)):
        for _, word, _, _ in Formatter().parse(text):
            if word is not None and word not in subject.WORDS:
                raise ValueError(f"{{{word}}} means nothing for a {scope}")
    return Rule(
        key=entry["key"],
        of=scope,
        title=entry["title"],
        blames=Blames(entry["blames"]),
        alone=ALONE[entry["alone"]],
        needs=tuple(_fact(scope, statement) for statement in entry["needs"]),
        unless=tuple(_fact(scope, statement) for statement in entry.get("unless", ())),
        speaks_for=_weighed(scope, entry.get("speaks_for", {})),
        speaks_against=_weighed(scope, entry.get("speaks_against", {})),
        next=entry["next"],
        next_state=State(entry["next_state"]),
        next_quantity=Quantity(entry["next_quantity"]),
        first=first,
        care=entry.get("care", ""),
        source=entry.get("source", ""),
    )


def _weighed(scope: str, by_weight: Mapping[str, list[str]]) -> tuple[tuple[Fact, int], ...]:
    return tuple(
        (_fact(scope, statement), WEIGHTS[word]) for word, statements in by_weight.items() for statement in statements
    )


def _fact(scope: str, statement: str) -> Fact:
    found = FACTS.get((scope, statement))
    if found is None:
        raise ValueError(f"{statement!r} is no fact about a {scope}")
    return found
