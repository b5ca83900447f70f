"""One piece of keeping, run in a process of its own that may be killed: ``python -m support.keeping_work``.

Arguments: the work, the number of the file operation before which the process kills itself (0: never), the largest size
of a file (0: no limit), and paths. The process prints a line when it begins.
"""

import os
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

from meterlink.cli.main import main as main_of_meterlink
from meterlink.store.backup import back_up
from meterlink.store.folder_archive import pack_folder, unpack_folder
from meterlink.store.merge import merge_file
from meterlink.store.restore import restore
from support.kept_records import LAST_VISIT, SECOND
from support.thinned_records import thin_record

# Python reports these to `sys.addaudithook`, before it does them.
_FILE_OPERATIONS = {
    "open", "os.chmod", "os.link", "os.mkdir", "os.remove", "os.rename", "os.rmdir", "shutil.copyfile", "shutil.rmtree",
    "sqlite3.connect",
}  # fmt: skip

WORKS: dict[str, Callable[[list[Path]], object]] = {
    "backup": lambda paths: back_up(paths[0], paths[1]),
    "restore": lambda paths: restore(paths[1], paths[0], replace=True),
    "merge": lambda paths: merge_file(paths[0], paths[1]),
    "pack": lambda paths: pack_folder(paths[0], paths[1], force=True),
    "export": lambda paths: main_of_meterlink(
        ["export", "--format", "csv", "-o", str(paths[1]), "--data", str(paths[0].parent)]
    ),
    "thin": lambda paths: thin_record(paths[0], LAST_VISIT + 3600 * SECOND),
    "unpack": lambda paths: unpack_folder(paths[1], paths[0], replace=True),
}


def start_work(work: str, *paths: Path, kill_before: int = 0, largest_file: int = 0) -> "subprocess.Popen[str]":
    """Start a piece of work in a process of its own; return when it begins.

    No file of it may grow beyond ``largest_file`` bytes; 0 for no limit.
    """
    child = subprocess.Popen(
        [sys.executable, "-m", "support.keeping_work", work, str(kill_before), str(largest_file), *map(str, paths)],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        env=os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)},
    )  # fmt: skip
    assert child.stdout is not None
    assert child.stdout.readline() == "begins\n", child.communicate()[1]
    return child


def kill_before(number: int) -> None:
    """Kill this process before its file operation ``number`` from now on."""
    done = 0

    def count(event: str, _arguments: object) -> None:
        nonlocal done
        if event in _FILE_OPERATIONS:
            done += 1
            if done == number:
                os.kill(os.getpid(), signal.SIGKILL)

    sys.addaudithook(count)


def main() -> None:
    """Do the work of the command line."""
    work, number, largest_file, *paths = sys.argv[1:]
    if int(largest_file):
        import resource  # noqa: PLC0415  # not on every platform

        resource.setrlimit(resource.RLIMIT_FSIZE, (int(largest_file), int(largest_file)))
    if int(number):
        kill_before(int(number))
    print("begins", flush=True)
    WORKS[work]([Path(path) for path in paths])


if __name__ == "__main__":
    main()
