"""Reports on visits with hostile texts: nothing executes and nothing breaks out, in any form and either voice.

A visit is stored twice, with hostile texts and with harmless ones in the same places. The two reports must have the
same elements, in the same order.
"""

import json
from collections.abc import Iterator
from io import BytesIO
from pathlib import Path
from typing import Any
from xml.etree.ElementTree import Element

import html5lib
import pytest
from markdown_it import MarkdownIt
from markdown_it.token import Token
from pypdf import PdfReader

from meterlink.record.html import html_report
from meterlink.record.json import json_report
from meterlink.record.markdown import markdown_report
from meterlink.record.model import Report, Voice
from meterlink.record.pdf import pdf_report
from meterlink.record.style import STYLE
from support.hostile_visits import hostile_report
from support.pdf_structure import pdf_elements

# All elements and attributes that a report has; none of them runs anything.
ELEMENTS = {
    "html", "head", "meta", "title", "style", "body", "main", "header", "h1", "h2", "h3", "p", "section", "div", "span",
    "bdi", "dl", "dt", "dd", "ul", "li", "table", "thead", "tbody", "tr", "th", "td", "strong", "del", "figure",
    "figcaption", "img", "svg", "rect", "line", "path",
}  # fmt: skip
ATTRIBUTES = {
    "charset", "http-equiv", "content", "name", "lang", "class", "scope", "colspan", "src", "alt", "role", "aria-label",
    "viewBox", "x", "y", "x1", "x2", "y1", "y2", "width", "height", "fill", "stroke", "d",
}  # fmt: skip
FIXED = {"charset", "http-equiv", "content", "name", "lang", "class", "scope", "colspan", "role", "fill", "stroke"}

PDF_KEYS = {
    "/Type", "/Pages", "/StructTreeRoot", "/MarkInfo", "/Lang", "/Metadata", "/ViewerPreferences", "/Outlines",
    "/PageLabels",
}  # fmt: skip


@pytest.fixture
def twins(tmp_path: Path, study_seed: int) -> tuple[Report, Report]:
    """The report on a hostile visit, and that on its harmless twin."""
    made = []
    for name in ("hostile", "harmless"):
        folder = tmp_path / name
        folder.mkdir()
        made.append(hostile_report(folder, study_seed, hostile=name == "hostile"))
    return made[0], made[1]


def html_outline(report: Report, voice: Voice) -> list[tuple[int, str, list[tuple[str, str]]]]:
    """Return depth, name and attributes of each element; of the attributes that have texts or numbers, the names."""

    def below(element: Element, depth: int) -> Iterator[tuple[int, str, list[tuple[str, str]]]]:
        name = element.tag.partition("}")[2]
        attributes = [(key, value if key in FIXED else "") for key, value in sorted(element.attrib.items())]
        assert name in ELEMENTS
        assert {key for key, _ in attributes} <= ATTRIBUTES
        assert element.attrib.get("src", "data:image/").startswith("data:image/")
        if name == "style":
            assert element.text == STYLE
        yield depth, name, attributes
        for child in element:
            assert isinstance(child.tag, str), "a comment"
            yield from below(child, depth + 1)

    return list(below(html5lib.HTMLParser(strict=True).parse(html_report(report, voice)), 0))


def markdown_outline(report: Report, voice: Voice) -> list[str]:
    """Return the kinds of all parts of the document, but those of plain text."""
    parser = MarkdownIt("gfm-like")
    assert parser.linkify is not None
    parser.linkify.set({"fuzzy_link": False, "fuzzy_email": False})  # more than GitHub's rules would link

    def kinds(tokens: list[Token]) -> Iterator[str]:
        for token in tokens:
            if token.type not in {"text", "text_special"}:
                yield f"{token.type} {token.tag} {token.markup}"
            yield from kinds(token.children or [])

    return list(kinds(parser.parse(markdown_report(report, voice))))


@pytest.mark.study(everyday=6, sample=15, full=300)
def test_nothing_executes_and_nothing_breaks_out(twins: tuple[Report, Report]) -> None:
    hostile, harmless = twins
    for voice in Voice:
        assert html_outline(hostile, voice) == html_outline(harmless, voice)
        assert markdown_outline(hostile, voice) == markdown_outline(harmless, voice)
        assert pdf_outline(hostile, voice) == pdf_outline(harmless, voice)
    fields, others = (json.loads(json_report(report)) for report in twins)
    assert shape(fields) == shape(others)
    for name in ("value", "low", "high", "verdict", "counts", "of_old_part", "probability"):
        assert [entry[name] for entry in fields["readings"]] == [entry[name] for entry in others["readings"]]


def shape(value: Any) -> Any:
    match value:
        case dict():
            return {key: shape(below) for key, below in value.items()}
        case list():
            return list(map(shape, value))
        case _:
            return type(value).__name__


def pdf_outline(report: Report, voice: Voice) -> list[tuple[str, bool]]:
    """Return the kind of each element of structure of the PDF, and whether it has an alternative text."""
    content = pdf_report(report, voice).content
    reader = PdfReader(BytesIO(content))
    root: Any = reader.trailer["/Root"]
    assert set(root) <= {
        "/Type",
        "/Pages",
        "/StructTreeRoot",
        "/MarkInfo",
        "/Lang",
        "/Metadata",
        "/ViewerPreferences",
        "/Outlines",
        "/PageLabels",
    }
    assert not any("/Annots" in page or "/AA" in page for page in reader.pages)
    return [(element["/S"], "/Alt" in element) for element in pdf_elements(content)]
