"""A report as Markdown, for a ticket or a mail: every text is escaped, so that it is no markup."""

import re
from collections.abc import Iterable, Iterator, Sequence

from meterlink.record.model import DerivedEntry, Fact, Label, ReadingEntry, Report, Voice

_SPECIAL = re.compile(r"([\\`*_{}\[\]<>#|~!&])")
_ADDRESS = re.compile(r"(:)(?=//)|(?<=www)(\.)", re.IGNORECASE)  # many programs make a link of a bare address
_OPENING = re.compile(r"^([-+=:]|[0-9]+[.)])")  # a list, a rule or the line under a heading


def markdown_report(report: Report, voice: Voice = Voice.CUSTOMER) -> str:
    """Return the report as Markdown; pictures are named only."""
    sections = _common(report, voice) if voice is Voice.CUSTOMER else [*_common(report, voice), *_technical(report)]
    lines = [f"# {Label.TITLE}", "", f"**{_escape(report.place)}**", ""]
    if report.firm:
        lines = [f"**{_escape(report.firm)}**  ", _escape_line(report.firm_address), "", *lines]
    for title, content in sections:
        if any(content):
            lines += [f"## {title}", "", *content, ""]
    return "\n".join(lines).rstrip() + "\n"


def _common(report: Report, voice: Voice) -> list[tuple[str, list[str]]]:
    untested = report.untested_lines if voice is Voice.CUSTOMER else [point.text for point in report.untested]
    return [
        (Label.VISIT, _fact_lines(report.facts)),
        (Label.FOUND_AND_DONE, [_escape(report.found), "", _escape(report.done)]),
        (Label.REPLACED, list(_replaced_lines(report))),
        (Label.READINGS, list(_reading_lines(report.readings))),
        (Label.DERIVED, [line for entry in report.derived for line in _derived_lines(entry)]),
        (Label.UNTESTED, _list(untested)),
        (Label.LEFT, _list(report.left)),
        (Label.PHOTOS, _list(f"{photo.name} {photo.remark}".rstrip() for photo in report.photos)),
        (Label.CAUTIONS, _list((*(report.cautions if voice is Voice.TECHNICAL else ()), report.customer_caution))),
        (Label.LIMITATIONS, _list(report.limitations)),
        (Label.MADE, _list((*report.measured, *report.clock, *report.made))),
        (Label.SEAL, _list(report.seal)),
    ]


def _technical(report: Report) -> list[tuple[str, list[str]]]:
    return [
        (Label.CAUSES, list(_cause_lines(report))),
        (Label.DETAILS, [line for entry in report.readings for line in _detail_lines(entry)]),
        (Label.PROOFS, _list(report.proofs)),
        (Label.NOTES, _list(report.notes)),
        (Label.UNIT, _fact_lines(report.unit_facts)),
    ]


def _replaced_lines(report: Report) -> Iterator[str]:
    for part in report.replaced:
        remarks = f"{part.fitted} {part.objection}".rstrip()
        yield f"**{_escape(part.part)}**, {_escape(part.ratings)}. {_escape(remarks)}"
        yield ""
        if part.points:
            yield _row((Label.TERMINALS, Label.BEFORE, Label.AFTER, Label.VERDICT))
            yield _row(["---"] * 4)
            for point in part.points:
                yield _row((f"{point.part} {point.terminals}", point.before_text, point.after_text, point.conclusion))
            yield ""


def _reading_lines(readings: Sequence[ReadingEntry]) -> Iterator[str]:
    if not readings:
        return
    yield _row((Label.PART, Label.MEASURED, Label.LIMITS, Label.VERDICT, Label.REMARKS))
    yield _row(["---"] * 5)
    for entry in readings:
        struck = "" if entry.counts else "~~"
        cells = [
            _escape(f"{entry.part} {entry.terminals}"),
            f"{struck}{_escape(entry.text)}{struck}",
            _escape(entry.limits),
            f"{struck}{_escape(f'{entry.mark} {entry.verdict}')}{struck}",
            _escape("; ".join(entry.remarks)),
        ]
        yield f"| {' | '.join(cells)} |"
    yield ""
    yield Label.LEGEND


def _derived_lines(entry: DerivedEntry) -> Iterator[str]:
    yield f"- **{_escape(entry.title)}**: {_escape(f'{entry.value}, {entry.mark} {entry.verdict}')}"
    yield f"  {_escape_line(entry.text)} {_escape(entry.basis)}"
    if entry.missing:
        yield f"  {Label.MISSING}: {_escape(', '.join(entry.missing))}"


def _cause_lines(report: Report) -> Iterator[str]:
    yield _escape_line(report.summary)
    yield ""
    for cause in report.causes:
        yield f"- **{_escape(cause.title)}**: {cause.confidence}"
        yield from (f"  {line}" for line in _fact_lines(cause.evidence))
    yield from _list(report.diagnosis_notes)


def _detail_lines(entry: ReadingEntry) -> Iterator[str]:
    yield f"- **{_escape(f'{entry.part} {entry.terminals} {entry.text}')}**"
    yield from (f"  {line}" for line in _fact_lines(entry.details))
    for before in entry.earlier:
        yield f"  - {before.time}: {_escape(before.verdict)}. {_escape(before.reason)}"


def _fact_lines(facts: Sequence[Fact]) -> list[str]:
    return [f"- {_escape(fact.name)}: {_escape(fact.text)}" for fact in facts]


def _list(texts: Iterable[str]) -> list[str]:
    return [f"- {_escape_line(text)}" for text in texts]


def _row(cells: Iterable[str]) -> str:
    return f"| {' | '.join(cell if cell == '---' else _escape(cell) for cell in cells)} |"


def _escape_line(text: str) -> str:
    """Return a text that stands at the beginning of a line, or of an item."""
    return _OPENING.sub(_escape_opening, _escape(text))


def _escape_opening(found: re.Match[str]) -> str:
    opening = found[0]
    return f"{opening[:-1]}\\{opening[-1]}"


def _escape(text: str) -> str:
    return _ADDRESS.sub(lambda found: f"\\{found[0]}", _SPECIAL.sub(r"\\\1", text))
