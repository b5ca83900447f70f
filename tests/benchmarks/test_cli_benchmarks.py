"""The start of commands and of the daemon, as ratios within one run: whole processes, interleaved."""

import os
import statistics
import subprocess
import sys
import time
from collections.abc import Mapping, Sequence

import pytest

if sys.platform != "win32":
    import resource

ROUNDS = 9
FEWEST_ROUNDS = 2  # without --benchmark-enable, where only the wide limits are asserted

CLICK = [sys.executable, "-c", "import click"]
HELP = [sys.executable, "-m", "meterlink", "--help"]
JUDGE = [
    sys.executable, "-m", "meterlink", "judge", "capacitor",
    "--rated", "5uF", "--tolerance", "6 %", "--reading", "4700nF",
]  # fmt: skip

# `--help`, and a judgement of typed-in values, may take three times as long as an interpreter that only imports click.
CLICK_LIMIT = 3.0

# The daemon's imports when each of these was loaded at its start, for every station: 0.60 of that time is the target.
DAEMON = "import meterlink.station.station"
FORMER_DAEMON = (
    "import difflib, importlib.metadata, sqlite_utils, statistics, meterlink.profiles, meterlink.judge.label.ratings, "
    "meterlink.judge.label.replacement; " + DAEMON
)
DAEMON_LIMIT = 0.60


@pytest.fixture(scope="module")
def environment(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """The environment of the processes: with compiled modules, as an installed package has them."""
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    return environment | {"PYTHONPYCACHEPREFIX": str(tmp_path_factory.mktemp("compiled"))}


def children_seconds() -> float:
    """Return the CPU time of all processes that ended. Windows does not tell it: there it is the time of a clock."""
    if sys.platform == "win32":
        return time.perf_counter()
    usage = resource.getrusage(resource.RUSAGE_CHILDREN)
    return usage.ru_utime + usage.ru_stime


def time_ratio(
    name: str, command: Sequence[str], reference: Sequence[str], environment: Mapping[str, str], rounds: int = ROUNDS
) -> float:
    """Return the shortest CPU time of ``command`` by that of ``reference``: other work of the machine only adds to it.

    They take turns; a first round, which compiles modules, is not counted. The medians are printed, too.
    """
    times: list[tuple[float, float]] = []
    for _ in range(rounds + 1):
        pair = []
        for process in (command, reference):
            start = children_seconds()
            subprocess.run(process, capture_output=True, check=True, env=dict(environment))
            pair.append(children_seconds() - start)
        times.append((pair[0], pair[1]))
    own, other = zip(*times[1:], strict=True)
    medians = statistics.median(own), statistics.median(other)
    ratio: float = min(own) / min(other)
    print(  # noqa: T201
        f"{name}: {min(own) * 1000:.0f} ms, compared with {min(other) * 1000:.0f} ms, ratio {ratio:.2f}"
        f" (of the medians {medians[0] / medians[1]:.2f})"
    )
    return ratio


@pytest.mark.parametrize(("name", "command"), [("--help", HELP), ("judge capacitor", JUDGE)])
def test_commands_start_in_under_three_times_importing_click(
    name: str, command: list[str], environment: dict[str, str]
) -> None:
    assert time_ratio(f"meterlink {name}", command, CLICK, environment) < CLICK_LIMIT


def test_the_daemons_imports_take_at_most_60_percent_of_their_former_time(
    environment: dict[str, str], request: pytest.FixtureRequest
) -> None:
    enabled = request.config.getoption("benchmark_enable")
    ratio = time_ratio(
        "imports of the daemon",
        [sys.executable, "-c", DAEMON],
        [sys.executable, "-c", FORMER_DAEMON],
        environment,
        ROUNDS if enabled else FEWEST_ROUNDS,
    )
    assert ratio < 1
    if enabled:
        assert ratio <= DAEMON_LIMIT
