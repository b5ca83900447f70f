"""A file that a command writes: whole, or not at all."""

import os
import stat
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from tempfile import mkstemp
from typing import BinaryIO, TypeVar

import click

from meterlink.cli.file_modes import mode_of_output
from meterlink.cli.output import printable_text
from meterlink.core.errors import InputError

_REMEDY = "Give another file to -o."

STANDARD_OUTPUT = "-"
"""The name that stands for standard output."""

_FormT = TypeVar("_FormT", bound=str)


def form_of_ending(output: str, endings: Mapping[str, _FormT], default: _FormT | None = None) -> _FormT:
    """Return the format that the ending of a file names, by ``endings``; ``default`` for a file without ending.

    Raises:
        click.UsageError: there is no format of that ending; or there is no ending, and no default.
    """
    ending, listed = Path(output).suffix.lower(), ", ".join(endings)
    if ending in endings:
        return endings[ending]
    if default is None:
        raise click.UsageError(f"{printable_text(output)} does not end in {listed}: name FILE so, or give --format.")
    if ending:
        raise click.UsageError(f"No format has the ending {ending}: use {listed}, or give --format.")
    return default


def refuse_on_terminal(output: str, form: str) -> None:
    """Do nothing unless a file of the binary format ``form`` would go to a terminal.

    Raises:
        click.UsageError: it would.
    """
    if output == STANDARD_OUTPUT and sys.stdout.isatty():
        raise click.UsageError(f"A terminal cannot show {form}: give a file with -o FILE, or a pipe.")


@contextmanager
def open_whole_file(path: Path) -> Iterator[BinaryIO]:
    """Yield a binary file that gets the name ``path`` when the context ends, and is gone after any error in it.

    A device or a pipe is never replaced: it is written to.

    Raises:
        InputError: the file cannot be written; an OSError in the context is taken for one of this file.
    """
    if _is_special(path):
        with _report_errors(path), path.open("wb") as file:
            yield file
        return
    with whole_path(path) as temporary, temporary.open("wb") as file:
        yield file


@contextmanager
def whole_path(path: Path) -> Iterator[Path]:
    """Yield the path of a new, empty file in the same folder, which replaces ``path`` when the context ends.

    Under the name ``path`` there is a whole file at any time, the one before or the new one, also after a power cut; of
    a link, the file that it leads to is replaced. After any error in the context the new file is gone and the one
    before is as it was. A process that is killed leaves a file ``.meterlink-…`` behind.

    Raises:
        InputError: the file cannot be written; an OSError in the context is taken for one of this file.
    """
    if _is_special(path):
        raise InputError(f"{path} is a device or a pipe, which has no place for a whole file.", _REMEDY)
    temporary: Path | None = None
    with _report_errors(path):
        try:
            target = path.resolve()
            number, name = mkstemp(dir=target.parent, prefix=".meterlink-")
            temporary = Path(name)
            os.close(number)
            yield temporary
            with temporary.open("r+b") as file:
                os.fsync(file.fileno())  # on the disk before it gets its name
            temporary.chmod(mode_of_output(target))
            temporary.replace(target)  # within one folder: one step
            _sync_folder(target.parent)
        finally:
            if temporary is not None:  # it is gone already where the file has its name
                with suppress(OSError):
                    temporary.unlink()


@contextmanager
def open_output(name: str) -> Iterator[BinaryIO]:
    """Yield the binary output of ``-o NAME``: a file as `open_whole_file` writes it, or standard output for ``-``.

    Raises:
        InputError: the file cannot be written; an OSError in the context is taken for one of this file.
    """
    if name == STANDARD_OUTPUT:
        sys.stdout.flush()
        yield sys.stdout.buffer
        sys.stdout.buffer.flush()
        return
    with open_whole_file(Path(name)) as file:
        yield file


def write_output(name: str, content: bytes) -> None:
    """Write ``content`` as the output of ``-o NAME``: a whole file, or standard output for ``-``.

    Raises:
        InputError: the file cannot be written.
    """
    with open_output(name) as file:
        file.write(content)


@contextmanager
def _report_errors(path: Path) -> Iterator[None]:
    try:
        yield
    except BrokenPipeError:
        raise  # the reader of a pipe has seen enough
    except (OSError, ValueError) as error:
        # A ValueError is of a name that no file can have; any other one is a fault in the program.
        if not isinstance(error, OSError) and "\0" not in str(path):
            raise
        reason = (isinstance(error, OSError) and error.strerror) or "no file can have this name"
        raise InputError(f"{path} cannot be written: {reason}.", _REMEDY) from error


def _is_special(path: Path) -> bool:
    """Return whether a device or a pipe has this name."""
    try:
        mode = path.stat().st_mode
    except (OSError, ValueError):
        return False
    return not (stat.S_ISREG(mode) or stat.S_ISDIR(mode))


def _sync_folder(folder: Path) -> None:
    """Bring the new name to the disk, where the system can (Windows opens no folder)."""
    with suppress(OSError):
        number = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(number)
        finally:
            os.close(number)
