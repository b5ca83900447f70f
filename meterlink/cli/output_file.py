"""A file that a command writes: whole, or not at all."""

import os
from contextlib import suppress
from pathlib import Path
from tempfile import NamedTemporaryFile

from meterlink.core.errors import InputError


def write_whole_file(path: Path, text: str) -> None:
    """Write ``text`` as UTF-8 to a file, replacing one of that name.

    It is written under another name in the same folder first: a file of this name is whole at any time.

    Raises:
        InputError: the file cannot be written.
    """
    temporary: Path | None = None
    try:
        with NamedTemporaryFile("w", encoding="utf-8", dir=path.parent, prefix=".report-", delete=False) as file:
            temporary = Path(file.name)
            file.write(text)
            file.flush()
            os.fsync(file.fileno())  # on the disk before it gets its name
        temporary.chmod(0o666 & ~_umask())
        temporary.replace(path)  # within one folder: one step
    except (OSError, ValueError) as error:  # ValueError: no file can have this name
        reason = (isinstance(error, OSError) and error.strerror) or "no file can have this name"
        raise InputError(f"{path} cannot be written: {reason}.", "Give another file to -o.") from error
    finally:
        if temporary is not None:  # it is gone already where the file has its name
            with suppress(OSError):
                temporary.unlink()


def _umask() -> int:
    """Return the bits that a new file does not get; a temporary file is its owner's alone."""
    mask = os.umask(0)
    os.umask(mask)
    return mask
