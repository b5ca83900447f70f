"""The time of ``meterlink --help``, compared with importing click."""

import subprocess
import sys
import time

# `--help` may take three times as long as an interpreter that only imports click.
LIMIT = 3.0


def _best_of(command: list[str], rounds: int = 9) -> float:
    """Return the shortest of some runs, in s: other work of the machine only makes a run longer."""
    times = []
    for _ in range(rounds):
        start = time.perf_counter()
        subprocess.run(command, capture_output=True, check=True)
        times.append(time.perf_counter() - start)
    return min(times)


def test_help_starts_in_under_three_times_importing_click() -> None:
    click_time = _best_of([sys.executable, "-c", "import click"])
    help_time = _best_of([sys.executable, "-m", "meterlink", "--help"])
    ratio = help_time / click_time
    print(f"meterlink --help: {help_time * 1000:.0f} ms, import click: {click_time * 1000:.0f} ms, ratio {ratio:.2f}")  # noqa: T201
    assert ratio < LIMIT
