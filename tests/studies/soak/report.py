"""The table of a soak, in Markdown."""

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence

from studies.soak.comparison import DATABASE, Evidence, Hole, Resources, Row, holes, rows


def report(seed: int, faults: Counter[str], evidence: Evidence, duplicates: int, looks: Sequence[Resources]) -> str:
    """Return the tables; ``looks`` are at the daemon after one round of all faults, after both, and at a fresh one."""
    met = ", ".join(f"{name}: {count}" for name, count in faults.items())
    lines = [
        f"Seed {seed}. {met}. {duplicates} of {evidence.messages_received:,} messages were received more than once.",
        "",
        *_rows(rows(evidence)),
        "",
        *_holes(list(holes(evidence))),
        "",
        *_resources(looks),
    ]
    return "\n".join(lines)


def _rows(table: Iterable[Row]) -> Iterator[str]:
    yield "| | acknowledged | committed | received | lost | wrong |"
    yield "|---|--:|--:|--:|--:|--:|"
    for row in table:
        cells = ("" if cell is None else f"{cell:,}" for cell in row[1:])
        yield f"| {row.name} | {' | '.join(cells)} |"


def _holes(found: Sequence[Hole]) -> Iterator[str]:
    yield "| displayed and not in the record: the recorded cause | holes | displays | most in one |"
    yield "|---|--:|--:|--:|"
    for cause in sorted({hole.cause for hole in found}):
        counts = [hole.counts for hole in found if hole.cause == cause]
        yield f"| {cause} | {len(counts)} | {sum(counts):,} | {max(counts)} |"


def _resources(looks: Sequence[Resources]) -> Iterator[str]:
    yield "| held by the daemon | after one round of faults | after two | fresh |"
    yield "|---|--:|--:|--:|"
    figures = {
        "asyncio tasks": [str(look.tasks.total()) for look in looks],
        "open descriptors": [str(look.descriptors.total() - look.descriptors[DATABASE]) for look in looks],
        "of the database besides": [str(look.descriptors[DATABASE]) for look in looks],
        "resident memory, MB": [f"{look.memory / 1e6:.1f}" for look in looks],
    }
    for name, cells in figures.items():
        yield f"| {name} | {' | '.join(cells)} |"
