"""A file that a command writes: whole, or not at all."""

import os
from contextlib import suppress
from pathlib import Path
from tempfile import NamedTemporaryFile

from meterlink.core.errors import InputError


def write_whole_file(path: Path, text: str) -> None:
    """Write ``text`` as UTF-8 to a file, replacing one of that name; of a link, the file that it leads to.

    It is written under another name in the same folder first: a file of this name is whole at any time. A device or a
    pipe is never replaced: it is written to.

    Raises:
        InputError: the file cannot be written.
    """
    temporary: Path | None = None
    try:
        if path.exists() and not (path.is_file() or path.is_dir()):
            path.write_text(text, encoding="utf-8")
            return
        target = path.resolve()
        with NamedTemporaryFile("w", encoding="utf-8", dir=target.parent, prefix=".meterlink-", delete=False) as file:
            temporary = Path(file.name)
            file.write(text)
            file.flush()
            os.fsync(file.fileno())  # on the disk before it gets its name
        temporary.chmod(0o666 & ~_umask())
        temporary.replace(target)  # within one folder: one step
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
