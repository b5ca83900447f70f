"""The page that lists every rule, generated from the rules."""

from collections.abc import Sequence

from meterlink.diagnosis.evidence import Fact
from meterlink.diagnosis.rules import BASE_WEIGHTS, WEIGHTS, Rule

_INTRODUCTION = """\
# Diagnosis: the rules

`meterlink diagnose --rules` prints this page from `meterlink/diagnosis/rules.toml`. Edit that file, not this page; a
test compares them.

A rule gives a cause where every fact it needs holds. The confidence of a cause follows from a sum of weights:

- The needs alone weigh 0 (possible) or 2 (likely).
- Each further fact that holds weighs 2 (strong) or 1 (moderate). Its weight is added if the fact is evidence for the
  cause, and subtracted if it is evidence against it.
- A fact about a coincidence of numbers computes its own weight, 1 to 4, from a likelihood ratio.
- Of several facts from exactly the same readings, only the one with the largest weight counts.
- A low battery at one of the readings subtracts 1 from a cause in a connection, upstream or in a part. Voltage at a
  test point that should be isolated subtracts 2.
- A fact without the readings it needs is unknown and does not count.

| sum | confidence | odds |
|---|---|---|
| 4 or more | very likely | 100 to 1 |
| 2 or 3 | likely | 10 to 1 |
| 0 or 1 | possible | even |
| below 0 | unlikely | more evidence against it than for it |
| below 0, for a reading outside its limits that stands | cannot tell until measured again | |

The reading of an isolated part that is outside its limits, open or shorted stands until it is measured again: no cause
of it is called unlikely. Volts and amps are those of a circuit, in which causes compete: such a reading stands if no
other cause explains it. A decision, the sentence after "once", is given only where no evidence is against the cause.

The weights are half-powers of ten of the odds (the weight of evidence of I. J. Good, 1950, from memory). They are
common practice, no source: the bets of a careful technician, not measured frequencies. No cause is certain, and no
cause means that a circuit may be touched.
"""


def render_rules_page(rules: Sequence[Rule]) -> str:
    """Return the page as Markdown: for each kind of subject its rules, then the facts they use with a description."""
    parts = [_INTRODUCTION]
    for subject in dict.fromkeys(rule.subject for rule in rules):
        parts.append(f"## About a {subject}\n")
        about_subject = [rule for rule in rules if rule.subject == subject]
        parts += [_rule_section(rule) for rule in about_subject]
        facts = sorted({fact.statement: fact for rule in about_subject for fact in _facts_of(rule)}.items())
        parts.append(f"### Facts about a {subject}\n")
        parts += [f"- *{statement}*: {' '.join(fact.description.split())}" for statement, fact in facts]
        parts.append("")
    return "\n".join(parts)


def _facts_of(rule: Rule) -> list[Fact]:
    weighted = [fact for fact, _ in (*rule.evidence_for, *rule.evidence_against)]
    decisive = rule.decision.facts if rule.decision else ()
    return [*rule.needs, *rule.unless, *weighted, *(fact for fact, _ in rule.measure_first), *decisive]


def _rule_section(rule: Rule) -> str:
    names = {weight: name for name, weight in WEIGHTS.items()}
    base = {weight: name for name, weight in BASE_WEIGHTS.items()}[rule.base_weight]
    lines = [
        f"### {rule.title[0].upper()}{rule.title[1:]}\n",
        f"`{rule.key}`, kind: {rule.kind}; needs alone: {base}.\n",
        f"- needs: {'; '.join(fact.statement for fact in rule.needs)}",
    ]
    if rule.unless:
        lines.append(f"- unless: {'; '.join(fact.statement for fact in rule.unless)}")
    for label, facts in (("for", rule.evidence_for), ("against", rule.evidence_against)):
        if facts:
            lines.append(f"- {label}: {'; '.join(f'{fact.statement} ({names[weight]})' for fact, weight in facts)}")
    lines += [f"- measure first, while unknown whether {fact.statement}: {text}" for fact, text in rule.measure_first]
    lines.append(f"- next measurement: {rule.next_measurement}")
    if rule.decision:
        statements = " and ".join(fact.statement for fact in rule.decision.facts)
        lines.append(f"- once {statements}: {rule.decision.text}")
    if rule.extra_caution:
        lines.append(f"- extra caution: {rule.extra_caution}")
    lines.append(f"- source: {rule.source}\n")
    return "\n".join(lines)
