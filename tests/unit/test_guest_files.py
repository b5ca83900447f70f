"""Where the guest with a real BlueZ cannot be had, its tests are skipped, and the reason names the missing thing."""

import os
import sys
from pathlib import Path

import pytest

from studies.long_set import steps
from support.guest import files
from support.guest.files import NoGuestError, guest_files
from support.guest.machine import GuestError, take_turn

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="the guest runs on Linux only")


@pytest.fixture(autouse=True)
def _empty_cache(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv(files.CACHE_VARIABLE, str(tmp_path / "cache"))
    monkeypatch.setattr("platform.machine", lambda: "x86_64")
    for tool in ("QEMU", "_MKE2FS"):
        monkeypatch.setattr(files, tool, "/bin/true")
    monkeypatch.setattr("shutil.which", lambda tool: f"/usr/bin/{tool}")


def test_without_qemu_the_reason_names_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(files, "QEMU", None)
    with pytest.raises(NoGuestError, match="qemu-system-x86_64 is not installed"):
        guest_files()


def test_another_processor_is_a_reason(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("platform.machine", lambda: "aarch64")
    with pytest.raises(NoGuestError, match="an x86-64 Linux is needed"):
        guest_files()


def test_packages_that_cannot_be_had_are_a_reason_and_leave_nothing_in_the_cache(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    folder = tmp_path / "bin"
    folder.mkdir()
    for name, script in {
        "apt-cache": "echo '  Depends: linux-image-6.1.0-1-amd64'",
        "apt-get": "[ $1 = download ] || exit 0; echo 'E: Failed to fetch: no route to host' >&2; exit 100",
    }.items():
        (folder / name).write_text(f"#!/bin/sh\n{script}\n")
        (folder / name).chmod(0o755)
    monkeypatch.setenv("PATH", f"{folder}{os.pathsep}{os.environ['PATH']}")
    with pytest.raises(NoGuestError, match="apt-get download failed: E: Failed to fetch: no route to host"):
        guest_files()
    assert list((tmp_path / "cache").iterdir()) == []


def test_package_lists_without_a_kernel_are_a_reason(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    folder = tmp_path / "bin"
    folder.mkdir()
    (folder / "apt-cache").write_text("#!/bin/sh\necho 'E: No packages found' >&2; exit 100\n")
    (folder / "apt-cache").chmod(0o755)
    monkeypatch.setenv("PATH", f"{folder}{os.pathsep}{os.environ['PATH']}")
    with pytest.raises(NoGuestError, match="apt-cache depends failed: E: No packages found"):
        guest_files()


def test_a_second_guest_waits_for_the_end_of_the_first(tmp_path: Path) -> None:
    """Two processes of pytest must not start two guests: each takes a core and more for itself."""
    lock = tmp_path / "guest.lock"
    with take_turn(lock, 0), pytest.raises(GuestError, match="in one process: pytest -n0"):
        take_turn(lock, 0)
    take_turn(lock, 0).close()


def test_the_guest_of_the_long_set_has_one_process(tmp_path: Path) -> None:
    (guest,) = [step for step in steps(tmp_path, quick=True) if step.name.startswith("guest")]
    assert "-n0" in guest.command
