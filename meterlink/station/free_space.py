"""The room on the disk of a data folder."""

import shutil
from contextlib import suppress
from pathlib import Path


def free_bytes(folder: Path) -> int:
    """Return the bytes that this account may still use on the disk of a folder.

    While the folder is gone or cannot be read, those of the nearest one above it that can; 0 without one.
    """
    for path in (folder, *folder.absolute().parents):
        with suppress(OSError):
            return shutil.disk_usage(path).free
    return 0
