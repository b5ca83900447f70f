"""Mutation: which small changes of the judge, of settling and of the store do their tests notice?

``python -m studies.mutation.study`` tries a seeded sample of the changes of each module on copies of a commit. It goes
on where an interrupted run stopped, and prints a table.
"""

import json
import os
import random
import re
import subprocess
import sys
import tarfile
import tempfile
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass
from functools import cache
from itertools import chain
from pathlib import Path
from queue import SimpleQueue

import click
import pytest

from meterlink.core.errors import InputError
from studies.mutation.changes import Change, changes
from studies.mutation.outcomes import ROOMS, Outcome, mutation_table

ROOT = Path(__file__).parents[3]
FOLDERS = ("unit", "published", "faults", "system")

# s; a change is tried with the tests that run its lines, one case of each first, up to this time. A survivor costs it
# all, and in most modules no later test notices more.
_SECONDS = 6.0
_FIRST_FILES = 2  # a file takes longer to import than most of its tests
# A run takes at most this many times the seconds of its tests, and the seconds of a start on a busy machine.
_SLOWER, _START = 5, 30.0


@dataclass(frozen=True, slots=True)
class Coverage:
    """The seconds of each test, and the tests that run each line of each file; none where only an import runs it."""

    seconds: dict[str, float]
    lines: dict[str, dict[int, set[str]]]


@dataclass(frozen=True, slots=True)
class Order:
    """A change to be tried, and its tests: most changes are noticed by the first part of them."""

    module: str
    number: int
    of: int
    change: Change
    tests: tuple[tuple[str, ...], ...]


def run_mutation(
    commit: str, folder: Path, modules: Sequence[str], tests: Sequence[str], *, sample: int, seed: int, jobs: int
) -> list[Outcome]:
    """Try ``sample`` changes of each module (paths), drawn with ``seed``, and return the outcomes of these modules.

    ``tests`` are the files and folders of tests, below ``tests/``, that may notice one.
    The outcomes are kept in the folder, those of a larger sample, too; no change is tried again.

    Raises:
        InputError: a test fails without a change.
    """
    copies = [_copy(commit, folder / f"copy-{job}") for job in range(jobs)]
    path = folder / "outcomes.jsonl"
    path.touch()
    known = {
        (outcome.module, outcome.number): outcome
        for outcome in (Outcome(**json.loads(line)) for line in path.read_text("utf-8").splitlines())
    }
    coverage = _coverage(copies[0], folder / "coverage.json", tests)
    free: SimpleQueue[_Worker] = SimpleQueue()
    for copy in copies:
        free.put(_Worker(copy))

    def tried(order: Order) -> Outcome:
        worker = free.get()
        try:
            return worker.outcome(order, coverage)
        finally:
            free.put(worker)

    with ThreadPoolExecutor(jobs) as pool, path.open("a", encoding="utf-8") as file:
        for module in modules:
            orders = _orders(copies[0], module, coverage, sample, seed)
            for outcome in pool.map(tried, (order for order in orders if (module, order.number) not in known)):
                known[module, outcome.number] = outcome
                file.write(json.dumps(asdict(outcome)) + "\n")
                file.flush()
    for _ in copies:
        free.get().end()
    return [outcome for outcome in known.values() if outcome.module in modules]


def _orders(copy: Path, module: str, coverage: Coverage, sample: int, seed: int) -> Iterator[Order]:
    every = list(changes(_text(copy / module)))
    numbers = list(range(len(every)))
    random.Random(f"{seed} {module}").shuffle(numbers)  # a larger sample begins with the smaller one
    for number in sorted(numbers[:sample]):
        tests = _tests(copy, module, every[number].lines, coverage)
        yield Order(module, number, len(every), every[number], tests)


@cache
def _text(path: Path) -> str:
    return path.read_text(encoding="utf-8")


# The tests of a change


def _tests(copy: Path, module: str, lines: Iterable[int], coverage: Coverage) -> tuple[tuple[str, ...], ...]:
    """Return the tests of a change in two parts: those that notice most changes, then the others.

    The tests of a line are those that run it. A line that only an import runs, of a constant or a signature, has those
    of the files that import its module, then those that run the module or one that imports it.
    """
    known = coverage.lines.get(module, {})
    found = set(chain.from_iterable(known.get(line, ()) for line in lines))
    if found:
        chosen = _fastest(found, coverage)
        counted = Counter(_file(test) for test in chosen)
        files = {file for file, _ in counted.most_common(_FIRST_FILES)}
        parts = [[test for test in chosen if (_file(test) in files) is first] for first in (True, False)]
    elif any(line in known for line in lines):
        direct = {test for test in coverage.seconds if _imports(copy / _file(test), module)}
        tests_by_line = (coverage.lines.get(file, {}).values() for file in (module, *_importers(copy, module)))
        indirect = set(chain.from_iterable(chain.from_iterable(tests_by_line))) - direct
        parts = [_fastest(direct, coverage), _fastest(indirect, coverage)]
    else:
        parts = []
    return tuple(tuple(part) for part in parts if part)


def _fastest(tests: Iterable[str], coverage: Coverage) -> list[str]:
    """Return the tests that fit into the time, fastest first, but one case of each function before any second one."""
    cases: Counter[str] = Counter()
    ranked = []
    for seconds, test in sorted((coverage.seconds[test], test) for test in tests):
        function = test.partition("[")[0]
        ranked.append((cases[function], seconds, test))
        cases[function] += 1
    total = 0.0
    chosen: list[str] = []
    for _, seconds, test in sorted(ranked):
        total += seconds
        if total <= _SECONDS or not chosen:
            chosen.append(test)
    return chosen


def _file(test: str) -> str:
    return test.partition("::")[0]


@cache
def _importers(copy: Path, module: str) -> list[str]:
    files = (file for room in ROOMS for file in sorted((copy / "meterlink" / room).rglob("*.py")))
    return [str(file.relative_to(copy)) for file in files if _imports(file, module)]


@cache
def _imports(file: Path, module: str) -> bool:
    package, _, name = module.removesuffix(".py").replace("/", ".").rpartition(".")
    pattern = rf"from {package}\.{name} import|from {package} import [^\n]*\b{name}\b"
    return re.search(pattern, _text(file)) is not None


def _coverage(copy: Path, path: Path, files: Sequence[str]) -> Coverage:
    """Run the tests of ``files``, below ``tests/``, once; return what they cover, which is kept at ``path``.

    Raises:
        InputError: they cannot be run.
    """
    if not path.exists():
        _measure(copy, path, files)
    document = json.loads(path.read_text(encoding="utf-8"))
    lines = {
        file: {int(line): set(names) for line, names in tests.items()} for file, tests in document["lines"].items()
    }
    return Coverage(document["tests"], lines)


def _measure(copy: Path, path: Path, files: Sequence[str]) -> None:
    command = (sys.executable, "-m", "pytest", "-q", "-n0", "-p", "no:cacheprovider", "--hypothesis-seed=1")
    plugin = ("-p", "studies.mutation.covered_lines")
    new = path.with_suffix(".new")
    environment = _environment(copy) | {"MUTATION_COVERAGE": str(new)}
    tests = [str(copy / "tests" / file) for file in files]
    run = subprocess.run(
        (*command, *plugin, *tests), cwd=copy, env=environment, capture_output=True, text=True, check=False
    )
    if run.returncode not in (pytest.ExitCode.OK, pytest.ExitCode.TESTS_FAILED):
        raise InputError(f"The tests cannot be run:\n{run.stdout[-2000:]}", "Mend that first.")
    new.replace(path)


# The copies and their workers


def _copy(commit: str, copy: Path) -> Path:
    """Make the files of ``copy`` those of the commit; an interrupted run has left a changed module there."""
    with tempfile.TemporaryFile() as file:
        subprocess.run(("git", "archive", commit), cwd=ROOT, stdout=file, check=True)
        file.seek(0)
        with tarfile.open(fileobj=file) as archive:  # it keeps the commit's times, so that compiled files stay valid
            archive.extractall(copy)  # noqa: S202 - our own tree
    # The study runs there as it is here: a commit may be older than the study.
    for source in Path(__file__).parent.glob("*.py"):
        (copy / "tests" / "studies" / "mutation" / source.name).write_bytes(source.read_bytes())
    return copy


def _environment(copy: Path) -> dict[str, str]:
    folders = (copy, *(copy / name for name in ("drivers", "tui", "simulators", "tests")))
    return os.environ | {"PYTHONPATH": os.pathsep.join(map(str, folders))}


class _Worker:
    """A worker process on its own copy of the tree."""

    def __init__(self, copy: Path) -> None:
        self._copy = copy
        self._checked: set[str] = set()
        command = (sys.executable, "-m", "studies.mutation.worker")
        pipe = subprocess.PIPE
        self._process = subprocess.Popen(
            command, cwd=copy, env=_environment(copy), stdin=pipe, stdout=pipe, text=True, bufsize=1
        )

    def outcome(self, order: Order, coverage: Coverage) -> Outcome:
        """Write the changed module, run its tests, and put the module back.

        Raises:
            InputError: the tests fail without the change.
        """
        change, path = order.change, self._copy / order.module
        outcome = "no test"
        if order.tests:
            if order.module not in self._checked and self._run(order.tests, coverage) != "survived":
                tests = " ".join(chain.from_iterable(order.tests))
                raise InputError(f"A test of {order.module} fails without a change.", f"Run {tests}")
            self._checked.add(order.module)
            original, times = _text(path), path.stat()
            for compiled in path.parent.glob(f"__pycache__/{path.stem}.*.pyc"):
                compiled.unlink()
            path.write_text(change.source, encoding="utf-8")
            try:
                outcome = self._run(order.tests, coverage)
            finally:
                path.write_text(original, encoding="utf-8")
                os.utime(path, ns=(times.st_atime_ns, times.st_mtime_ns))
        line, before, after = change.lines[0], change.before, change.after
        return Outcome(order.module, order.number, order.of, line, before, after, outcome)

    def _run(self, parts: Iterable[Sequence[str]], coverage: Coverage) -> str:
        assert self._process.stdin
        assert self._process.stdout
        outcome = "no test"
        for tests in parts:
            seconds = _START + _SLOWER * sum(coverage.seconds[test] for test in tests)
            self._process.stdin.write(json.dumps({"tests": tests, "seconds": seconds}) + "\n")
            outcome = self._process.stdout.readline().strip()
            if outcome != "survived":
                break
        return outcome

    def end(self) -> None:
        """End the process."""
        self._process.communicate()


# The command


@click.command()
@click.option("--commit", default="HEAD", help="The commit whose modules are changed.")
@click.option("--folder", type=click.Path(path_type=Path), required=True, help="The copies and outcomes of the commit.")
@click.option("--sample", default=30, show_default=True, help="How many changes of each module are tried.")
@click.option("--seed", default=1, show_default=True)
@click.option("--jobs", default=os.cpu_count() or 1)
@click.option("--module", "modules", multiple=True, metavar="PATH", help="Change only this module; repeat it for more.")
@click.option("--tests", multiple=True, metavar="PATH", help="Use only these files of tests, below tests/.")
@click.option("--survivors", is_flag=True, help="Print the changes that no test noticed instead of the table.")
def main(
    *,
    commit: str,
    folder: Path,
    sample: int,
    seed: int,
    jobs: int,
    modules: tuple[str, ...],
    tests: tuple[str, ...],
    survivors: bool,
) -> None:
    """Try small changes of the judge, of settling and of the store, and print how many their tests notice."""
    commit = subprocess.run(
        ("git", "rev-parse", "--short", commit), cwd=ROOT, capture_output=True, text=True, check=True
    ).stdout.strip()
    every = (file for room in ROOMS for file in sorted((ROOT / "meterlink" / room).rglob("*.py")))
    paths = modules or tuple(str(file.relative_to(ROOT)) for file in every if file.name != "__init__.py")
    copies = folder.resolve() / commit
    outcomes = run_mutation(commit, copies, paths, tests or FOLDERS, sample=sample, seed=seed, jobs=jobs)
    if not survivors:
        click.echo("\n".join(mutation_table(outcomes)))
        return
    for outcome in outcomes:
        if outcome.outcome in ("survived", "no test"):
            click.echo(f"{outcome.module}:{outcome.line}: {outcome.outcome}\n-{outcome.before}\n+{outcome.after}")


if __name__ == "__main__":
    try:
        main.main(standalone_mode=False)
    except (click.ClickException, InputError) as error:
        sys.exit(f"mutation: {error}")
