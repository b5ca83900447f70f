"""Accepted and raw readings as lines of the record's screens: pure, every text cleaned."""

from datetime import UTC, datetime

from rich.cells import cell_len
from textual.content import Content

from meterlink.core.text import clean_text
from meterlink.core.verdicts import Margin
from meterlink.notebook.record import (
    ClockStep,
    HistoryRow,
    RawLine,
    StoredGap,
    StoredReading,
    lasted_text,
    lost_text,
    step_text,
)
from meterlink_tui.scene import Tone, verdict_word

NARROW, WIDE = 60, 110  # columns: below the first, and from the second, the rows are arranged in another way
_PART_COLUMN = 62  # behind the longest verdict: outside, close call changed
_TEXT_WIDTH = 12  # columns of a value with its unit: 230.4 V AC
_LONGEST = 60  # characters of a name
VOIDED = "VOIDED"
CLOSE_CALL = "≈"
_DECODED_AGAIN = "decoded again"
_GAP_RULE = "──"


def local_time(utc_ns: int, clock_set: bool | None, *, seconds: bool = False) -> str:  # noqa: FBT001  # as stored
    """Return a time as ``2026-11-03 14:05`` of this machine's zone; with ``?`` where the clock was not set."""
    try:
        moment = datetime.fromtimestamp(utc_ns // 1_000_000_000, UTC).astimezone()
        text = f"{moment:%Y-%m-%d %H:%M:%S}"
    except (ValueError, OverflowError, OSError):  # before 1970 some platforms have no time zones
        return "time unknown    "
    if seconds:
        text = f"{text}.{utc_ns // 1_000_000 % 1000:03}"
    return f"{text if seconds else text[:16]}{'?' if clock_set is False else ''}"


def part_name(row: HistoryRow) -> str:
    """Return the part: ``run capacitor HERM``."""
    return clean_text(f"{row.component} {row.section}", _LONGEST)


def place_name(row: HistoryRow) -> str:
    """Return unit and site: ``Condenser 1, Mill Lane bakery``."""
    return f"{clean_text(row.site.unit, _LONGEST)}, {clean_text(row.site.name, _LONGEST)}"


def verdict_mark(verdict: str, margin: Margin | None) -> tuple[str, Tone]:
    """Return the mark and the tone of a verdict; a close call looks like neither a pass nor a fail."""
    if margin is Margin.CLOSE_CALL:
        return CLOSE_CALL, Tone.WARN
    _, mark, tone = verdict_word(verdict)
    return mark, tone


def verdict_text(verdict: str, margin: Margin | None) -> str:
    """Return a verdict in lower case, with its close call: ``outside, close call``."""
    return f"{clean_text(verdict)}{', close call' if margin is Margin.CLOSE_CALL else ''}"


def accepted_lines(row: HistoryRow, width: int) -> Content:
    """Return an accepted reading on one line of ``width`` columns, on two below `WIDE`, on three below `NARROW`.

    Value and verdict are whole; of the names the end is cut. A voided reading is struck through, and says so; one whose
    packet was decoded again says so, with the display that was accepted where the line has room for all of it.
    """
    value = clean_text(row.reading.text)
    value = value if width < NARROW else f"{value:>{_TEXT_WIDTH}}"
    time_text = (local_time(row.reading.timestamp.utc_ns, row.clock_set), "$faint")
    value_and_verdict = _value_and_verdict(row, value)
    room = width - value_and_verdict.cell_length - (0 if width < NARROW else len(time_text[0]) + 1)
    value_and_verdict = Content.assemble(value_and_verdict, _change(row, room))
    part, place = (part_name(row), "$strong"), (place_name(row), "$faint")
    if width < NARROW:
        lines = [value_and_verdict, Content.assemble("  ", time_text, " ", part), Content.assemble("  ", place)]
    elif width < WIDE:
        lines = [
            Content.assemble(time_text, " ", value_and_verdict),
            Content.assemble("  ", part, (" · ", "$faint"), place),
        ]
    else:
        line = Content.assemble(time_text, " ", value_and_verdict)
        gap = " " * max(2, _PART_COLUMN - line.cell_length)
        lines = [Content.assemble(line, gap, part, (" · ", "$faint"), place)]
    return Content("\n").join(_fitted(line, width) for line in lines)


def accepted_height(width: int) -> int:
    """Return the number of lines of an accepted reading."""
    return 3 if width < NARROW else 2 if width < WIDE else 1


def _value_and_verdict(row: HistoryRow, value: str) -> Content:
    mark, tone = verdict_mark(row.judgement.verdict, row.judgement.margin)
    if row.void_reason is not None:
        verdict = f"{mark} {clean_text(row.judgement.verdict)}"
        return Content.assemble((value, "strike $faint"), "  ", (VOIDED, "bold $warn"), " ", (verdict, "strike $faint"))
    verdict = f"{mark} {verdict_text(row.judgement.verdict, row.judgement.margin)}"
    return Content.assemble((value, "bold $strong"), "  ", (verdict, f"bold ${tone}"))


def _change(row: HistoryRow, room: int) -> Content:
    """Return the change of the reading since it was accepted, in at most ``room`` columns; half a number misleads."""
    if row.correction is not None:
        whole = f"  {_DECODED_AGAIN}, accepted as {clean_text(row.correction.accepted_as)}"
        return Content.assemble((whole if cell_len(whole) <= room else f"  {_DECODED_AGAIN}", "bold $warn"))
    return Content.assemble((" changed", "$warn") if row.revision > 1 and row.void_reason is None else "")


def raw_line(line: RawLine, width: int) -> Content:
    """Return a line of the raw readings: a reading, or the gap or the step of the clock that lies between two."""
    match line.content:
        case StoredReading() as reading:
            content = _reading_line(reading, width)
        case StoredGap() as gap:
            meter = clean_text(gap.meter.name or gap.meter.address)
            content = _gap_line(gap.began.utc_ns, f"{gap.cause}, {lasted_text(gap)}", meter, lost_text(gap), width)
        case ClockStep() as step:
            content = _gap_line(step.before.utc_ns, step_text(step), "", "", width)
    return _fitted(content, width)


def _gap_line(utc_ns: int, cause: str, meter: str, lost: str, width: int) -> Content:
    """Return time, cause, meter and number of the lost; the rule tells it from a reading without colours, too."""
    time_text = local_time(utc_ns, None, seconds=True)[: -len(".000")]
    time_text = time_text[11:] if width < NARROW else time_text
    return Content.assemble(
        (time_text, "$faint"), " ", (f"{_GAP_RULE} {cause}", "bold $warn"), (f"  {meter}" if meter else "", "$strong"),
        (f"  {lost} lost" if lost else "", "$faint"),
    )  # fmt: skip


def _reading_line(reading: StoredReading, width: int) -> Content:
    """Return time, value, meter, the words of an unusual value, test point."""
    time_text = local_time(reading.reading.timestamp.utc_ns, reading.clock_set, seconds=True)
    if width < NARROW:
        time_text = time_text[11:]
    meter = clean_text(reading.meter.name or reading.meter.address)
    marks = [
        word
        for word, applies in (
            ("overload", reading.reading.status == "overload"),
            ("no value", reading.reading.status == "invalid"),
            ("display hold", reading.reading.display_hold),
            ("relative", reading.reading.relative),
            ("low battery", reading.reading.low_battery),
        )
        if applies
    ]
    return Content.assemble(
        (time_text, "$faint"), " ", (f"{clean_text(reading.reading.text):>{_TEXT_WIDTH}}", "bold $strong"),
        "  ", (meter, "$strong"), (f"  {' '.join(marks)}" if marks else "", "bold $warn"),
        (f"  {clean_text(reading.point_key)}" if reading.point_key else "", "$faint"),
    )  # fmt: skip


def _fitted(content: Content, width: int) -> Content:
    if cell_len(content.plain) <= width:
        return content.pad_right(width - cell_len(content.plain))
    return content.truncate(width, ellipsis=True)
