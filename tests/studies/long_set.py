"""The long set: every study at the size of the documents, benchmarks, mutation. ``.ci/long`` runs it.

Each step leaves its result in the state folder, with the commit of its inputs. A step with a result of the same commit
and parameters is not run again, so that an interrupted run goes on where it stopped. The tables are written into the
documents, each with its commit.
"""

import json
import re
import subprocess
import sys
import time
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import click

from meterlink.core.errors import InputError
from studies.markdown import write_table

ROOT = Path(__file__).parents[2]
DOCUMENTS = ROOT / "meterlink" / "docs"
# A change of these changes a result; a change of a document, or of a picture, does not.
INPUTS = ("meterlink", "drivers", "tui", "simulators", "tests", "pyproject.toml", ":!meterlink/docs", ":!*.svg")

# The same study as a step, which writes its table.
_STEPS_OF_THEIR_OWN = {"studies/test_soak_faults.py"}

_FIGURE = re.compile(r"\bratio\b|one core|\d times$")


@dataclass(frozen=True, slots=True)
class Step:
    """One step: its ``command`` is run in ``tests/``. ``size`` is its size in words; ``document`` takes its table."""

    name: str
    command: tuple[str, ...]
    size: str
    document: str = ""


@dataclass(frozen=True, slots=True)
class Result:
    """The result of a finished step; ``seconds`` is its time, over all runs that it took."""

    name: str
    commit: str
    command: list[str]
    size: str
    day: str
    seconds: float
    output: str

    @property
    def origin(self) -> str:
        """The line that a table carries."""
        return f"Measured by `.ci/long` at commit {self.commit}, {self.day}."


# The steps


def steps(state: Path, *, quick: bool) -> Iterator[Step]:
    """Yield the steps of the long set; ``quick`` makes each as small as it can be."""
    runs = 200 if quick else 10_000
    yield Step(
        "settling-study",
        (sys.executable, "-m", "studies.settling.study", "--runs", f"{runs}", "--seed", "1"),
        f"{runs} measurements, seed 1",
        "settling.md",
    )
    teaching = (sys.executable, "-m", "studies.teaching.study", *(("--quick",) if quick else ("--meters", "2")))
    yield Step("teaching-study", teaching, "Seed 1", "teaching-study.md")
    people = 1 if quick else 10
    haste = (sys.executable, "-m", "studies.teaching.people", "--people", f"{people}")
    yield Step("people-study", haste, f"{people} people for each encoding", "teaching-study.md")
    sweep = (sys.executable, "-m", "studies.teaching.sweep", *(("--quick",) if quick else ()))
    yield Step("teaching-sweep", sweep, "Some meters, seed 1" if quick else "Seed 1", "teaching-limits.md")
    seeds = 1 if quick else 5
    matrix = (sys.executable, "-m", "studies.faults", "--seeds", f"{seeds}")
    yield Step("fault-matrix", matrix, f"{seeds} meters of each kind", "fault-matrix.md")
    kills = 2 if quick else 200
    soak = (sys.executable, "-m", "studies.soak", "--kills", f"{kills}", "--seed", "1")
    yield Step("soak", soak, f"{kills} times kill -9, among other faults", "measurements.md")
    inputs = 200 if quick else 1_000_000
    fuzz = (sys.executable, "-m", "studies.fuzz", "--inputs", f"{inputs}")
    yield Step("fuzz", fuzz, f"{inputs:,} inputs of each family, seed 0", "measurements.md")
    size = "everyday" if quick else "full"
    faults = (sys.executable, "-m", "support.fault_table", "--print", "--study-size", size)
    yield Step("faults", faults, f"Studies at the {size} size", "faults.md")
    for marker, text in (("study", "\n@pytest.mark.study("), ("hypothesis", "@given(")):
        for file in _files_with(text):
            pytest = (sys.executable, "-m", "pytest", "-q", "-n", "auto", "-p", "no:cacheprovider")
            command = (*pytest, "-m", marker, "--study-size", size, "--hypothesis-seed", "1", file)
            yield Step(f"{marker}: {Path(file).name}", command, f"the {size} size")
    # One guest, so one process.
    guest = (sys.executable, "-m", "pytest", "-q", "-n0", "-p", "no:cacheprovider", "system/bluez")
    yield Step("guest: a real BlueZ", (*guest, "--study-size", size), f"the {size} size")
    fast = ("--benchmark-max-time=0.01", "--benchmark-min-rounds=1") if quick else ()
    figures = ("--benchmark-enable", *fast, "--benchmark-json", f"{state}/pytest-benchmark.json")
    yield Step("benchmarks", (sys.executable, "-m", "pytest", "-q", "-s", *figures, "benchmarks"), "one process")
    one = ("--module", "meterlink/judge/tolerance.py", "--tests", "unit/test_judge_tolerance.py")
    changed = ("--sample", "3", *one) if quick else ("--sample", "30")
    mutation = (sys.executable, "-m", "studies.mutation.study", "--folder", f"{state}/mutation", *changed)
    yield Step("mutation", mutation, f"At most {changed[1]} changes of each module, seed 1", "measurements.md")


def _files_with(text: str) -> list[str]:
    """Return the test files, relative to ``tests/``, that contain ``text``, without those of a step of their own."""
    files = sorted((ROOT / "tests").glob("*/test_*.py"))
    found = [str(file.relative_to(ROOT / "tests")) for file in files if text in file.read_text(encoding="utf-8")]
    return [file for file in found if file not in _STEPS_OF_THEIR_OWN]


def run_step(step: Step, commit: str, state: Path) -> Result:
    """Run a step and return its result.

    Raises:
        InputError: it failed; its output is in the message's file.
    """
    begin = time.monotonic()
    try:
        output = _output(*step.command)
    except subprocess.CalledProcessError as error:
        log = _path(state, step).with_suffix(".log")
        log.write_text(f"{error.stdout}\n{error.stderr}", encoding="utf-8")
        raise InputError(f"The step '{step.name}' failed.", f"Read {log}.") from None
    seconds = time.monotonic() - begin
    day = datetime.now(UTC).date().isoformat()
    return Result(step.name, commit, list(step.command), step.size, day, seconds, output)


def _output(*command: str) -> str:
    return subprocess.run(command, cwd=ROOT / "tests", capture_output=True, text=True, check=True).stdout


# The state folder


def inputs_commit() -> str:
    """Return the short hash of the newest commit that changed an input.

    Raises:
        InputError: an input has changes that are not committed: its figures would belong to no commit.
    """
    if changes := _git("status", "--porcelain", "--", *INPUTS):
        raise InputError(f"There are changes that are not committed:\n{changes}", "Commit them, or use --quick.")
    return _git("log", "-1", "--format=%h", "--", *INPUTS)


def _git(*args: str) -> str:
    return subprocess.run(("git", *args), cwd=ROOT, capture_output=True, text=True, check=True).stdout.strip()


def _path(state: Path, step: Step) -> Path:
    return state / f"{step.name.replace(': ', '-')}.json"


def stored_result(state: Path, step: Step, commit: str) -> Result | None:
    """Return the result of a step if it was finished with the same command at the same commit."""
    path = _path(state, step)
    if not path.exists():
        return None
    result = Result(**json.loads(path.read_text(encoding="utf-8")))
    return result if (result.commit, result.command) == (commit, list(step.command)) else None


def store_result(state: Path, step: Step, result: Result) -> None:
    """Write the result of a finished step: whole or not at all, as a run may be interrupted at any moment."""
    path = _path(state, step)
    path.with_suffix(".new").write_text(json.dumps(asdict(result), indent=1), encoding="utf-8")
    path.with_suffix(".new").replace(path)


# The documents


def write_result(documents: Path, step: Step, result: Result, state: Path) -> None:
    """Write the table of a step into its document."""
    page = documents / "measurements.md"
    if step.document:
        head = f"{step.size}. {result.origin}"
        write_table(documents / step.document, step.name.replace("-", " "), [head, "", *result.output.split("\n")[:-1]])
    elif step.name == "benchmarks":
        figures = json.loads((state / "pytest-benchmark.json").read_text(encoding="utf-8"))["benchmarks"]
        table = [*benchmark_table(figures), "", *printed_figures(result.output)]
        write_table(page, "benchmarks", [result.origin, "", *table])


def benchmark_table(figures: Iterable[Mapping[str, Any]]) -> list[str]:
    """Return the lines of a Markdown table of pytest-benchmark's figures."""
    lines = ["| benchmark | median, ms | further figures |", "|---|--:|---|"]
    for figure in figures:
        further = ", ".join(f"{name.replace('_', ' ')}: {value:.4g}" for name, value in figure["extra_info"].items())
        lines.append(f"| {figure['name']} | {figure['stats']['median'] * 1000:.3g} | {further} |")
    return lines


def printed_figures(output: str) -> list[str]:
    """Return the lines of ratios that the benchmarks print, as a list."""
    return [f"- {line.lstrip('. ')}" for line in output.splitlines() if _FIGURE.search(line)]


def study_table(results: Iterable[Result]) -> list[str]:
    """Return the lines of a Markdown table of the studies that are tests."""
    lines = ["| tests | size | result | minutes | commit, day |", "|---|---|---|--:|---|"]
    for result in results:
        summary = result.output.strip().splitlines()[-1].strip("= ").partition(" in ")[0]
        minutes = f"{result.seconds / 60:.1f}"
        lines.append(f"| {result.name} | {result.size} | {summary} | {minutes} | {result.commit}, {result.day} |")
    return lines


# The command


@click.command()
@click.option("--quick", is_flag=True, help="Try every step at its smallest size; no document is written.")
@click.option("--only", multiple=True, metavar="STEP", help="Run only this step; repeat it for more.")
@click.option(
    "--state",
    type=click.Path(file_okay=False, path_type=Path),
    default=ROOT / ".long",
    help="The folder of the results.",
)
def main(*, quick: bool, only: tuple[str, ...], state: Path) -> None:
    """Run every study at its full size and write the tables into the documents."""
    state = state.resolve() / "quick" if quick else state.resolve()
    state.mkdir(parents=True, exist_ok=True)
    commit = _git("rev-parse", "--short", "HEAD") if quick else inputs_commit()
    documents = _copied_documents(state) if quick else DOCUMENTS
    studies = []
    for step in steps(state, quick=quick):
        if only and step.name not in only:
            continue
        result = stored_result(state, step, commit)
        click.echo(f"{step.name}: {'done before' if result else 'running'}")
        if result is None:
            result = run_step(step, commit, state)
            store_result(state, step, result)
        write_result(documents, step, result, state)
        if step.name.startswith(("study", "hypothesis", "guest")):
            studies.append(result)
            write_table(documents / "measurements.md", "studies", study_table(studies))


def _copied_documents(state: Path) -> Path:
    """Copy the documents that take tables into the state folder."""
    folder = state / "docs"
    folder.mkdir(exist_ok=True)
    for name in ("settling.md", "teaching-study.md", "fault-matrix.md", "faults.md", "measurements.md"):
        (folder / name).write_text((DOCUMENTS / name).read_text(encoding="utf-8"), encoding="utf-8")
    return folder


if __name__ == "__main__":
    try:
        main.main(standalone_mode=False)
    except (click.ClickException, InputError) as error:
        sys.exit(f"long set: {error}")
