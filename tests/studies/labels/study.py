"""The reader of labels on many markings: ``python -m studies.labels.study``.

Each marking ends in one of these ways. *Offered* means that every right reading is among the choices of the question.

- of a marking with one reading: *read rightly*; *asked*, offered; *not offered*, or refused;
- of any other: *asked*, offered; *not offered*, or refused where there is a reading. A marking without a capacitance is
  to be refused. One that is read outright although it has several readings, or a number that nothing explains, counts
  as *not offered*;
- *wrong*: read outright with a value, a tolerance or a voltage that is not one of its right readings.
"""

from collections import Counter
from collections.abc import Iterable
from decimal import Decimal
from enum import StrEnum
from pathlib import Path
from random import Random

import click

from meterlink.core.errors import InputError
from meterlink.core.questions import Question
from meterlink.judge.label.rated_part import RatedPart
from meterlink.judge.label.ratings import read_label
from studies.labels.generator import draw_marking
from studies.labels.markings import Marking, RightReading, load_markings
from studies.markdown import write_table

TABLE = "label study"
HAND_WRITTEN = {
    "100 by hand, before": "first_hundred.txt",
    "50 by hand, second": "second_fifty.txt",
    "50 by hand, third": "third_fifty.txt",
    "50 by hand, last": "last_fifty.txt",
    "150 by hand, with plates": "unseen_150.txt",
    "60 by hand, with plates": "unseen_60.txt",
    "60 by hand, newest": "unseen_last.txt",
    "60 by hand, half doubtful": "unseen_doubtful.txt",
    "40 by hand, half doubtful": "unseen_forty.txt",
    "30 by hand, most doubtful": "unseen_thirty.txt",
    "30 by hand, last doubtful": "unseen_final.txt",
    "62 off photographs": "unseen_photographs.txt",
    "64 typed on a telephone": "unseen_telephone.txt",
    "66 off invoices": "unseen_invoice.txt",
    "64 copied by hand": "unseen_gloves.txt",
    "60 of every kind": "unseen_mixed.txt",
    "60 beside the truck": "unseen_trucks.txt",
}


class Outcome(StrEnum):
    """The end of one marking."""

    READ = "read rightly"
    ASKED = "asked, offered"
    NOT_OFFERED = "not offered"
    REFUSED = "refused rightly"
    WRONG = "wrong"


def outcome_of(marking: Marking) -> Outcome:
    """Return how the reader does on ``marking``."""
    try:
        result = read_label(marking.text)
    except InputError:
        return Outcome.NOT_OFFERED if marking.readings else Outcome.REFUSED
    if isinstance(result, Question):
        offered = {reading_of(choice.conclusion) for choice in result.choices}
        return Outcome.ASKED if marking.readings and offered.issuperset(marking.readings) else Outcome.NOT_OFFERED
    if reading_of(result) not in marking.readings:
        return Outcome.WRONG
    return Outcome.READ if marking.is_clear else Outcome.NOT_OFFERED


def reading_of(part: RatedPart) -> RightReading:
    """Return the numbers of a part, in the form of the right readings."""
    span, tolerance = part.marked_range, part.tolerance
    whole = Decimal(1)  # the rating in the unit of the tolerance, over 100 %
    if tolerance is not None and tolerance.unit != "%":
        assert tolerance.unit == "µF", part
        whole = part.sections[0].digits / 100
    return RightReading(
        tuple(section.digits for section in part.sections),
        None if span is None else (_number(span.low), _number(span.high)),
        None if tolerance is None else (tolerance.minus / whole, tolerance.plus / whole),
        part.max_volts,
    )


def _number(limit: Decimal | None) -> Decimal:
    assert limit is not None  # a marked range has both ends
    return limit


def count_outcomes(markings: Iterable[Marking]) -> tuple[Counter[Outcome], Counter[Outcome]]:
    """Return the outcomes of the markings with one reading, and of all others."""
    clear, others = Counter[Outcome](), Counter[Outcome]()
    for marking in markings:
        (clear if marking.is_clear else others)[outcome_of(marking)] += 1
    return clear, others


def draw_markings(count: int, seed: int) -> list[Marking]:
    """Return ``count`` generated markings."""
    random = Random(seed)  # repeatable, no secret
    return [draw_marking(random) for _ in range(count)]


def markdown_table(markings: dict[str, list[Marking]]) -> list[str]:
    """Return the lines of a table with a row for each set of markings."""
    lines = [
        "| markings | one reading | read rightly | asked, offered | neither | others | offered, or refused | wrong |",
        "| --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    for name, drawn in markings.items():
        clear, others = count_outcomes(drawn)
        cells = [
            str(clear.total()), _share(clear, Outcome.READ), _share(clear, Outcome.ASKED),
            _share(clear, Outcome.NOT_OFFERED), str(others.total()), _share(others, Outcome.ASKED, Outcome.REFUSED),
            str(clear[Outcome.WRONG] + others[Outcome.WRONG]),
        ]  # fmt: skip
        lines.append(f"| {name} | {' | '.join(cells)} |")
    return lines


def _share(counts: Counter[Outcome], *outcomes: Outcome) -> str:
    return f"{100 * sum(counts[outcome] for outcome in outcomes) / max(counts.total(), 1):.1f} %"


@click.command()
@click.option("--count", default=5000, show_default=True, help="Generated markings.")
@click.option("--seed", default=1, show_default=True)
@click.option("--misses", is_flag=True, help="List the markings that are neither read rightly nor offered.")
@click.option("--asked", is_flag=True, help="List the markings with one reading that are asked about.")
@click.option("--markdown", type=click.Path(path_type=Path), help="Write the table between the markers of this file.")
def main(count: int, seed: int, misses: bool, asked: bool, markdown: Path | None) -> None:
    """Read markings with known readings: those written by hand, and generated ones."""
    sets = {name: load_markings(file) for name, file in HAND_WRITTEN.items()}
    sets[f"{count} generated, seed {seed}"] = draw_markings(count, seed)
    for marking in (marking for drawn in sets.values() for marking in drawn if misses or asked):
        outcome = outcome_of(marking)
        if (misses and outcome in {Outcome.NOT_OFFERED, Outcome.WRONG}) or (
            asked and marking.is_clear and outcome is Outcome.ASKED
        ):
            click.echo(f"{outcome}: {marking.text}")
    lines = markdown_table(sets)
    if markdown is None:
        click.echo("\n".join(lines))
        return
    write_table(markdown, TABLE, lines)


if __name__ == "__main__":
    main()
