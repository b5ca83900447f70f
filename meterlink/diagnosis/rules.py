"""Parse the rules of ``rules.toml`` and check that every fact and every placeholder exists."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from string import Formatter
from typing import NamedTuple

from meterlink.core.equipment import CircuitState
from meterlink.core.units import Quantity
from meterlink.diagnosis import (
    facts_capacitor,
    facts_closed_paths,
    facts_coil,
    facts_currents,
    facts_heater,
    facts_legs,
    facts_open_circuits,
    facts_open_parts,
    facts_points,
    facts_start_circuit,
    facts_supply,
    facts_three_phase,
    facts_windings,
)
from meterlink.diagnosis.causes import CauseKind
from meterlink.diagnosis.evidence import FACTS, Fact
from meterlink.diagnosis.subject_kinds import SUBJECTS
from meterlink.tomlfile.documents import check_document
from meterlink.tomlfile.field_types import Choice, Converted, Entries, ListOf, Text
from meterlink.tomlfile.positions import TomlPath
from meterlink.tomlfile.tables import FieldError, Key, Table, Tables

# The import of a module registers its facts.
_FACT_MODULES = (
    facts_capacitor,
    facts_closed_paths,
    facts_coil,
    facts_currents,
    facts_heater,
    facts_legs,
    facts_open_circuits,
    facts_open_parts,
    facts_points,
    facts_start_circuit,
    facts_supply,
    facts_three_phase,
    facts_windings,
)

# The weight of a rule's needs alone, in half-powers of ten.
BASE_WEIGHTS = {"possible": 0, "likely": 2}
# The weight of one fact, in half-powers of ten; the evidence brings a computed weight.
WEIGHTS = {"strong": 2, "moderate": 1, "computed": 0}


class Decision(NamedTuple):
    """What to do once all ``facts`` hold: ``text`` then replaces the next measurement of a rule."""

    facts: tuple[Fact, ...]
    text: str


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule, as written in ``rules.toml``.

    It gives a cause for each subject of its kind for which all ``needs`` hold and no ``unless`` holds. ``base_weight``
    is the weight of the needs alone. ``evidence_for`` and ``evidence_against`` are ``((fact, weight), ...)``. Weights
    are half-powers of ten. ``title`` and ``next_measurement`` may contain the subject's placeholders in braces.
    ``measure_first`` is ``((fact, text), ...)``: the text replaces ``next_measurement`` while the fact is unknown.
    ``decision`` replaces it once nothing is left to measure; None if there always is.
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
    decision: Decision | None = None


Statements = tuple[str, ...]
PartialStatements = Sequence[str | None] | None  # None for a wrong one, and for no list
# Statements by the word for their weight, in the order of the file.
WeightedStatements = tuple[tuple[str, Statements], ...]


class RawDecision(NamedTuple):
    """The table of a decision, its facts by their statements."""

    facts: Statements
    text: str


def parse_rules(text: str) -> tuple[Rule, ...]:
    """Return the rules in ``text`` (TOML), in its order.

    Raises:
        InputError: the text is not valid TOML, or a rule is invalid; the message lists each error with its line and
            column.
    """
    return check_document(text, RULES).require("rules.toml")


def _check_facts(subject: str, partial_statements: PartialStatements, *at: str) -> Iterator[FieldError]:
    for number, statement in enumerate(partial_statements or ()):
        if statement is not None and (subject, statement) not in FACTS:
            yield _unknown_fact(subject, statement, (*at, number))


def _check_weighted_facts(
    subject: str, partial_weighted: Sequence[tuple[str, PartialStatements]], key: str
) -> Iterator[FieldError]:
    for word, statements in partial_weighted:
        yield from _check_facts(subject, statements, key, word)


def _check_measure_first(subject: str, partial_measure_first: Sequence[tuple[str, str | None]]) -> Iterator[FieldError]:
    for statement, text in partial_measure_first:
        if (subject, statement) not in FACTS:
            yield _unknown_fact(subject, statement, ("measure_first", statement))
        yield from _check_placeholders(subject, text or "", "measure_first", statement)


def _check_decision(subject: str, decision: RawDecision | None) -> Iterator[FieldError]:
    if decision is not None:
        yield from _check_facts(subject, decision.facts, "decision", "facts")
        yield from _check_placeholders(subject, decision.text, "decision", "text")


def _unknown_fact(subject: str, statement: str, at: TomlPath) -> FieldError:
    from difflib import get_close_matches  # noqa: PLC0415  # only for a file with a mistake

    alike = get_close_matches(statement, [known for kind, known in FACTS if kind == subject], 1)
    remedy = f"Did you mean {alike[0]!r}?" if alike else "The facts are those of meterlink/diagnosis/facts_*.py."
    return FieldError(at, f"{statement!r} is not a fact about a {subject}.", remedy)


def _check_placeholders(subject: str, text: str, *at: str) -> Iterator[FieldError]:
    known = SUBJECTS[subject].PLACEHOLDERS
    try:
        names = [name for _, name, _, _ in Formatter().parse(text) if name is not None]
    except ValueError:
        yield FieldError(at, "a brace has no partner.", "Write a placeholder in a pair of braces.")
        return
    for name in (name for name in names if name not in known):
        remedy = f"Use one of: {', '.join(sorted(known))}."
        yield FieldError(at, f"{{{name}}} is not a placeholder for a {subject}.", remedy)


def _find_facts(subject: str, statements: Statements) -> tuple[Fact, ...]:
    return tuple(FACTS[subject, statement] for statement in statements)


def _weigh_facts(subject: str, weighted: WeightedStatements) -> tuple[tuple[Fact, int], ...]:
    return tuple(
        (FACTS[subject, statement], WEIGHTS[word]) for word, statements in weighted for statement in statements
    )


def _make_rule(
    *,
    key: str,
    subject: str,
    title: str,
    kind: CauseKind,
    base_weight: int,
    needs: Statements,
    unless: Statements,
    evidence_for: WeightedStatements,
    evidence_against: WeightedStatements,
    next_measurement: str,
    next_state: CircuitState,
    next_quantity: Quantity,
    measure_first: tuple[tuple[str, str], ...],
    extra_caution: str,
    source: str,
    decision: RawDecision | None,
) -> Rule:
    return Rule(
        key=key,
        subject=subject,
        title=title,
        kind=kind,
        base_weight=base_weight,
        needs=_find_facts(subject, needs),
        unless=_find_facts(subject, unless),
        evidence_for=_weigh_facts(subject, evidence_for),
        evidence_against=_weigh_facts(subject, evidence_against),
        next_measurement=next_measurement,
        next_state=next_state,
        next_quantity=next_quantity,
        measure_first=tuple((FACTS[subject, statement], text) for statement, text in measure_first),
        extra_caution=extra_caution,
        source=source,
        decision=None if decision is None else Decision(_find_facts(subject, decision.facts), decision.text),
    )


_LINE, _PARAGRAPH = Text(200), Text(2000)  # characters
_STATEMENTS = ListOf(Text(200, clean=False), 0, 20)  # not cleaned: only those of `FACTS` are right
_WEIGHTED = Entries(
    lambda word: word if word in WEIGHTS else None, "|".join(WEIGHTS), _STATEMENTS, 'strong = ["a fact"]'
)
_MEASURE_FIRST = Entries(lambda word: word or None, ".+", _PARAGRAPH, '"a fact" = "a text"')

RULE = Table(
    _make_rule,
    Key("key", _LINE),
    Key("subject", Choice(SUBJECTS)),
    Key("title", _LINE),
    Key("kind", Choice(CauseKind)),
    Key("base_confidence", Converted(Choice(BASE_WEIGHTS), BASE_WEIGHTS.__getitem__), attribute="base_weight"),
    Key("needs", _STATEMENTS),
    Key("unless", _STATEMENTS, ()),
    Key("evidence_for", _WEIGHTED, ()),
    Key("evidence_against", _WEIGHTED, ()),
    Key("next_measurement", _PARAGRAPH),
    Key("next_state", Choice(CircuitState)),
    Key("next_quantity", Choice(Quantity)),
    Key("measure_first", _MEASURE_FIRST, ()),
    Key("extra_caution", _PARAGRAPH, ""),
    Key("source", _PARAGRAPH, ""),
    Key("decision", Table(RawDecision, Key("facts", _STATEMENTS), Key("text", _PARAGRAPH)), None),
    # One check for each key, and for the right parts of wrong ones: no problem hides another one.
    checks=(
        lambda subject, title: _check_placeholders(subject, title, "title"),
        lambda subject, partial_needs: _check_facts(subject, partial_needs, "needs"),
        lambda subject, partial_unless: _check_facts(subject, partial_unless, "unless"),
        lambda subject, partial_evidence_for: _check_weighted_facts(subject, partial_evidence_for, "evidence_for"),
        lambda subject, partial_evidence_against: _check_weighted_facts(
            subject, partial_evidence_against, "evidence_against"
        ),
        lambda subject, next_measurement: _check_placeholders(subject, next_measurement, "next_measurement"),
        _check_measure_first,
        _check_decision,
    ),
)
RULES: Table[tuple[Rule, ...]] = Table(lambda rule: rule, Key("rule", Tables(RULE, 1, 1000, unique=("key",))))
"""The table of the rules' file."""
