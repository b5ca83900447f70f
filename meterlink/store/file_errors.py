"""The causes behind the operating system's errors: no space, no permission."""

import errno
import shutil
from pathlib import Path

from meterlink.core.errors import DatabaseAccessError, DiskFullError, StoreError

_NO_SPACE = {errno.ENOSPC, errno.EDQUOT}
_NO_ACCESS = {errno.EACCES, errno.EPERM, errno.EROFS}

# SQLite's shared-memory file grows in steps of 32 KiB (https://sqlite.org/walformat.html, 2.2), its other files in
# steps of a page, which is smaller.
_LARGEST_STEP = 32 * 1024  # bytes


def store_error_class(error: OSError) -> type[StoreError]:
    """Return the class of `StoreError` for the cause of ``error``; `StoreError` itself for any other cause."""
    if error.errno in _NO_SPACE:
        return DiskFullError
    return DatabaseAccessError if error.errno in _NO_ACCESS else StoreError


def has_no_space(path: Path) -> bool:
    """Return whether the disk that holds the file at ``path`` lacks the space for SQLite's next step."""
    try:
        return shutil.disk_usage(path.parent).free < _LARGEST_STEP
    except OSError:
        return False  # the folder is gone: the disk is not known to be full
