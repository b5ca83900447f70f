"""A report as PDF: set by a library from a fixed form, in which every text is data. Tagged for screen readers (PDF/UA).

The same report gives the same bytes: its date is that of the visit.
"""

import json
from base64 import b64decode
from dataclasses import fields, is_dataclass, replace
from datetime import date
from decimal import Decimal
from functools import cache
from hashlib import sha256
from importlib import resources
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from meterlink.core.errors import InputError
from meterlink.record.model import CauseEntry, Label, Picture, ReadingEntry, Report, Voice
from meterlink.record.paper import Paper
from meterlink.record.pictures import NOT_READABLE
from meterlink.record.scale import SCALE_HEIGHT, SCALE_WIDTH, scale_picture
from meterlink.record.typesetting import Document, can_decode, is_typesetter_installed, typeset_tagged

_SVG = "http://www.w3.org/2000/svg"


def pdf_report(report: Report, voice: Voice = Voice.CUSTOMER, paper: Paper = Paper.A4) -> Document:
    """Return the report as a PDF document.

    A picture that cannot be decoded is named with a remark. A character that no font of this machine has is drawn as a
    box; the file is then tagged, but does not claim PDF/UA, and the document has a remark.

    Raises:
        InputError: the library for PDF is not installed, or there is no room for temporary files.
    """
    if not is_typesetter_installed():
        raise InputError(
            "PDF needs a library that is not installed.",
            "Install it: pip install 'meterlink[pdf]'. Or print the HTML: --format html",
        )
    try:
        with TemporaryDirectory(prefix="meterlink-") as folder:
            return _set_report(_readable(report, Path(folder)), voice, paper, Path(folder))
    except OSError as error:
        raise InputError(
            f"The PDF cannot be made: {error.strerror or 'no temporary file can be written'}.",
            "Make room in the folder for temporary files, or set TMPDIR to another one.",
        ) from error


def _set_report(report: Report, voice: Voice, paper: Paper, folder: Path) -> Document:
    day = date.fromisoformat(report.day)
    data = {
        "labels": {label.name.replace("_", "-"): str(label) for label in Label},
        "voice": voice,
        "paper": paper.typesetters_name,
        "title": f"{Label.TITLE}: {report.place}",
        "year": day.year,
        "month": day.month,
        "day": day.day,
        "report": _data(report),
    }
    return typeset_tagged(_form(), json.dumps(data), folder)


@cache
def _form() -> str:
    return resources.files(__package__).joinpath("report.typ").read_text(encoding="utf-8")


def _data(value: object) -> Any:
    """Return a part of the report as values of JSON, with names as the form has them: ``before-text``."""
    match value:
        case Picture():
            return {"file": _file_name(value) if value.data_uri else "", "name": value.name, "remark": value.remark}
        case Decimal():
            return f"{value:f}"
        case tuple():
            return [_data(item) for item in value]
        case _ if is_dataclass(value):
            named = {field.name: getattr(value, field.name) for field in fields(value)} | _further(value)
            return {name.replace("_", "-"): _data(below) for name, below in named.items()}
        case _:
            return value


def _further(value: object) -> dict[str, object]:
    """Return the parts of an entry that a form shows, and that are no fields."""
    match value:
        case Report():
            return {"customer_facts": value.customer_facts}
        case ReadingEntry():
            return {"details": value.details, "drawing": _drawing(value) if value.is_on_scale else ""}
        case CauseEntry():
            return {"evidence": value.evidence}
        case _:
            return {}


def _drawing(entry: ReadingEntry) -> str:
    return scale_picture(entry, xmlns=_SVG, width=str(SCALE_WIDTH), height=str(SCALE_HEIGHT))


# Pictures


def _readable(report: Report, folder: Path) -> Report:
    """Return the report with those pictures that the library can decode; their files are in ``folder``."""
    logo = None if report.logo is None else _readable_picture(report.logo, folder)
    return replace(report, logo=logo, photos=tuple(_readable_picture(photo, folder) for photo in report.photos))


def _readable_picture(picture: Picture, folder: Path) -> Picture:
    if not picture.data_uri:
        return picture
    name = _file_name(picture)
    (folder / name).write_bytes(b64decode(picture.data_uri.partition(",")[2]))
    return picture if can_decode(name, folder) else Picture(picture.name, remark=NOT_READABLE)


def _file_name(picture: Picture) -> str:
    """Return a name for the file of a picture that comes from its contents alone, with the ending of its kind."""
    kind = picture.data_uri.partition("/")[2].partition(";")[0]
    return f"{sha256(picture.data_uri.encode()).hexdigest()}.{kind}"
