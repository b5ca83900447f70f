"""The capture that a command reads, with a notice if its end is missing."""

from pathlib import Path

import click

from meterlink.capture.capture_file import Capture
from meterlink.station.capture_files import read_capture
from meterlink.tomlfile.files import printable_path


def load_capture(path: Path) -> Capture:
    """Return the capture in a file. If its last line was cut off, say so on standard error.

    Raises:
        InputError: the file cannot be read, or has a wrong line.
    """
    capture = read_capture(path)
    if capture.cut_line:
        notice = f"{printable_path(path)}: line {capture.cut_line} was cut off. The lines before it are used."
        click.echo(notice, err=True)
    return capture
