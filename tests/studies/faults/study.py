"""Faults put into the simulated bench, and the first cause of the diagnosis: ``python -m studies.faults``.

*Right*: the first cause gives the answer (`studies.faults.answers`). A stop is *called* when the first cause is of the
kind stop.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import click

from meterlink.diagnosis.causes import Cause, CauseKind
from studies.faults.cases import FAULTS, SOUND, Case
from studies.faults.faulty_bench import FaultyBench, fault_text
from studies.faults.technician import LIKELY, METERS, Technician, unusual_readings
from studies.faults.units import units


@dataclass(frozen=True, slots=True)
class Result:
    """The outcome of one case with one meter."""

    case: Case
    meter: str
    seed: int
    first: Cause | None
    causes: tuple[Cause, ...]
    shown_by: tuple[str, ...]

    @property
    def is_right(self) -> bool:
        """Whether the first cause gives a right answer, and of several faults each is named; a sound unit has none."""
        answers = self.case.answers
        if not answers or self.first is None:
            return not answers and self.first is None
        if self.case.is_several and not all(any(map(answer.is_given_by, self.likely)) for answer in answers):
            return False
        return any(answer.is_given_by(self.first) for answer in answers)

    @property
    def likely(self) -> list[Cause]:
        """The causes that are at least likely."""
        return [cause for cause in self.causes if cause.confidence in LIKELY]

    @property
    def calls_stop(self) -> bool:
        """Whether a stop is said first."""
        return self.first is not None and self.first.kind is CauseKind.STOP


def run_case(case: Case, seeds: Iterable[int], meters: Iterable[str] = METERS) -> list[Result]:
    """Return the results of a case with each kind of meter and each seed."""
    bench = FaultyBench(units()[case.unit], case)
    found = []
    for meter in meters:
        for seed in seeds:
            visit = Technician(bench, case, meter, seed).walk()
            first = visit.first
            shown = unusual_readings(visit.readings, first.reading_numbers if first else frozenset())
            found.append(Result(case, meter, seed, first, visit.diagnosis.causes, tuple(shown)))
    return found


def run_matrix(seeds: Sequence[int], meters: Iterable[str] = METERS) -> list[Result]:
    """Return the results of every sound unit and every fault."""
    meters = tuple(meters)
    return [result for case in (*SOUND, *FAULTS) for result in run_case(case, seeds, meters)]


@dataclass(frozen=True, slots=True)
class Figures:
    """The figures of the matrix, counted over cases, meters and seeds."""

    faults: int
    right: int
    stops: int
    stops_called: int
    false_stops: int
    sound: int
    sound_without_cause: int

    @classmethod
    def of(cls, results: Iterable[Result]) -> "Figures":
        """Return the figures of ``results``."""
        results = list(results)
        faults = [result for result in results if result.case.answers]
        stops = [result for result in faults if result.case.is_stop]
        sound = [result for result in results if not result.case.answers]
        return cls(
            len(faults),
            sum(result.is_right for result in faults),
            len(stops),
            sum(result.calls_stop for result in stops),
            sum(result.calls_stop for result in results if not result.case.is_stop),
            len(sound),
            sum(result.is_right for result in sound),
        )


# The table


def put_in(case: Case) -> str:
    """Return the faults that were put into the bench, as text."""
    texts = [fault_text(fault) for fault in (*case.faults, *case.faults_while_running)]
    return "; ".join(texts)


_MOST_READINGS = 3


def markdown_table(results: Sequence[Result]) -> list[str]:
    """Return the lines of the figures and of a Markdown table with one row for each case."""
    figures = Figures.of(results)
    lines = [
        f"- right cause first: {figures.right} of {figures.faults} ({figures.right / figures.faults:.1%})",
        f"- stops called: {figures.stops_called} of {figures.stops}; called without need: {figures.false_stops}",
        f"- sound units without any cause: {figures.sound_without_cause} of {figures.sound}",
        "",
        "| unit | fault put in | right answer | readings that show it | said first | right |",
        "|---|---|---|---|---|--:|",
    ]
    by_case: dict[tuple[str, str], list[Result]] = {}
    for result in results:
        by_case.setdefault((result.case.unit, result.case.name), []).append(result)
    lines += [_row(own) for own in by_case.values()]
    return lines


def _row(results: Sequence[Result]) -> str:
    first = next((result for result in results if not result.is_right), results[0])
    case = first.case
    said = "no cause" if first.first is None else f"{first.first.title} ({first.first.confidence})"
    answer = " or ".join(str(answer) for answer in case.answers) or "no cause"
    right = sum(result.is_right for result in results)
    cells = (
        case.unit,
        case.name if case.answers else "nothing",
        answer,
        "; ".join(first.shown_by[:_MOST_READINGS]) or "–",
        said,
        f"{right} of {len(results)}",
    )
    return f"| {' | '.join(cell.replace('|', '/') for cell in cells)} |"


@click.command()
@click.option(
    "--seeds", default=5, show_default=True, type=click.IntRange(min=1), help="Number of meters of each kind."
)
@click.option("--wrong", is_flag=True, help="List the wrong ones with all their causes instead of the table.")
def main(*, seeds: int, wrong: bool) -> None:
    """Put faults into simulated units, read them as a technician does, and compare the first cause with the fault."""
    results = run_matrix(range(1, seeds + 1))
    if not wrong:
        click.echo("\n".join(markdown_table(results)))
        return
    for result in results:
        if not result.is_right:
            answer = " or ".join(str(answer) for answer in result.case.answers) or "no cause"
            click.echo(f"{result.case.unit}: {result.case.name} ({result.meter}, {result.seed})\n  right: {answer}")
            click.echo(f"  put in: {put_in(result.case) or 'nothing'}")
            for cause in result.causes:
                click.echo(f"  said: {cause.title} ({cause.confidence})")
            for text in result.shown_by:
                click.echo(f"  read: {text}")
    click.echo("\n".join(markdown_table(results)[:3]))
