"""The forms of a report: HTML, Markdown and JSON say the same; no name breaks out; nothing is loaded."""

import json
import re
import shutil
import subprocess
from collections.abc import Callable, Iterator
from dataclasses import replace
from decimal import Decimal
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path
from zoneinfo import ZoneInfo

import html5lib
import pytest
from pypdf import PdfReader

from meterlink.core.clock import Timestamp
from meterlink.core.equipment import Site
from meterlink.core.firm import Firm
from meterlink.core.verdicts import Margin, Verdict
from meterlink.core.version import VERSION
from meterlink.record.html import html_report
from meterlink.record.json import json_report
from meterlink.record.markdown import markdown_report
from meterlink.record.model import Label, Report, Voice
from meterlink.record.pictures import LARGEST_PICTURE, make_picture
from meterlink.record.report import VisitRecord, make_report
from meterlink.record.style import STYLE
from support.visit_records import PNG, TEN_READINGS, customers_report, full_record, make_record

XHTML = "{http://www.w3.org/1999/xhtml}"
HOSTILE = [
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "</style><style>body{display:none}",
    "'-alert(1)-'",
    "&lt;b&gt;&amp;",
    "javascript:alert(1)",
    "| cell | cell |\n# heading\n![x](http://198.51.100.7/x.png)",
    "\u202eesrever\u202c \x1b[31m",
    "=cmd|'/c calc'!A1",
    "א" * 10_000,
    "a\ud800b",  # half a character; no database of SQLite takes it
]


class Texts(HTMLParser):
    """The texts of a document that a person gets: of its body, and in place of its pictures."""

    def __init__(self) -> None:
        super().__init__()
        self.texts: list[str] = []
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str]] = []
        self._skipped = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self._skipped += tag in {"style", "title"}
        self.attributes += [(name, value or "") for name, value in attrs]
        self.texts += [value or "" for name, value in attrs if name in {"alt", "aria-label"}]

    def handle_endtag(self, tag: str) -> None:
        self._skipped -= tag in {"style", "title"}

    def handle_data(self, data: str) -> None:
        if not self._skipped and data.strip():
            self.texts.append(data)


def parse(report: Report, voice: Voice) -> Texts:
    parser = Texts()
    parser.feed(html_report(report, voice))
    return parser


def leaves(value: object) -> Iterator[str]:
    match value:
        case dict():
            for below in value.values():
                yield from leaves(below)
        case list():
            for below in value:
                yield from leaves(below)
        case str():
            yield value


@pytest.mark.parametrize("voice", Voice)
def test_every_text_of_the_html_is_in_the_json_or_a_fixed_label(voice: Voice) -> None:
    report = make_report(full_record())
    known = {*leaves(json.loads(json_report(report))), *map(str, Label)}
    assert [text for text in parse(report, voice).texts if text not in known] == []


def test_the_technical_html_shows_all_that_the_json_has() -> None:
    # Apart from texts that another form of the same fact stands for.
    report = make_report(full_record())
    shown = "\n".join(parse(report, Voice.TECHNICAL).texts)
    texts = [
        *(entry.reason for entry in report.readings), *(entry.doubt for entry in report.readings),
        *(entry.basis for entry in report.readings), *(entry.accuracy for entry in report.readings),
        *(entry.calibration for entry in report.readings), *(entry.time for entry in report.readings),
        *(remark for entry in report.readings for remark in entry.remarks), *report.proofs, *report.notes,
        *report.left, *report.cautions, *report.limitations, *report.made, *report.measured, report.found, report.done,
        *(cause.title for cause in report.causes), *(text for cause in report.causes for text in cause.evidence_for),
        *(part.ratings for part in report.replaced), *(part.objection for part in report.replaced), *report.seal,
        *(point.reason for point in report.untested),
        *(fact.text for fact in (*report.facts, *report.unit_facts)), *(photo.remark for photo in report.photos),
    ]  # fmt: skip
    assert [text for text in texts if text not in shown] == []


def test_a_reading_that_was_voided_given_later_or_judged_again_is_marked() -> None:
    html = html_report(make_report(full_record()))
    assert "<del><strong>12.1 V</strong></del>" in html
    assert "voided, it counts nowhere: probe slipped" in html
    assert "assigned later, 2026-07-01 13:30:00 UTC+00:00" in html
    assert "judged again: an earlier verdict was replaced" in html
    assert "the station&#x27;s clock was not set: the time is uncertain" in html
    assert "too high" in html_report(make_report(full_record()), Voice.TECHNICAL)


@pytest.mark.parametrize("voice", Voice)
@pytest.mark.parametrize("name", HOSTILE)
def test_no_name_breaks_out(name: str, voice: Voice) -> None:
    usual, hostile = full_record(), full_record()
    hostile = replace(
        hostile,
        stored=hostile.stored._replace(site=Site(name, name), technician=name, job=name),
        rows=[row._replace(component=name, section="", void_reason=row.void_reason and name) for row in hostile.rows],
        notes=[note._replace(text=name) if note.point_key else note for note in hostile.notes],
        facts=[(fact, name, at) for fact, _, at in hostile.facts],
        firm=Firm(name, name),
        photos=[make_picture(name, PNG)],
    )
    parsed = parse(make_report(hostile), voice)
    assert set(parsed.tags) == set(parse(make_report(usual), voice).tags)
    assert not any(attribute.startswith("on") or attribute == "href" for attribute, _ in parsed.attributes)
    assert [
        value for attribute, value in parsed.attributes if attribute == "src" and not value.startswith("data:")
    ] == []
    text = markdown_report(make_report(hostile), voice)
    assert not re.search(r"(?<!\\)[<\[]", text)  # no markup of HTML, no link
    assert {line for line in text.splitlines() if line.startswith("#")} <= {
        f"{'#' * n} {label}" for n in (1, 2) for label in Label
    }
    json.loads(json_report(make_report(hostile)))


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("---", "\\---"),  # would make a heading of the firm's name above it
        ("===", "\\==="),
        ("- item", "\\- item"),
        ("+1 555-0142", "\\+1 555-0142"),
        ("1. Quay Street", "1\\. Quay Street"),
        ("http://198.51.100.7/", "http\\://198.51.100.7/"),
        ("www.example.org", "www\\.example.org"),
        ("4 Quay Street, 555-0142", "4 Quay Street, 555-0142"),
    ],
)
def test_the_beginning_of_a_line_of_markdown_is_text(text: str, line: str) -> None:
    record = replace(full_record(), firm=Firm("Harbour Cooling", text))
    assert line in markdown_report(make_report(record)).splitlines()


@pytest.mark.parametrize("voice", Voice)
@pytest.mark.parametrize("record", [full_record(), make_record(outcome=None)], ids=["full", "empty"])
def test_the_html_is_valid(record: VisitRecord, voice: Voice) -> None:
    # A second reader of HTML, in whose strict mode every error of the standard's parser is an exception.
    tree = html5lib.HTMLParser(strict=True).parse(html_report(make_report(record), voice))
    assert tree.tag == f"{XHTML}html"
    for dl in tree.iter(f"{XHTML}dl"):  # the standard allows each name once
        own = [dt.text for dt in dl.iter(f"{XHTML}dt")]
        assert len(set(own)) == len(own)


@pytest.mark.parametrize("voice", Voice)
def test_nothing_is_loaded(voice: Voice) -> None:
    html = html_report(make_report(full_record()), voice)
    assert not re.search(r"https?:|//|url\(|@import|<script|<link|<iframe", html.replace("data:image/png;base64,", ""))
    assert "default-src &#x27;none&#x27;" in html


@pytest.mark.parametrize("voice", Voice)
def test_headings_step_down_one_by_one_and_every_picture_has_words(voice: Voice) -> None:
    html = html_report(make_report(full_record()), voice)
    levels = [int(level) for level in re.findall(r"<h(\d)", html)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(below - above <= 1 for above, below in pairwise(levels))
    assert all("alt=" in picture for picture in re.findall(r"<img[^>]*>", html))
    assert all("aria-label=" in picture for picture in re.findall(r"<svg[^>]*>", html))


def luminance(colour: str) -> float:
    """Return the relative luminance of ``#abc`` (WCAG 2.2, its definition; from memory)."""
    channels = [int(digit * 2, 16) / 255 for digit in colour.removeprefix("#")]
    red, green, blue = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in channels)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def test_text_is_dark_on_white_without_any_colour() -> None:
    colours = set(re.findall(r"(?<![-\w])color: (#\w+)", STYLE))
    assert colours == {"#111", "#444"}
    assert all(1.05 / (luminance(colour) + 0.05) >= 7 for colour in colours)
    # All are greys: black and white paper loses nothing.
    assert all(len(set(digits)) == 1 for digits in re.findall(r"#([0-9a-f]{3})\b", STYLE))


def test_every_verdict_has_a_mark_and_a_word() -> None:
    record = full_record()
    row = record.rows[0]
    rows = [
        row._replace(id=number, judgement=replace(row.judgement, verdict=verdict, margin=margin))
        for number, (verdict, margin) in enumerate(
            (verdict, margin) for verdict in Verdict for margin in (None, *Margin)
        )
    ]
    shown = {(entry.mark, entry.verdict) for entry in make_report(replace(record, rows=rows, replacements=())).readings}
    assert all(mark and word for mark, word in shown)
    words = [word for _, word in shown]
    assert len(set(words)) == len(words)  # a word alone tells the verdicts apart


def test_pictures_are_known_by_their_bytes() -> None:
    assert make_picture("a.jpg", PNG).data_uri.startswith("data:image/png;base64,")
    svg = make_picture("a.png", b"<svg onload='alert(1)'>")
    assert (svg.data_uri, svg.remark) == ("", "Left out: the file is not a PNG, JPEG, GIF or WebP picture.")
    assert make_picture("a.png", PNG + bytes(LARGEST_PICTURE)).data_uri == ""
    assert make_picture("a.png", PNG, room=10).remark == "Left out: the file is too large for a report."


def test_the_numbers_of_the_json_are_those_of_the_judgement() -> None:
    record = full_record()
    fields = json.loads(json_report(make_report(record)))
    for row, entry in zip(record.rows, fields["readings"], strict=True):
        assert row.judgement.limits is not None
        assert Decimal(entry["value"]) == row.judgement.digits
        assert Decimal(entry["low"]) == row.judgement.limits.low
        assert Decimal(entry["high"]) == row.judgement.limits.high
        assert entry["probability"] == row.judgement.probability


def test_times_have_the_offset_of_the_site() -> None:
    record = make_record(("line", "236.1 V"))
    before = record.stored._replace(opened=Timestamp(-1_000_000_000, 0))  # a clock that was never set
    facts = make_report(replace(record, stored=before)).facts
    assert "1969-12-31 23:59:59 UTC+00:00" in [fact.text for fact in facts]


PAPERS = {"A4": (595, 842), "Letter": (612, 792)}  # in points, of which an inch has 72
CHROMIUM = shutil.which("chromium")


@pytest.mark.parametrize("voice", Voice)
@pytest.mark.parametrize("form", [html_report, markdown_report])
def test_each_form_names_the_customer_the_objection_the_seal_the_rule_and_the_software(
    form: Callable[[Report, Voice], str], voice: Voice
) -> None:
    report = make_report(full_record())
    text = form(report, voice).replace("&#x27;", "'")
    for shown in (
        "Mill Lane Bakers", "7 Mill Lane", "Fitted all the same, against this: The voltage of the old part is unknown.",
        *report.seal, "Decision rule: simple acceptance.", f"Report: Meterlink {VERSION}.",
    ):  # fmt: skip
        assert shown in text


def test_times_are_those_of_the_site() -> None:
    # A report is read next to the customer's clock, also where the technician's machine keeps another time.
    report = make_report(replace(full_record(), zone=ZoneInfo("America/Chicago")))
    assert "2026-07-01 08:00:00 UTC-05:00" in [fact.text for fact in report.facts]
    assert "Times are those of the site (America/Chicago), with their offset from UTC." in report.made
    assert report.day == "2026-07-01"


@pytest.mark.skipif(CHROMIUM is None, reason="no headless browser is installed")
@pytest.mark.parametrize("paper", ["A4", "Letter"])
@pytest.mark.parametrize(("count", "pages"), [(3, 1), (10, 2)])
def test_the_customers_report_has_few_pages(tmp_path: Path, paper: str, count: int, pages: int) -> None:
    assert CHROMIUM is not None
    page = html_report(customers_report(count))
    page = page.replace("@page { margin", f"@page {{ size: {paper}; margin")
    (tmp_path / "report.html").write_text(page, encoding="utf-8")
    subprocess.run(
        [CHROMIUM, "--headless", "--no-sandbox", "--disable-gpu", "--no-pdf-header-footer",
         f"--user-data-dir={tmp_path / 'profile'}", f"--print-to-pdf={tmp_path / 'report.pdf'}", "report.html"],
        cwd=tmp_path, check=True, capture_output=True, timeout=100,
    )  # fmt: skip
    printed = PdfReader(tmp_path / "report.pdf").pages
    assert 0 < len(printed) <= pages
    assert (round(printed[0].mediabox.width), round(printed[0].mediabox.height)) == PAPERS[paper]


def test_the_customers_report_has_few_rows() -> None:
    # Where no browser prints it: a row has 11 mm at most, and 250 mm of Letter take 22 of them, beside 100 mm of text.
    html = html_report(make_report(make_record(*TEN_READINGS, replaced={"run capacitor": 5})))
    assert html.count("<tr>") * 11 + 100 <= 2 * 250
