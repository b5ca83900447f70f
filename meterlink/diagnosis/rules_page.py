"""The page that lists every rule, written from the rules themselves so that it cannot drift from them."""

from meterlink.diagnosis.evidence import Fact
from meterlink.diagnosis.rules import BASE_WEIGHTS, WEIGHTS, Rule, shipped_rules

_INTRODUCTION = """\
# Diagnosis: the rules

Written by `meterlink diagnose --rules`; a test checks that this page is what the rules say. Edit
`meterlink/judge/diagnosis/rules.toml` instead.

A rule makes a finding where every fact it needs holds. How sure a finding is follows from a sum: what the needs amount
to alone (possible 0, likely 2), and for each fact that holds, 2 for a strong one and 1 for some, added where it speaks
for the finding and subtracted where it speaks against. Facts about a coincidence of numbers weigh themselves, 1 to 4,
by a likelihood ratio. Of facts told from the very same readings only the weightiest counts. From every finding that
blames a connection, something upstream or a part, a low battery behind one of its readings takes 1, and voltage at a
test point of it that should be isolated takes 2.

| sum | word | about |
|---|---|---|
| 4 and more | very likely | 100 to 1 |
| 2 or 3 | likely | 10 to 1 |
| 0 or 1 | possible | even |
| below 0 | unlikely | more speaks against it |

The weights are half-powers of ten of the odds (the weight of evidence of I. J. Good, 1950, from memory), and common
practice with no source: what a careful technician would bet, not a measured frequency. No finding is ever certain, and
none says that a circuit is safe or dead.

A fact that is unknown, because nobody has measured what it needs, counts for nothing either way.
"""


def render_rules_page() -> str:
    """Return the page as Markdown: the rules by what they are about, then every fact they use and how it is told."""
    rules = shipped_rules()
    parts = [_INTRODUCTION]
    for scope in dict.fromkeys(rule.subject for rule in rules):
        parts.append(f"## About a {scope}\n")
        mine = [rule for rule in rules if rule.subject == scope]
        parts += [_rule_section(rule) for rule in mine]
        facts = sorted({fact.statement: fact for rule in mine for fact in _facts_of(rule)}.items())
        parts.append(f"### Facts about a {scope}\n")
        parts += [f"- *{statement}*: {' '.join(fact.description.split())}" for statement, fact in facts]
        parts.append("")
    return "\n".join(parts)


def _facts_of(rule: Rule) -> list[Fact]:
    weighed = [fact for fact, _ in (*rule.evidence_for, *rule.evidence_against)]
    return [*rule.needs, *rule.unless, *weighed, *(fact for fact, _ in rule.measure_first)]


def _rule_section(rule: Rule) -> str:
    words = {points: word for word, points in WEIGHTS.items()}
    alone = {points: word for word, points in BASE_WEIGHTS.items()}[rule.base_weight]
    lines = [
        f"### {rule.title[0].upper()}{rule.title[1:]}\n",
        f"`{rule.key}`, blames: {rule.kind}; by itself {alone}.\n",
        f"- needs: {'; '.join(fact.statement for fact in rule.needs)}",
    ]
    if rule.unless:
        lines.append(f"- unless: {'; '.join(fact.statement for fact in rule.unless)}")
    for name, facts in (("for", rule.evidence_for), ("against", rule.evidence_against)):
        if facts:
            lines.append(f"- {name}: {'; '.join(f'{fact.statement} ({words[points]})' for fact, points in facts)}")
    lines += [f"- while unknown whether {fact.statement}: {text}" for fact, text in rule.measure_first]
    lines.append(f"- next: {rule.next_measurement}")
    if rule.extra_caution:
        lines.append(f"- care: {rule.extra_caution}")
    lines.append(f"- source: {rule.source}\n")
    return "\n".join(lines)
