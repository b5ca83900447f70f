"""Mutation: how many small changes of the judge and of settling do their tests notice? mutmut makes the changes."""

import io
import re
import subprocess
import sys
import zipfile
from collections import Counter, defaultdict
from collections.abc import Sequence
from pathlib import Path

MUTATED = ("meterlink/judge/*", "meterlink/settling/*")

# Appended to the pyproject.toml of the copy that is mutated. The files of tests that it selects import their module
# directly; tests of commands would notice more, and take hours.
_CONFIGURATION = """
[tool.mutmut]
source_paths = ["meterlink"]
only_mutate = [{modules}]
also_copy = ["meterlink", "drivers", "tui", "simulators", "README.md", "DEVELOPERS.md"]
pytest_add_cli_args = ["-n0", "-p", "no:cacheprovider", "-m", "not study", "-k", "test_judge or test_settling"]
pytest_add_cli_args_test_selection = ["tests/unit", "tests/published"]
"""
_LINE = re.compile(r"^\s+(?P<module>[\w.]+)\.x[^.]*__mutmut_\d+: (?P<outcome>.+)$", re.MULTILINE)
_COLUMNS = ("killed", "survived", "timeout", "no tests")


def run_mutation(root: Path, folder: Path, commit: str, modules: Sequence[str]) -> str:
    """Mutate ``modules`` (patterns of paths) of a commit, in a copy below ``folder``, and return mutmut's results.

    The copy of a commit is kept, so that a run that was interrupted goes on.

    Raises:
        CalledProcessError: the tests fail without a mutation, or mutmut failed.
    """
    copy = folder / commit
    if not (copy / "pyproject.toml").exists():
        _extract(root, commit, copy)
        patterns = ", ".join(f'"{module}"' for module in modules)
        with (copy / "pyproject.toml").open("a", encoding="utf-8") as file:
            file.write(_CONFIGURATION.format(modules=patterns))
    mutmut = str(Path(sys.executable).with_name("mutmut"))
    subprocess.run((mutmut, "run"), cwd=copy, capture_output=True, text=True, check=True)
    results = (mutmut, "results", "--all", "true")
    return subprocess.run(results, cwd=copy, capture_output=True, text=True, check=True).stdout


def _extract(root: Path, commit: str, copy: Path) -> None:
    copy.mkdir(parents=True, exist_ok=True)
    command = ("git", "archive", "--format=zip", commit)
    archive = subprocess.run(command, cwd=root, capture_output=True, check=True).stdout
    with zipfile.ZipFile(io.BytesIO(archive)) as packed:  # tarfile has its filters from Python 3.11.4 on only
        packed.extractall(copy)


def mutation_table(results: str) -> list[str]:
    """Return the lines of a Markdown table of mutmut's results: a line for each module, and one for all."""
    counts: dict[str, Counter[str]] = defaultdict(Counter)
    for match in _LINE.finditer(results):
        counts[match["module"]][match["outcome"]] += 1
    assert counts, "mutmut printed no result"
    counts["**all**"] = sum(counts.values(), Counter())
    head = ("module", "mutants", *_COLUMNS, "noticed")
    lines = [f"| {' | '.join(head)} |", f"|---{'|--:' * (len(head) - 1)}|"]
    for module, outcomes in counts.items():
        noticed = outcomes["killed"] + outcomes["timeout"]
        cells = (
            module,
            outcomes.total(),
            *(outcomes[column] for column in _COLUMNS),
            f"{noticed / outcomes.total():.0%}",
        )
        lines.append(f"| {' | '.join(map(str, cells))} |")
    return lines
