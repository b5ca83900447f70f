"""Capture files: read from the disk, bounded in size."""

from pathlib import Path

from meterlink.capture.capture_file import Capture, parse_capture
from meterlink.tomlfile.files import read_text_file

_LARGEST_FILE = 1 << 28  # bytes; a day of a fast meter has a tenth of that


def read_capture(path: Path) -> Capture:
    """Return the capture in a file.

    Raises:
        InputError: the file cannot be read, is larger than 256 MiB, or has a wrong line; the message names file and
            line.
    """
    remedy = "Split it into several files."
    text = read_text_file(path, "capture", largest=_LARGEST_FILE, if_larger=remedy, may_be_cut=True)
    return parse_capture(text, str(path))
