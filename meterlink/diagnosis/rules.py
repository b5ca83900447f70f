"""Parse the rules of ``rules.toml`` and check that every fact and every placeholder exists."""

from collections.abc import Mapping
from dataclasses import dataclass
from string import Formatter
from typing import Any

from meterlink.core.equipment import CircuitState
from meterlink.core.errors import InputError
from meterlink.core.units import Quantity
from meterlink.diagnosis import facts_capacitor, facts_coil, facts_points, facts_windings
from meterlink.diagnosis.causes import CauseKind
from meterlink.diagnosis.evidence import FACTS, Fact
from meterlink.diagnosis.subjects import SUBJECTS
from meterlink.tomlfile.documents import parse_table
from meterlink.tomlfile.problems import Problem

# The import of a module registers its facts.
_FACT_MODULES = (facts_capacitor, facts_coil, facts_points, facts_windings)

# The weight of a rule's needs alone, in half-powers of ten.
BASE_WEIGHTS = {"possible": 0, "likely": 2}
# The weight of one fact, in half-powers of ten; the evidence brings a computed weight.
WEIGHTS = {"strong": 2, "moderate": 1, "computed": 0}


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule, as written in ``rules.toml``.

    It gives a cause for each subject of its kind for which all ``needs`` hold and no ``unless`` holds. ``base_weight``
    is the weight of the needs alone. ``evidence_for`` and ``evidence_against`` are ``((fact, weight), ...)``. Weights
    are half-powers of ten. ``title`` and ``next_measurement`` may contain the subject's placeholders in braces.
    ``measure_first`` is ``((fact, text), ...)``: the text replaces ``next_measurement`` while the fact is unknown.
    ``extra_caution`` is added to the standard caution for ``next_state`` and ``next_quantity``.
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
    "key", "subject", "title", "kind", "base_confidence", "needs", "unless", "evidence_for", "evidence_against",
    "next_measurement", "next_state", "next_quantity", "measure_first", "extra_caution", "source",
}  # fmt: skip


def parse_rules(text: str) -> tuple[Rule, ...]:
    """Return the rules in ``text`` (TOML), in its order.

    Raises:
        InputError: the text is not valid TOML, or a rule is invalid; the message names the rule and the fault.
    """
    table = parse_table(text)
    if isinstance(table, Problem):
        raise InputError(f"Line {table.position.line} of the rules: {table.message}", table.remedy)
    entries = table.get("rule", [])
    rules: list[Rule] = []
    for entry in entries:
        name = f"Rule {entry.get('key', 'without a key')!r}"
        try:
            rules.append(_parse_rule(entry))
        except (KeyError, ValueError, TypeError) as error:
            raise InputError(
                f"{name} is invalid: {error}.", "Compare it with the rules in meterlink/diagnosis/rules.toml."
            ) from error
        if [rule.key for rule in rules].count(rules[-1].key) > 1:
            raise InputError(f"{name} appears twice.", "Give each rule its own key.")
    return tuple(rules)


def _parse_rule(entry: Mapping[str, Any]) -> Rule:
    if unknown := sorted(set(entry) - _RULE_KEYS):
        raise ValueError(f"{unknown[0]!r} is not a field of a rule")
    subject = entry["subject"]
    placeholders = SUBJECTS[subject].PLACEHOLDERS
    measure_first = tuple(
        (_find_fact(subject, statement), text) for statement, text in entry.get("measure_first", {}).items()
    )
    for text in (entry["title"], entry["next_measurement"], *(text for _, text in measure_first)):
        for _, name, _, _ in Formatter().parse(text):
            if name is not None and name not in placeholders:
                raise ValueError(f"{{{name}}} is not a placeholder for a {subject}")
    return Rule(
        key=entry["key"],
        subject=subject,
        title=entry["title"],
        kind=CauseKind(entry["kind"]),
        base_weight=BASE_WEIGHTS[entry["base_confidence"]],
        needs=tuple(_find_fact(subject, statement) for statement in entry["needs"]),
        unless=tuple(_find_fact(subject, statement) for statement in entry.get("unless", ())),
        evidence_for=_weighted_facts(subject, entry.get("evidence_for", {})),
        evidence_against=_weighted_facts(subject, entry.get("evidence_against", {})),
        next_measurement=entry["next_measurement"],
        next_state=CircuitState(entry["next_state"]),
        next_quantity=Quantity(entry["next_quantity"]),
        measure_first=measure_first,
        extra_caution=entry.get("extra_caution", ""),
        source=entry.get("source", ""),
    )


def _weighted_facts(subject: str, by_weight: Mapping[str, list[str]]) -> tuple[tuple[Fact, int], ...]:
    return tuple(
        (_find_fact(subject, statement), WEIGHTS[name])
        for name, statements in by_weight.items()
        for statement in statements
    )


def _find_fact(subject: str, statement: str) -> Fact:
    fact = FACTS.get((subject, statement))
    if fact is None:
        raise ValueError(f"{statement!r} is not a fact about a {subject}")
    return fact
