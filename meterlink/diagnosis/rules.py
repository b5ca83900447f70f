"""The rules, read from ``rules.toml`` and checked: every fact exists, every word has a meaning."""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources
from string import Formatter
from typing import Any

from meterlink.core.equipment import CircuitState
from meterlink.core.errors import InputError
from meterlink.core.units import Quantity
from meterlink.diagnosis import facts_capacitor, facts_coil, facts_points, facts_windings
from meterlink.diagnosis.causes import CauseKind
from meterlink.diagnosis.evidence import FACTS, Fact
from meterlink.diagnosis.subjects import SUBJECTS

# Importing them registers their facts.
_FACT_MODULES = (facts_capacitor, facts_coil, facts_points, facts_windings)

# What the needs of a rule amount to where nothing else is known, in half-powers of ten.
BASE_WEIGHTS = {"possible": 0, "likely": 2}
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
    subject: str
    title: str
    kind: CauseKind
    base_weight: int
    needs: tuple[Fact, ...]
    unless: tuple[Fact, ...]
    evidence_for: tuple[tuple[Fact, int], ...]
    evidence_against: tuple[tuple[Fact, int], ...]
    next_measurement: str
    next_state: CircuitState
    next_quantity: Quantity
    measure_first: tuple[tuple[Fact, str], ...] = ()
    extra_caution: str = ""
    source: str = ""


_RULE_KEYS = {
    "key", "of", "title", "blames", "alone", "needs", "unless", "speaks_for", "speaks_against", "next", "next_state",
    "next_quantity", "first", "care", "source",
}  # fmt: skip


@cache
def shipped_rules() -> tuple[Rule, ...]:
    """Return the rules that ship with Meterlink, in the order of the file."""
    return parse_rules(resources.files(__package__).joinpath("rules.toml").read_text(encoding="utf-8"))


def parse_rules(text: str) -> tuple[Rule, ...]:
    """Return the rules in ``text`` (TOML); InputError naming the rule and what is wrong with it."""
    try:
        entries = tomllib.loads(text).get("rule", [])
    except tomllib.TOMLDecodeError as error:
        raise InputError(f"The rules are not valid TOML: {error}.", "Mend that line.") from error
    rules: list[Rule] = []
    for entry in entries:
        name = f"Rule {entry.get('key', 'without a key')!r}"
        try:
            rules.append(_parse_rule(entry))
        except (KeyError, ValueError, TypeError) as error:
            raise InputError(
                f"{name} cannot be used: {error}.", "See the rules that ship for how one is written."
            ) from error
        if [rule.key for rule in rules].count(rules[-1].key) > 1:
            raise InputError(f"{name} is there twice.", "Give each rule a key of its own.")
    return tuple(rules)


def _parse_rule(entry: Mapping[str, Any]) -> Rule:
    if strange := sorted(set(entry) - _RULE_KEYS):
        raise ValueError(f"{strange[0]!r} is no field of a rule")
    scope = entry["of"]
    subject = SUBJECTS[scope]
    first = tuple((_find_fact(scope, statement), text) for statement, text in entry.get("first", {}).items())
    for text in (entry["title"], entry["next"], *(text for _, text in first)):
        for _, word, _, _ in Formatter().parse(text):
            if word is not None and word not in subject.PLACEHOLDERS:
                raise ValueError(f"{{{word}}} means nothing for a {scope}")
    return Rule(
        key=entry["key"],
        subject=scope,
        title=entry["title"],
        kind=CauseKind(entry["blames"]),
        base_weight=BASE_WEIGHTS[entry["alone"]],
        needs=tuple(_find_fact(scope, statement) for statement in entry["needs"]),
        unless=tuple(_find_fact(scope, statement) for statement in entry.get("unless", ())),
        evidence_for=_weighted_facts(scope, entry.get("speaks_for", {})),
        evidence_against=_weighted_facts(scope, entry.get("speaks_against", {})),
        next_measurement=entry["next"],
        next_state=CircuitState(entry["next_state"]),
        next_quantity=Quantity(entry["next_quantity"]),
        measure_first=first,
        extra_caution=entry.get("care", ""),
        source=entry.get("source", ""),
    )


def _weighted_facts(subject: str, by_weight: Mapping[str, list[str]]) -> tuple[tuple[Fact, int], ...]:
    return tuple(
        (_find_fact(subject, statement), WEIGHTS[word])
        for word, statements in by_weight.items()
        for statement in statements
    )


def _find_fact(subject: str, statement: str) -> Fact:
    found = FACTS.get((subject, statement))
    if found is None:
        raise ValueError(f"{statement!r} is no fact about a {subject}")
    return found
