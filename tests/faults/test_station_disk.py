"""A station whose disk fills up: it ends with an error that names the disk, and leaves no socket."""

import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

LIMIT = 90.0  # s


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system with space for little more than an empty database."""
    folder = tmp_path / "small"
    folder.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=320k", "tmpfs", folder], capture_output=True, check=False
    )
    if mounted.returncode != 0:
        pytest.skip("no right to mount a small file system")
    yield folder
    subprocess.run(["umount", folder], check=True)


def test_a_simulated_call_ends_with_the_error(small_disk: Path) -> None:
    demo = subprocess.run(
        [sys.executable, "-m", "meterlink", "demo", "--headless", "--data", str(small_disk)],
        capture_output=True, text=True, check=False, timeout=LIMIT,
    )  # fmt: skip
    assert demo.returncode == 1
    assert "is full. Free some space on it." in demo.stderr.splitlines()[-1]
    assert "Traceback" not in demo.stderr


@pytest.mark.fault("disk-full")
def test_a_station_with_a_full_disk_stops_with_the_error(small_disk: Path) -> None:
    process = subprocess.Popen(
        [sys.executable, "-m", "meterlink", "demo", "--serve", "--data", str(small_disk)],
        stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    try:
        _, errors = process.communicate(timeout=LIMIT)  # the simulated call fails, and the station stops in good order
    finally:
        process.kill()
        process.wait()
    assert process.returncode == 1
    assert "is full. Free some space on it." in errors.splitlines()[-1]
    assert "Traceback" not in errors
    assert not (small_disk / "station.sock").exists()
