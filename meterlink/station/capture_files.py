"""Capture files: read from the disk, bounded in size."""

from pathlib import Path

from meterlink.capture.capture_file import Capture, parse_capture
from meterlink.core.errors import InputError

_LARGEST_FILE = 1 << 28  # bytes; a day of a fast meter has a tenth of that


def read_capture(path: Path) -> Capture:
    """Return the capture in a file.

    Raises:
        InputError: the file cannot be read, is larger than 256 MiB, or has a wrong line; the message names file and
            line.
    """
    try:
        with path.open("rb") as file:
            data = file.read(_LARGEST_FILE + 1)
        text = data.decode("utf-8-sig")
    except OSError as error:
        raise InputError(f"The capture {path} cannot be read: {error.strerror}.", "Give a capture file.") from error
    except ValueError as error:
        reason = "it is not UTF-8 text" if isinstance(error, UnicodeDecodeError) else "no file can have this name"
        raise InputError(f"The capture {path} cannot be read: {reason}.", "Give a capture file.") from error
    if len(data) > _LARGEST_FILE:
        raise InputError(f"The capture {path} is larger than 256 MiB.", "Split it into several files.")
    return parse_capture(text, str(path))
