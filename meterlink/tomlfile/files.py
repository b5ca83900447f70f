"""Text files of a folder or a package: UTF-8, of limited size; every failure is an InputError."""

import codecs
from importlib import resources
from pathlib import Path
from typing import TypeVar

from meterlink.core.errors import InputError
from meterlink.tomlfile.documents import check_document
from meterlink.tomlfile.field_types import FieldType

_T = TypeVar("_T")

# Bytes. A plan of a hundred points has some tens of kilobytes, a profile some kilobytes: a larger file is a mistake.
LARGEST_FILE = 1 << 20


def read_text_file(
    path: Path | str, noun: str, *, largest: int = LARGEST_FILE, if_larger: str = "", may_be_cut: bool = False
) -> str:
    """Return the text of a file; ``noun`` names the kind of file in messages: ``profile``.

    ``largest`` is in bytes, whole MiB. ``if_larger`` is the remedy for a larger file, by default another file. With
    ``may_be_cut`` the file may end within a character, which is left out.

    Raises:
        InputError: the file cannot be read, is larger than ``largest`` or is not UTF-8. The cause is the OSError.
    """
    named, remedy = f"The {noun} {printable_path(path)}", f"Give a {noun} file."
    try:
        with Path(path).open("rb") as file:
            data = file.read(largest + 1)
        # Some editors put a byte-order mark before UTF-8; TOML has none.
        text = codecs.getincrementaldecoder("utf-8-sig")().decode(data, final=not may_be_cut)
    except OSError as error:
        reason = error.strerror or "it cannot be opened"
        raise InputError(f"{named} cannot be read: {reason}.", remedy) from error
    except ValueError as error:
        reason = "it is not UTF-8 text" if isinstance(error, UnicodeDecodeError) else "no file can have this name"
        raise InputError(f"{named} cannot be read: {reason}.", remedy) from error
    if len(data) > largest:
        raise InputError(f"{named} is larger than {largest >> 20} MiB.", if_larger or remedy)
    return text


def printable_path(path: Path | str) -> str:
    """Return a path as it is, or quoted where it has characters that would break the line of a message."""
    text = str(path)
    return text if text.isprintable() else repr(text)


def load_document(path: Path, noun: str, table: FieldType[_T], error_class: type[InputError] = InputError) -> _T:
    """Return the value that ``table`` reads from a TOML file; ``noun`` names the kind of file: ``settings``.

    Raises:
        InputError: one of ``error_class``: the file cannot be read (then the cause is the OSError), or has errors; the
            message lists each with file, line and column.
    """
    try:
        text = read_text_file(path, noun)
    except InputError as error:
        raise error_class(error.message, error.remedy) from error.__cause__
    return check_document(text, table).require(printable_path(path), error_class)


def package_files(package: str, suffix: str) -> tuple[str, ...]:
    """Return the sorted names, without ``suffix``, of a package's files that end in ``suffix``."""
    names = (item.name for item in resources.files(package).iterdir())
    return tuple(sorted(name.removesuffix(suffix) for name in names if name.endswith(suffix)))


def read_package_text(package: str, name: str) -> str:
    """Return the text of a file in a package."""
    return resources.files(package).joinpath(name).read_text(encoding="utf-8")
