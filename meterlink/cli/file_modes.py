"""The permissions of the files that a command makes: its own are the account's alone, a file for others is the user's.

A command runs under a umask that keeps group and others out, so that each file in the data folder is private:
the database, its log, copies, captures, profiles. A file that a person names with -o gets the permissions that the
person's umask gives, unless it lies in a data folder.
"""

import os
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from pathlib import Path

from meterlink.core.permissions import FOR_OTHERS, PRIVATE_FILE

_users_umask: ContextVar[int | None] = ContextVar("users_umask", default=None)


@contextmanager
def private_files() -> Iterator[None]:
    """Make new files private while the context lasts."""
    umask = os.umask(FOR_OTHERS)
    token = _users_umask.set(umask)
    try:
        yield
    finally:
        _users_umask.reset(token)
        os.umask(umask)


def mode_of_output(path: Path) -> int:
    """Return the permission bits for the file of -o: private in a data folder, else by the person's umask."""
    from meterlink.settings import DATABASE_FILE  # noqa: PLC0415  # `--help` must start at once

    if any((folder / DATABASE_FILE).exists() for folder in path.absolute().parents):
        return PRIVATE_FILE
    umask = _users_umask.get()
    return 0o666 & ~(_umask() if umask is None else umask)


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
