"""The customer's report as files of the data folder: written by one key at the close of a visit."""

import os
import re
import unicodedata
from contextlib import suppress
from itertools import count
from pathlib import Path
from tempfile import NamedTemporaryFile

from meterlink.core.errors import InputError
from meterlink.core.permissions import PRIVATE_FOLDER
from meterlink.core.text import without_piled_marks
from meterlink.record.html import html_report
from meterlink.record.pdf import pdf_report
from meterlink.record.report import make_report
from meterlink.record.typesetting import is_typesetter_installed
from meterlink.settings import DATABASE_FILE, load_settings
from meterlink.station.visit_record import read_visit_record
from meterlink.store.reader import Reader

REPORTS_FOLDER = "reports"
"""The folder of the reports, in the data folder."""
_LONGEST_NAME = 40  # characters of a unit in the name of a file: with the day, a line in any list of files


def write_customer_reports(folder: Path, uid: str = "") -> list[Path]:
    """Write the customer's report on the closed visit ``uid``, or on the one that was closed last; return its files.

    ``folder`` is the data folder. The times in the database decide which visit was closed last: after a merge it may be
    one of another station. There is an HTML and, where the library for it is installed, a PDF. A file is named for the
    day and the unit, ``2026-07-01-condenser-1.html``; none is ever overwritten.

    Raises:
        InputError: there is no such closed visit, or the files cannot be written.
        PlanError: the visit's plan cannot be read by this version.
        SettingsError: the settings cannot be read.
        StoreError: the database cannot be read.
    """
    reader = Reader(folder / DATABASE_FILE)
    closed = [visit for visit in reader.visits() if visit.closed_utc_ns is not None and uid in {"", visit.uid}]
    if not closed:
        raise InputError("No visit is closed yet.", "Close the visit first; then there is a report on it.")
    newest = max(closed, key=lambda visit: (visit.closed_utc_ns or 0, visit.id))
    report = make_report(read_visit_record(reader, newest, folder, load_settings(folder)))
    contents = {".html": html_report(report).encode()}
    if is_typesetter_installed():
        contents[".pdf"] = pdf_report(report).content
    name = f"{report.day}-{_safe_name(newest.site.unit)}"
    reports = folder / REPORTS_FOLDER
    try:
        reports.mkdir(mode=PRIVATE_FOLDER, exist_ok=True)  # it has customers' names in it
        return [_write_new_file(reports, name, ending, content) for ending, content in contents.items()]
    except OSError as error:
        raise InputError(
            f"The report cannot be written to {reports}: {error.strerror}.",
            "Make room there, or write it elsewhere: meterlink report -o FILE",
        ) from error


def _safe_name(text: str) -> str:
    """Return a text as a part of a file name on any system: ``condenser-1``; ``unit`` where nothing of it is left."""
    plain = unicodedata.normalize("NFKD", without_piled_marks(text)).encode("ascii", "ignore").decode().casefold()
    return re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:_LONGEST_NAME].rstrip("-") or "unit"


def _write_new_file(folder: Path, name: str, ending: str, content: bytes) -> Path:
    """Write a file that was not there, whole or not at all; a number follows a name that is taken."""
    with NamedTemporaryFile(dir=folder, prefix=".meterlink-", delete=False) as file:
        temporary = Path(file.name)
        try:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
            names = (folder / f"{name}{'' if number == 1 else f'-{number}'}{ending}" for number in count(1))
            return next(path for path in names if _give_name(temporary, path))
        finally:
            with suppress(OSError):
                temporary.unlink()


def _give_name(temporary: Path, path: Path) -> bool:
    """Give a file its final name in one step; return False, and change nothing, where there is such a file."""
    try:
        path.hardlink_to(temporary)
    except FileExistsError:
        return False
    except OSError:  # a memory card (FAT) has no second names
        if path.exists():
            return False
        temporary.rename(path)
    return True
