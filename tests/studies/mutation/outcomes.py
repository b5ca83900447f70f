"""The outcomes of changes, and their table."""

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass

ROOMS = ("judge", "settling", "store")
OUTCOMES = ("killed", "timeout", "survived", "no test")


@dataclass(frozen=True, slots=True)
class Outcome:
    """The outcome of one change: change ``number``, from 0, of the ``of`` changes of a module."""

    module: str
    number: int
    of: int
    line: int
    before: str
    after: str
    outcome: str


def mutation_table(outcomes: Iterable[Outcome]) -> list[str]:
    """Return the lines of a Markdown table: a line for each module, and one for each room."""
    counts: dict[str, Counter[str]] = {}
    sizes: dict[str, int] = {}
    for outcome in outcomes:
        counts.setdefault(outcome.module, Counter())[outcome.outcome] += 1
        sizes[outcome.module] = outcome.of
    for room in ROOMS:
        if modules := [module for module in sizes if module.startswith(f"meterlink/{room}/")]:
            counts[f"**{room}**"] = sum((counts[module] for module in modules), Counter())
            sizes[f"**{room}**"] = sum(sizes[module] for module in modules)
    assert counts, "no change was tried"
    head = ("module", "changes", "tried", *OUTCOMES, "noticed")
    lines = [f"| {' | '.join(head)} |", f"|---{'|--:' * (len(head) - 1)}|"]
    for module, results in counts.items():
        noticed = (results["killed"] + results["timeout"]) / results.total()
        cells = (module.removeprefix("meterlink/"), sizes[module], results.total(), *map(results.get, OUTCOMES))
        lines.append(f"| {' | '.join(str(cell or 0) for cell in cells)} | {noticed:.0%} |")
    return lines
