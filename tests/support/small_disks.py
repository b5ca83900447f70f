"""A disk of few MB that a test can fill."""

import os
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest


@contextmanager
def small_disk(folder: Path, size: str = "2m") -> Iterator[Path]:
    """Mount an empty disk of this size at a new ``folder``; skip the test where that is not allowed."""
    folder.mkdir()
    try:
        mounted = subprocess.run(
            ["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", str(folder)], capture_output=True, check=False
        )
    except OSError:
        pytest.skip("there is no mount command here")
    if mounted.returncode:
        pytest.skip("no right to mount a small disk here")
    try:
        yield folder
    finally:
        subprocess.run(["umount", str(folder)], check=True)


def fill(disk: Path, free: int = 0) -> None:
    """Fill a disk with a file ``ballast``; leave ``free`` bytes, in steps of 4 KiB."""
    with (disk / "ballast").open("wb", buffering=0) as ballast, suppress(OSError):
        while True:
            ballast.write(bytes(4096))
    if free:
        os.truncate(disk / "ballast", (disk / "ballast").stat().st_size - free)
