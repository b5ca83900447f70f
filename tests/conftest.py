"""Rules for every test: its size in each set, no deadline by the machine's speed, and no thread left running."""

import gc
import os
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, settings

from support.fault_marks import MARKER, FaultTimes, record_marks

# How many examples Hypothesis draws for a property, at each study size.
_EXAMPLES = {"everyday": 100, "sample": 200, "full": 10_000}
# s; the limit of one study. The longest of the full size takes half an hour on two cores.
_STUDY_TIMEOUT = {"everyday": 120, "sample": 900, "full": 4 * 3600}

# On a busy machine a thread may need a moment to end after it was stopped.
_END_TIMEOUT = 5.0  # s


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--study-size", choices=list(_EXAMPLES), default="everyday",
        help="The size of tests marked 'study', and of properties: '.ci/run' has a sample of studies, '.ci/long' all.",
    )  # fmt: skip


def pytest_configure(config: pytest.Config) -> None:
    config.addinivalue_line(
        "markers",
        "study(everyday, sample, full): a test that takes `study_size`, or one `study_seed` below it, of the size that "
        "--study-size names; at size 0 it is left out.",
    )
    config.addinivalue_line("markers", MARKER)
    for size, examples in _EXAMPLES.items():
        # A deadline would make a test depend on the speed of the machine.
        settings.register_profile(
            size, max_examples=examples, deadline=None, suppress_health_check=[HealthCheck.too_slow]
        )
    settings.load_profile(config.getoption("study_size"))


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers(config: pytest.Config) -> int:
    """Run named files, pictures of screens and benchmarks in this process; else three processes for two cores.

    Many tests wait for a daemon, a broker or a terminal, and leave their core to another one meanwhile.
    """
    only_files = all(Path(arg.partition("::")[0]).is_file() for arg in config.args)
    alone = any(config.getoption(option) for option in ("--snapshot-update", "--benchmark-enable"))
    if only_files or alone or config.getoption("--capture") == "no":
        return 0
    cores = os.cpu_count() or 1
    return cores + cores // 2


def _study_size(node: pytest.Item, config: pytest.Config) -> Any:
    marker = node.get_closest_marker("study")
    assert marker is not None, "mark this test as a study"
    return marker.kwargs[config.getoption("study_size")]


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    if "study_seed" in metafunc.fixturenames:
        size = _study_size(metafunc.definition, metafunc.config)
        metafunc.parametrize("study_seed", range(max(size, 1)))  # one, left out again, for a size of 0


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    record_marks(items)
    studies = [item for item in items if item.get_closest_marker("study")]
    left_out = {item for item in studies if not _study_size(item, config)}
    if left_out:
        config.hook.pytest_deselected(items=list(left_out))
        items[:] = [item for item in items if item not in left_out]
    for item in studies:
        item.add_marker(pytest.mark.timeout(_STUDY_TIMEOUT[config.getoption("study_size")]))


@pytest.fixture
def study_size(request: pytest.FixtureRequest) -> Any:
    """The size of the study that asks for it, in its own unit."""
    return _study_size(request.node, request.config)


@pytest.fixture
def fault_times(request: pytest.FixtureRequest) -> FaultTimes:
    """Take the times of the fault that a test injects, for the table of faults."""
    return FaultTimes(request.node.user_properties)


@pytest.fixture(autouse=True)
def no_thread_outlives_its_test() -> Iterator[None]:
    """Fail a test that leaves a thread running, and make unawaited coroutines warn in the test that made them."""
    before = set(threading.enumerate())
    yield
    gc.collect(0)
    limit = time.monotonic() + _END_TIMEOUT
    while left := [thread for thread in threading.enumerate() if thread not in before and thread.is_alive()]:
        if time.monotonic() > limit:
            pytest.fail(f"left running: {', '.join(thread.name for thread in left)}")
        left[0].join(0.05)
