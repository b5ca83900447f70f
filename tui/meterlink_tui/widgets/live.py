"""The large value, its verdict in a word, and the row with the phase of the reading."""

import asyncio
from collections.abc import Iterator
from functools import lru_cache
from typing import NamedTuple

from rich.cells import cell_len
from textual.app import ComposeResult
from textual.containers import Container
from textual.content import Content
from textual.widget import Widget

from meterlink_tui.lettering import DOTS_TALL, DotSize, can_draw, dot_sizes, draw_text, text_dots, text_width
from meterlink_tui.scene import LargeValue, PhaseLine, Tone, VerdictLine

_UNIT_GAP = 1
_OUTLINE_COLUMNS = 4  # columns of the verdict's outline and padding, left and right
_GAP_COLUMNS = 1  # columns between number and verdict
_PROGRESS_CELLS = 12
_SMALLEST = DotSize(1, 1)
_OUTLINE_ROWS = 2  # above and below the verdict
# A usual value has four digits and a point. A value with fewer has the same size: it must not jump from 9.99 to 10.01.
_USUAL_DOTS = text_dots("00.00")
_USUAL_VERDICT, _LONG_VERDICT = "✗\u2009OUTSIDE", "?\u2009NOTHING FLOWS"
_NO_LIMIT = 200  # rows; no terminal has more
FLASH_TIME = 0.25  # s; seen from the corner of the eye, gone before the eye is there
# At most three flashes in a second are safe for people with photosensitive epilepsy (WCAG 2.2, 2.3.1; from memory).
FLASH_INTERVAL = 1.0  # s


class LetterSizes(NamedTuple):
    """The sizes of lettering for number and verdict, None: plain text; and the lines of the verdict."""

    number: DotSize | None
    verdict: DotSize | None
    verdict_lines: tuple[str, ...]


def _unit_width(unit: str, size: DotSize) -> int:
    """Return the columns of the unit with the gap in front of it, as `_unit_rows` draws it."""
    symbol, _, coupling = unit.partition(" ")
    if not symbol or not can_draw(symbol):
        return _UNIT_GAP + cell_len(unit) if unit else 0
    return _UNIT_GAP + text_width(symbol, size) + (1 + cell_len(coupling) if coupling else 0)


def _verdict_text(verdict_line: VerdictLine) -> str:
    return f"{verdict_line.mark}\u2009{verdict_line.word}" if verdict_line.word else ""


@lru_cache(maxsize=64)
def _number_size(number: LargeValue, width: int, rows: int) -> DotSize | None:
    """Return the largest lettering for the number with its unit beside it; None: plain text."""
    if not can_draw(number.digits):
        return None
    dots = max(text_dots(number.digits), _USUAL_DOTS)
    candidates = (
        DotSize(min(half_rows, (width - _unit_width(number.unit, unit_size)) // dots), half_rows)
        for half_rows in range(min(2 * rows // DOTS_TALL, 2 * width // dots), 0, -1)
        for unit_size in _unit_sizes(half_rows)
    )
    return next((size for size in candidates if size.columns > 0 and 2 * size.columns >= size.half_rows), None)


def _unit_sizes(half_rows: int) -> Iterator[DotSize]:
    """Yield the sizes of a unit beside digits of that size: half of it, and smaller ones."""
    return (DotSize(half, half) for half in range(max(1, half_rows // 2), 0, -1))


@lru_cache(maxsize=64)
def _verdict_lines(text: str, width: int, rows: int) -> tuple[tuple[str, ...], DotSize | None]:
    """Return the lines of a verdict in the largest lettering; in two lines where one is too long."""
    if not can_draw(text):
        return (text,), None
    head, _, tail = text.partition(" ")
    best: tuple[tuple[str, ...], DotSize | None] = (text,), None
    for lines in ((text,), (head, tail)) if tail else ((text,),):
        size = next(dot_sizes(max(map(text_dots, lines)), width, rows // len(lines)), None)
        if size and (best[1] is None or size.half_rows > best[1].half_rows):
            best = lines, size
    return best


def choose_sizes(
    number: LargeValue, verdict_line: VerdictLine, width: int, rows: tuple[int, int], *, stacked: bool, outlined: bool
) -> LetterSizes:
    """Return the largest lettering for ``width`` columns, stacked or side by side.

    ``rows`` are those for the number and those for the verdict without its outline.
    """
    word = _verdict_text(verdict_line)
    outline = _OUTLINE_COLUMNS if outlined else 0
    if stacked:
        lines, verdict = _verdict_lines(word, width - outline, rows[1])
        return LetterSizes(_number_size(number, width, rows[0]), verdict, lines)
    # Side by side, the verdict always has its smallest lettering: neither size changes with the number of digits.
    if can_draw(word) and rows[1] >= _SMALLEST.rows:
        size = _number_size(number, width - _verdict_width(word, _SMALLEST) - _GAP_COLUMNS, rows[0])
        if size is not None:
            return LetterSizes(size, _SMALLEST, (word,))
    return LetterSizes(_number_size(number, width - _verdict_width(word, None) - _GAP_COLUMNS, rows[0]), None, (word,))


class UsefulRows(NamedTuple):
    """The most rows that the digits fill, and the least and the most rows of lettering of any verdict."""

    most_digits: int
    least_verdict: int
    most_verdict: int


def useful_rows(number: LargeValue, width: int) -> UsefulRows:
    """Return the rows of lettering that ``width`` columns have a use for, number and verdict one above the other.

    They do not depend on the verdict, so the digits stay in place when it changes.
    """
    size = _number_size(number, width, _NO_LIMIT)
    usual = next(dot_sizes(text_dots(_USUAL_VERDICT), width, _NO_LIMIT), _SMALLEST)
    least = _SMALLEST.rows if text_dots(_LONG_VERDICT) <= width else 2 * _SMALLEST.rows  # it needs a second line
    return UsefulRows(size.rows if size else 1, least, max(least, usual.rows))


class BigNumber(Widget):
    """The value in large lettering, its unit smaller beside it."""

    def __init__(self) -> None:
        super().__init__(id="number")
        self._displayed: tuple[LargeValue, DotSize | None, int] | None = None

    def show(self, number: LargeValue, size: DotSize | None, width: int) -> None:
        """Draw ``number`` into ``width`` columns in lettering of ``size``, or as plain text."""
        if self._displayed != (number, size, width):
            self._displayed = number, size, width
            self.refresh()

    def render(self) -> Content:
        """Return the rows of lettering."""
        if self._displayed is None:
            return Content("")
        number, size, width = self._displayed
        style = "$faint" if number.dim else "bold $strong"
        if size is None:
            return Content.styled(f"{number.digits} {number.unit}", style)
        rows = draw_text(number.digits, size)
        room = width - text_width(number.digits, size)
        fitting = (unit for unit in _unit_sizes(size.half_rows) if _unit_width(number.unit, unit) <= room)
        unit_rows = _unit_rows(number.unit, next(fitting, _SMALLEST))
        for i, unit in enumerate(reversed(unit_rows), 1):
            rows[-i] += " " * _UNIT_GAP + unit
        return Content("\n").join(Content.styled(row, style) for row in rows)


def _unit_rows(unit: str, size: DotSize) -> list[str]:
    """Return the unit in lettering, with AC or DC as plain text after its last row."""
    symbol, _, coupling = unit.partition(" ")
    if not symbol or not can_draw(symbol):
        return [unit]
    *rows, last = draw_text(symbol, size)
    return [*rows, f"{last} {coupling}" if coupling else last]


class VerdictWord(Widget):
    """The verdict in a word. A heavy outline means 'accepted', a dashed one 'so far', a double one a close call."""

    def __init__(self) -> None:
        super().__init__(id="verdict")
        self._displayed: tuple[VerdictLine, tuple[str, ...], DotSize | None] | None = None
        self._flash_end: asyncio.TimerHandle | None = None
        self._next_flash = float("-inf")  # s of the loop's time

    def show(self, verdict_line: VerdictLine, lines: tuple[str, ...], size: DotSize | None) -> None:
        """Draw ``verdict_line`` in ``lines`` of lettering of ``size``, or as plain text."""
        if self._displayed == (verdict_line, lines, size):
            return
        self._displayed = verdict_line, lines, size
        for name, on in (
            ("-final", verdict_line.final),
            ("-provisional", bool(verdict_line.word) and not verdict_line.final),
            ("-close", bool(verdict_line.leaning)),
        ):
            self.set_class(on, name)
        for tone in ("plain", "good", "bad", "warn"):
            self.set_class(verdict_line.tone == tone, f"-{tone}")
        self.border_title = verdict_line.status
        self.border_subtitle = verdict_line.leaning
        self.refresh()

    def flash(self) -> None:
        """Reverse this widget once, for `FLASH_TIME`; at most once in `FLASH_INTERVAL`."""
        loop = asyncio.get_running_loop()
        if loop.time() >= self._next_flash:
            self._next_flash = loop.time() + FLASH_INTERVAL
            self.add_class("-flash")
            self._flash_end = loop.call_later(FLASH_TIME, self._end_flash)

    def _end_flash(self) -> None:
        self._flash_end = None
        self.remove_class("-flash")

    def on_unmount(self) -> None:
        """Forget the end of a flash."""
        if self._flash_end is not None:
            self._flash_end.cancel()

    def render(self) -> Content:
        """Return the mark and the word."""
        if self._displayed is None or not self._displayed[0].word:
            return Content("")
        line, lines, size = self._displayed
        tone = "on-strong" if self.has_class("-flash") else line.tone if line.tone != "plain" else "strong"
        rows = [f"{line.mark} {line.word}"]
        if size is not None:
            rows = [row for text in lines for row in draw_text(text, size)]
        return Content("\n").join(Content.styled(row, f"bold ${tone}") for row in rows)


@lru_cache(maxsize=8)
def phase_content(phase: PhaseLine, line: VerdictLine) -> Content:
    """Return the verdict with its status and deviation, then the phase of the reading with its progress."""
    parts: list[Content | tuple[str, str]] = []
    if line.word:
        status = "" if line.final or not line.status else f", {line.status}"
        leaning = f", {line.leaning}" if line.leaning else ""
        deviation = f" {line.deviation}" if line.deviation else ""
        parts.append((f"{line.mark} {line.word}{status}{leaning}{deviation} · ", f"bold ${line.tone}"))
    style = "bold $warn" if phase.tone is Tone.WARN else "bold $strong"
    parts.append((phase.word, style))
    if phase.progress is not None:
        full_cells = round(phase.progress * _PROGRESS_CELLS)
        parts.append((f" {'█' * full_cells}{'░' * (_PROGRESS_CELLS - full_cells)}", "$strong"))
    if phase.detail:
        parts.append((f" {phase.detail}", "$faint"))
    return Content.assemble(*parts)


class LivePanel(Container):
    """Number and verdict in the largest lettering that fits, side by side or stacked."""

    def __init__(self) -> None:
        super().__init__(id="live")

    def compose(self) -> ComposeResult:
        """Yield the number, then the verdict."""
        yield BigNumber()
        yield VerdictWord()

    def show(
        self,
        number: LargeValue,
        verdict_line: VerdictLine,
        *,
        width: int,
        rows: tuple[int, int],
        stacked: bool,
        outlined: bool,
    ) -> None:
        """Draw both into ``width`` columns; ``rows`` are those for the number and for the verdict with its outline."""
        inner = rows[0], rows[1] - (_OUTLINE_ROWS if outlined else 0)
        sizes = choose_sizes(number, verdict_line, width, inner, stacked=stacked, outlined=outlined)
        big, verdict = self.query_one(BigNumber), self.query_one(VerdictWord)
        word = _verdict_text(verdict_line)
        number_width = width if stacked else width - _verdict_width(word, sizes.verdict) - _GAP_COLUMNS
        big.show(number, sizes.number, number_width)
        verdict.show(verdict_line, sizes.verdict_lines, sizes.verdict)
        verdict.set_class(not outlined, "-plain-outline")
        verdict.display = rows[1] > 0
        # The height depends on the screen, not on the digits: the rows below stay in place while a value settles.
        big.styles.height = rows[0]
        # A small screen of one column has no rows to spare for a word in plain text.
        is_small = stacked and sizes.verdict is None and rows[1] <= _SMALLEST.rows
        verdict.styles.height = 1 if is_small else rows[1]
        verdict.styles.width = "1fr" if stacked else _verdict_width(word, sizes.verdict)


def _verdict_width(word: str, size: DotSize | None) -> int:
    columns = text_width(word, size) if size else cell_len(word)
    return max(columns, _WIDEST_USUAL) + _OUTLINE_COLUMNS


# All usual verdicts fit in this width: the outline keeps its size when the verdict changes.
_WIDEST_USUAL = text_width(_USUAL_VERDICT, _SMALLEST)
