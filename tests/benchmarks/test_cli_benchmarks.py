"""How long the command line takes to say what it can do, against importing the library it is made with."""

import subprocess
import sys
import time

# What `--help` may cost: three times an interpreter that imports click and ends.
LIMIT = 3.0


def _best_of(command: list[str], rounds: int = 9) -> float:
    """Return the shortest of some runs, s: what the machine was doing besides only ever makes a run longer."""
    times = []
    for _ in range(rounds):
        begin = time.perf_counter()
        subprocess.run(command, capture_output=True, check=True)
        times.append(time.perf_counter() - begin)
    return min(times)


def test_help_starts_in_under_three_times_importing_click() -> None:
    peer = _best_of([sys.executable, "-c", "import click"])
    own = _best_of([sys.executable, "-m", "meterlink", "--help"])
    print(f"meterlink --help: {own * 1000:.0f} ms, import click: {peer * 1000:.0f} ms, ratio {own / peer:.2f}")  # noqa: T201
    assert own / peer < LIMIT
