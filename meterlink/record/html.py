"""A report as one HTML document: no script, no address of another file, a style sheet for the screen and for paper."""

from collections.abc import Iterable, Sequence
from itertools import groupby

from meterlink.record.markup import NOTHING, Markup, element, join
from meterlink.record.model import (
    BeforeAndAfter,
    CauseEntry,
    DerivedEntry,
    Fact,
    Label,
    Picture,
    ReadingEntry,
    ReplacedPart,
    Report,
    UntestedPoint,
    Voice,
)
from meterlink.record.scale import scale_picture
from meterlink.record.style import STYLE

# Nothing is loaded and nothing runs, also if a name were markup.
_POLICY = "default-src 'none'; img-src data:; style-src 'unsafe-inline'"


def html_report(report: Report, voice: Voice = Voice.CUSTOMER) -> str:
    """Return the report as an HTML document; the customer's has the sentences, the parts and the readings only."""
    body = _customers(report) if voice is Voice.CUSTOMER else _technical(report)
    document = element(
        "html",
        element(
            "head",
            element("meta", charset="utf-8"),
            element("meta", http_equiv="Content-Security-Policy", content=_POLICY),
            element("meta", name="viewport", content="width=device-width, initial-scale=1"),
            element("title", f"{Label.TITLE}: {report.place}"),
            element("style", Markup(STYLE)),
        ),
        element("body", element("main", *body, class_=voice)),
        lang="en",
    )
    return f"<!DOCTYPE html>\n{document}\n"


def _customers(report: Report) -> Iterable[Markup]:
    yield _head(report, report.customer_facts)
    yield _sentences(report)
    yield _section(Label.REPLACED, *map(_replaced, report.replaced))
    yield _readings(report.readings, report.measured)
    yield _section(Label.DERIVED, *(_derived(entry) for entry in report.derived if not entry.missing))
    yield _section(Label.UNTESTED, _list(report.untested_lines))
    yield _section(Label.LEFT, element("p", *_spaced(report.left)))
    yield _photos(report.photos)
    yield _section(Label.CAUTIONS, element("p", report.customer_caution))
    yield _section(Label.LIMITATIONS, element("p", *_spaced(report.limitations)))
    yield _section(Label.MADE, element("p", *_spaced((*report.clock, *report.made)), class_="small"))
    yield _section(Label.SEAL, _list(report.seal))


def _technical(report: Report) -> Iterable[Markup]:
    yield _head(report, report.facts)
    yield _sentences(report)
    yield _section(
        Label.CAUSES, element("p", report.summary), *map(_cause, report.causes), _list(report.diagnosis_notes)
    )
    yield _section(Label.REPLACED, *map(_replaced, report.replaced))
    yield _readings(report.readings)
    yield _section(Label.DETAILS, *map(_details, report.readings))
    yield _section(Label.DERIVED, *map(_derived, report.derived))
    yield _section(Label.UNTESTED, _untested(report.untested))
    yield _section(Label.LEFT, _list(report.left))
    yield _section(Label.PROOFS, _list(report.proofs))
    yield _section(Label.NOTES, _list(report.notes))
    yield _section(Label.UNIT, _facts(report.unit_facts))
    yield _photos(report.photos)
    yield _section(Label.CAUTIONS, _list((*report.cautions, report.customer_caution)))
    yield _section(Label.LIMITATIONS, _list(report.limitations))
    yield _section(Label.MADE, _list((*report.measured, *report.clock, *report.made)))
    yield _section(Label.SEAL, _list(report.seal))


def _head(report: Report, facts: Sequence[Fact]) -> Markup:
    logo = NOTHING
    if report.logo is not None and report.logo.data_uri:
        logo = element("img", src=report.logo.data_uri, alt=report.logo.name, class_="logo")
    firm = join(
        element("p", _name(report.firm), class_="firm") if report.firm else NOTHING,
        element("p", _name(report.firm_address)) if report.firm_address else NOTHING,
    )
    return element(
        "header",
        element("div", logo, element("div", firm), class_="letterhead") if logo or firm else NOTHING,
        element("h1", Label.TITLE),
        element("p", _name(report.place), class_="place"),
        _facts(facts),
    )


def _sentences(report: Report) -> Markup:
    return _section(Label.FOUND_AND_DONE, element("p", report.found), element("p", report.done), class_="sentences")


def _section(title: Label, *content: Markup, class_: str | None = None) -> Markup:
    """Return a section with its heading; nothing where it has no content."""
    if not any(content):
        return NOTHING
    return element("section", element("h2", title), *content, class_=class_)


def _facts(facts: Sequence[Fact]) -> Markup:
    if not facts:
        return NOTHING
    groups = [
        element("div", element("dt", name), *(element("dd", _name(fact.text)) for fact in named))
        for name, named in groupby(facts, key=lambda fact: fact.name)
    ]
    return element("dl", *groups, class_="facts")


def _replaced(part: ReplacedPart) -> Markup:
    title = element("h3", element("bdi", part.part), " ", element("span", part.ratings, class_="ratings"))
    rows = [_before_and_after(point) for point in part.points]
    head = _row("th", Label.TERMINALS, Label.BEFORE, Label.AFTER)
    table = element("table", element("thead", head), element("tbody", *rows), class_="pairs") if rows else NOTHING
    notes = [element("p", part.fitted, class_="small"), element("p", part.objection) if part.objection else NOTHING]
    return element("div", title, table, *notes, class_="part")


def _before_and_after(point: BeforeAndAfter) -> Markup:
    def cell(entry: ReadingEntry | None, text: str) -> Markup:
        if entry is None:
            return element("td", text)
        scale = _scale(entry) if entry.is_on_scale else NOTHING
        return element("td", element("strong", text), " ", _verdict(entry), scale)

    readings = element(
        "tr",
        element("th", element("bdi", point.part), " ", element("span", point.terminals), scope="row"),
        cell(point.before, point.before_text),
        cell(point.after, point.after_text),
    )
    return join(readings, element("tr", element("td", point.conclusion, colspan=3, class_="small")))


def _readings(readings: Sequence[ReadingEntry], measured: Sequence[str] = ()) -> Markup:
    if not readings:
        return NOTHING
    head = _row("th", Label.PART, Label.MEASURED, Label.LIMITS, Label.SCALE, Label.VERDICT)
    rows = [_reading_row(entry) for entry in readings]
    table = element("table", element("thead", head), element("tbody", *rows), class_="readings")
    meters = element("p", *_spaced(measured), class_="small") if measured else NOTHING
    return _section(Label.READINGS, table, element("p", Label.LEGEND, class_="small"), meters)


def _reading_row(entry: ReadingEntry) -> Markup:
    measured = element("strong", entry.text)
    part = element("bdi", entry.part)
    place = element("span", entry.circuit, class_="small")
    remarks = [element("span", remark, class_="remark") for remark in entry.remarks]
    return element(
        "tr",
        element("th", part, " ", element("span", entry.terminals, class_="small terminals"), " ", place, scope="row"),
        element("td", measured if entry.counts else element("del", measured)),
        element("td", entry.limits, class_="limits"),
        element("td", _scale(entry) if entry.is_on_scale else NOTHING),
        element("td", _verdict(entry), *remarks),
        class_=None if entry.counts else "void",
    )


def _verdict(entry: ReadingEntry | DerivedEntry) -> Markup:
    words = join(element("span", entry.mark, class_="mark"), Markup(" "), element("span", entry.verdict))
    counts = not isinstance(entry, ReadingEntry) or entry.counts
    return element("span", words if counts else element("del", words), class_=f"verdict {entry.mark.name.lower()}")


def _scale(entry: ReadingEntry) -> Markup:
    return scale_picture(entry, class_="scale", role="img", aria_label=entry.scale)


def _details(entry: ReadingEntry) -> Markup:
    title = element(
        "h3", element("bdi", entry.part), " ", element("span", entry.terminals), " ", element("span", entry.text)
    )
    earlier = [
        element(
            "li",
            element("span", before.time),
            " ",
            element("span", before.verdict),
            " ",
            element("span", before.reason),
        )
        for before in entry.earlier
    ]
    return element(
        "div",
        title,
        _facts(entry.details),
        _list(entry.remarks),
        element("ul", *earlier) if earlier else NOTHING,
        class_="details",
    )


def _derived(entry: DerivedEntry) -> Markup:
    return element(
        "div",
        element("h3", element("bdi", entry.title), " ", element("span", entry.value), " ", _verdict(entry)),
        element("p", element("span", entry.text), " ", element("span", entry.basis, class_="small")),
        element("p", element("span", Label.MISSING), " ", *_spaced(entry.missing)) if entry.missing else NOTHING,
    )


def _cause(cause: CauseEntry) -> Markup:
    title = element("h3", element("span", cause.title), " ", element("span", cause.confidence, class_="ratings"))
    return element("div", title, _facts(cause.evidence), class_="details")


def _untested(points: Sequence[UntestedPoint]) -> Markup:
    if not points:
        return NOTHING
    return element("ul", *(element("li", point.text) for point in points), class_="short")


def _photos(photos: Sequence[Picture]) -> Markup:
    figures = [
        element(
            "figure",
            element("img", src=photo.data_uri, alt=photo.name) if photo.data_uri else NOTHING,
            element("figcaption", element("span", photo.name), " ", element("span", photo.remark)),
        )
        for photo in photos
    ]
    return _section(Label.PHOTOS, element("div", *figures, class_="photos") if figures else NOTHING)


def _list(texts: Sequence[str]) -> Markup:
    return element("ul", *(element("li", text) for text in texts)) if texts else NOTHING


def _spaced(texts: Sequence[str]) -> Iterable[Markup]:
    for text in texts:
        yield element("span", text)
        yield Markup(" ")


def _row(cell: str, *texts: str) -> Markup:
    return element("tr", *(element(cell, text, scope="col") for text in texts))


def _name(text: str) -> Markup:
    return element("bdi", text)
