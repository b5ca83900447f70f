"""The run of all families, and its table."""

import multiprocessing
import tempfile
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import AbstractContextManager
from importlib import import_module
from pathlib import Path

import click

from studies.fuzz.target import Outcome, Target, run_target

FAMILIES = {
    "names": ("names", "name_targets"),
    "advertisements": ("advertisements", "advertisement_targets"),
    "frames": ("frames", "frame_targets"),
    "socket lines": ("socket_lines", "line_targets"),
    "captures": ("captures", "capture_targets"),
    "typed texts": ("typed_texts", "typed_targets"),
    "TOML files": ("toml_files", "toml_targets"),
    "imports": ("imports", "import_targets"),
}
"""The module of each family, and its function of a folder into which its readers may write.

A module is imported when its family is run: the process of a reader then has only what that reader needs.
"""

HEAD = (
    "| family | reader | inputs | accepted | refused later | at first | kinds | crashes | MB at a tenth | MB | peak |",
    "|---|---|--:|--:|--:|--:|--:|--:|--:|--:|--:|",
)
_PROCESSES = 2
_MOST_SHOWN = 12  # kinds of refusals of each reader, with --details


def share_of(target: Target, inputs: int) -> int:
    """Return the number of inputs of a reader, of ``inputs`` of its family."""
    return max(1, round(inputs * target.share / 100))


def open_family(family: str, folder: Path) -> AbstractContextManager[Sequence[Target]]:
    """Return the readers of a family, as a context manager; they may write into ``folder``."""
    module, function = FAMILIES[family]
    targets = getattr(import_module(f"studies.fuzz.{module}"), function)
    opened: AbstractContextManager[Sequence[Target]] = targets(folder)
    return opened


def run_family(family: str, inputs: int, folder: Path, seed: int = 0) -> list[tuple[Target, Outcome]]:
    """Give the readers of a family ``inputs`` inputs, in this process."""
    with open_family(family, folder) as targets:
        return [(target, run_target(target, share_of(target, inputs), seed)) for target in targets]


def run_alone(family: str, name: str, inputs: int, seed: int) -> tuple[str, Outcome, list[str]]:
    """Give one reader its share of ``inputs``, in a process of its own: its memory is then that of the reader alone."""
    with tempfile.TemporaryDirectory(dir=_memory_disk()) as folder, open_family(family, Path(folder)) as targets:
        target = next(target for target in targets if target.name == name)
        outcome = run_target(target, share_of(target, inputs), seed)
        return family, outcome, list(outcome.problems(target))


def table_row(family: str, outcome: Outcome) -> str:
    """Return the line of a reader in the Markdown table."""
    accepted, refused = outcome.accepted.total(), outcome.refused.total()
    return (
        f"| {family} | {outcome.name} | {outcome.inputs:,} | {accepted:,} | {refused - outcome.first:,} |"
        f" {outcome.first:,} | {len(outcome.refused)} | {outcome.crashed:,} |"
        f" {outcome.early_memory / 1024:.0f} | {outcome.memory / 1024:.0f} | {outcome.peak / 1024:.0f} |"
    )


def details(outcome: Outcome) -> Iterator[str]:
    """Yield the outcomes of a reader, the most frequent first, and its slowest input."""
    yield f"{outcome.name}: {dict(outcome.accepted.most_common(_MOST_SHOWN))}"
    yield f"    slowest: {outcome.slowest * 1000:.0f} ms, input {outcome.slowest_input}; all: {outcome.seconds:.0f} s"
    yield from (f"    {count:>8,} {kind}" for kind, count in outcome.refused.most_common(_MOST_SHOWN))


def _memory_disk() -> str | None:
    return "/dev/shm" if Path("/dev/shm").is_dir() else None  # noqa: S108  # a private folder is made in it


@click.command()
@click.option("--inputs", type=click.IntRange(1), default=1_000_000, help="For each family.")
@click.option("--seed", type=int, default=0)
@click.option("--only", multiple=True, metavar="FAMILY", help="Only this family; repeat it for more.")
@click.option("--details", "is_detailed", is_flag=True, help="Print the kinds of refusals of each reader.")
def main(*, inputs: int, seed: int, only: tuple[str, ...], is_detailed: bool) -> None:
    """Give the readers of every family INPUTS inputs, and print a table; exit with 1 for a crash."""
    with tempfile.TemporaryDirectory() as folder:
        jobs = []
        for number, family in enumerate(FAMILIES):
            if only and family not in only:
                continue
            (Path(folder) / str(number)).mkdir()
            with open_family(family, Path(folder) / str(number)) as targets:
                jobs += [(family, target.name) for target in targets]
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(_PROCESSES, mp_context=context, max_tasks_per_child=1) as pool:
        done = pool.map(run_alone, *zip(*jobs, strict=True), *([number] * len(jobs) for number in (inputs, seed)))
        results = []
        for line in HEAD:
            click.echo(line)
        for result in done:  # in their order: a run of hours shows how far it is
            results.append(result)
            click.echo(table_row(*result[:2]))
    if is_detailed:
        for _, outcome, _ in results:
            click.echo("\n".join(details(outcome)))
    problems = [problem for _, _, problems in results for problem in problems]
    if problems:
        raise click.ClickException("\n" + "\n".join(problems))
