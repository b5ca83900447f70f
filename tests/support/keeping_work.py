"""One piece of keeping, run in a process of its own that may be killed: ``python -m support.keeping_work``.

Arguments: the work, the number of the file operation before which the process kills itself (0: never), and paths. The
process prints a line when it begins.
"""

import os
import signal
import sys
from collections.abc import Callable
from pathlib import Path

from meterlink.store.backup import back_up
from meterlink.store.folder_archive import pack_folder, unpack_folder
from meterlink.store.merge import merge_file
from meterlink.store.restore import restore

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
    "unpack": lambda paths: unpack_folder(paths[1], paths[0], replace=True),
}


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
    work, number, *paths = sys.argv[1:]
    if int(number):
        kill_before(int(number))
    print("begins", flush=True)
    WORKS[work]([Path(path) for path in paths])


if __name__ == "__main__":
    main()
