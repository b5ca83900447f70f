"""One guest for all tests of this folder. They run when the folder, or a file of it, is named: see README.md."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from support.guest.files import NoGuestError, guest_files
from support.guest.machine import Machine
from support.guest.station_guest import StationGuest

_HERE = Path(__file__).parent
# s; a limit, not a wait: the first test boots the guest, and fetches its files where they are not cached.
_TIMEOUT = 900

_figures = pytest.StashKey[list[str]]()


def _is_named(config: pytest.Config) -> bool:
    paths = (Path(config.invocation_params.dir, arg.partition("::")[0]).resolve() for arg in config.args)
    return any(path == _HERE or _HERE in path.parents for path in paths)


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers(config: pytest.Config) -> int | None:
    """Run in one process where these tests run: there is one guest."""
    return 0 if _is_named(config) else None


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    ours = {item for item in items if _HERE in item.path.parents}
    if not _is_named(config):
        config.hook.pytest_deselected(items=list(ours))
        items[:] = [item for item in items if item not in ours]
    for item in ours:
        item.add_marker(pytest.mark.timeout(_TIMEOUT), append=False)


@pytest.fixture(scope="session")
def figures(request: pytest.FixtureRequest) -> list[str]:
    """Lines of times that the summary of the run shows; they depend on the machine, so none is asserted."""
    return request.config.stash.setdefault(_figures, [])


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter, config: pytest.Config) -> None:
    if lines := config.stash.get(_figures, []):
        terminalreporter.section("times in the guest")
        for line in lines:
            terminalreporter.line(line)


@pytest.fixture(scope="session")
def booted_guest(tmp_path_factory: pytest.TempPathFactory, figures: list[str]) -> Iterator[StationGuest]:
    try:
        files = guest_files()
    except NoGuestError as error:
        pytest.skip(f"no guest with a real BlueZ: {error}")
    guest = StationGuest(Machine(files, tmp_path_factory.mktemp("guest")))
    try:
        guest.start()
        figures.append(
            f"the guest was up after {guest.machine.boot_seconds:.0f} s, its Bluetooth after {guest.start_seconds:.0f} "
            f"s; {guest.machine.processor_seconds():.0f} s of processor time"
        )
        yield guest
        figures.append(f"all tests: {guest.machine.processor_seconds():.0f} s of processor time in the guest")
    finally:
        guest.close()


@pytest.fixture
def guest(booted_guest: StationGuest) -> Iterator[StationGuest]:
    """The guest with Bluetooth on and nothing on the air."""
    booted_guest.clear()
    yield booted_guest
    print(booted_guest.logs())  # noqa: T201 - pytest shows it with a test that fails
