"""The large value, its verdict in a word, and the row with the phase of the reading."""

from typing import NamedTuple

from rich.cells import cell_len
from textual.app import ComposeResult
from textual.containers import Container
from textual.content import Content
from textual.widget import Widget

from meterlink_tui.lettering import DotSize, can_draw, draw_text, text_width
from meterlink_tui.scene import LargeValue, PhaseLine, Tone, VerdictLine

# Tried in this order until number and verdict fit side by side: large, square, condensed, small.
_NUMBER_SIZES = (DotSize(4, 4), DotSize(3, 3), DotSize(2, 2), DotSize(1, 2), DotSize(1, 1))
_VERDICT_SIZES = (DotSize(2, 2), DotSize(1, 1))
_UNIT_GAP = 1
_OUTLINE_COLUMNS = 4  # columns of the verdict's outline and padding, left and right
_GAP_COLUMNS = 1  # columns between number and verdict
_PROGRESS_CELLS = 12
_SMALL_SCREEN_ROWS = 5  # rows; a screen for at most that many rows of lettering is small


class LetterSizes(NamedTuple):
    """The sizes of lettering for number and verdict; None: plain text."""

    number: DotSize | None
    verdict: DotSize | None


def _unit_size(size: DotSize) -> DotSize:
    """Return half the number's size, but at least the smallest lettering."""
    return DotSize(max(1, size.columns // 2), max(1, size.half_rows // 2))


def _number_width(number: LargeValue, size: DotSize) -> int | None:
    if not can_draw(number.digits):
        return None
    unit = _unit_rows(number.unit, size)
    return text_width(number.digits, size) + (_UNIT_GAP + cell_len(unit[-1]) if number.unit else 0)


def _verdict_text(verdict_line: VerdictLine) -> str:
    return f"{verdict_line.mark}\u2009{verdict_line.word}" if verdict_line.word else ""


def choose_sizes(
    number: LargeValue, verdict_line: VerdictLine, width: int, max_rows: int, *, stacked: bool
) -> LetterSizes:
    """Return the largest lettering for ``width`` columns and ``max_rows`` rows a line, stacked or side by side."""
    word = _verdict_text(verdict_line)
    verdict_sizes = [size for size in _VERDICT_SIZES if can_draw(word) and size.rows <= max_rows]
    if stacked:
        verdict = next((size for size in verdict_sizes if text_width(word, size) + _OUTLINE_COLUMNS <= width), None)
        return LetterSizes(_number_size(number, width, max_rows), verdict)
    # Side by side, the verdict always has its smallest lettering: neither size changes with the number of digits.
    for size in verdict_sizes[-1:]:
        room = width - _verdict_width(word, size) - _GAP_COLUMNS
        if number_size := _number_size(number, room, max_rows):
            return LetterSizes(number_size, size)
    return LetterSizes(_number_size(number, width - _verdict_width(word, None) - _GAP_COLUMNS, max_rows), None)


def _number_size(number: LargeValue, width: int, max_rows: int) -> DotSize | None:
    for size in _NUMBER_SIZES:
        needed = _number_width(number, size)
        if needed is not None and needed <= width and size.rows <= max_rows:
            return size
    return None


class BigNumber(Widget):
    """The value in large lettering, its unit smaller beside it."""

    def __init__(self) -> None:
        super().__init__(id="number")
        self._displayed: tuple[LargeValue, DotSize | None] | None = None

    def show(self, number: LargeValue, size: DotSize | None) -> None:
        """Draw ``number`` in lettering of ``size``, or as plain text."""
        if self._displayed != (number, size):
            self._displayed = number, size
            self.refresh()

    def render(self) -> Content:
        """Return the rows of lettering."""
        if self._displayed is None:
            return Content("")
        number, size = self._displayed
        style = "$faint" if number.dim else "bold $strong"
        if size is None:
            return Content.styled(f"{number.digits} {number.unit}", style)
        rows = draw_text(number.digits, size)
        for i, unit in enumerate(reversed(_unit_rows(number.unit, size)), 1):
            rows[-i] += " " * _UNIT_GAP + unit
        return Content("\n").join(Content.styled(row, style) for row in rows)


def _unit_rows(unit: str, size: DotSize) -> list[str]:
    """Return the unit in lettering, with AC or DC as plain text after its last row."""
    symbol, _, coupling = unit.partition(" ")
    if not symbol or not can_draw(symbol):
        return [unit]
    *rows, last = draw_text(symbol, _unit_size(size))
    return [*rows, f"{last} {coupling}" if coupling else last]


class VerdictWord(Widget):
    """The verdict in a word. A heavy outline means 'accepted', a dashed outline 'so far'."""

    def __init__(self) -> None:
        super().__init__(id="verdict")
        self._displayed: tuple[VerdictLine, DotSize | None] | None = None

    def show(self, verdict_line: VerdictLine, size: DotSize | None) -> None:
        """Draw ``verdict_line`` in lettering of ``size``, or as plain text."""
        if self._displayed == (verdict_line, size):
            return
        self._displayed = verdict_line, size
        for name, on in (
            ("-final", verdict_line.final),
            ("-provisional", bool(verdict_line.word) and not verdict_line.final),
        ):
            self.set_class(on, name)
        for tone in ("plain", "good", "bad", "warn"):
            self.set_class(verdict_line.tone == tone, f"-{tone}")
        self.border_title = verdict_line.status
        self.border_subtitle = "CLOSE CALL" if verdict_line.close_call else ""
        self.refresh()

    def render(self) -> Content:
        """Return the mark and the word."""
        if self._displayed is None or not self._displayed[0].word:
            return Content("")
        line, size = self._displayed
        style = f"bold ${line.tone if line.tone != 'plain' else 'strong'}"
        rows = [f"{line.mark} {line.word}"] if size is None else draw_text(_verdict_text(line), size)
        return Content("\n").join(Content.styled(row, style) for row in rows)


class PhaseRow(Widget):
    """The verdict with its status and deviation, then the phase of the reading with its progress."""

    def __init__(self) -> None:
        super().__init__(id="phase")
        self._displayed: tuple[PhaseLine, VerdictLine] | None = None

    def show(self, phase: PhaseLine, verdict_line: VerdictLine) -> None:
        """Display ``verdict_line`` and ``phase``."""
        if self._displayed != (phase, verdict_line):
            self._displayed = phase, verdict_line
            self.refresh(layout=True)

    def render(self) -> Content:
        """Return one line; the widget wraps it."""
        if self._displayed is None:
            return Content("")
        phase, line = self._displayed
        parts: list[Content | tuple[str, str]] = []
        if line.word:
            status = "" if line.final else f", {line.status}"
            close = ", CLOSE CALL" if line.close_call else ""
            deviation = f" {line.deviation}" if line.deviation else ""
            parts.append((f"{line.mark} {line.word}{status}{close}{deviation} · ", f"bold ${line.tone}"))
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

    def show(self, number: LargeValue, verdict_line: VerdictLine, *, width: int, max_rows: int, stacked: bool) -> None:
        """Draw both into ``width`` columns, with lettering of at most ``max_rows`` rows."""
        sizes = choose_sizes(number, verdict_line, width, max_rows, stacked=stacked)
        big, verdict = self.query_one(BigNumber), self.query_one(VerdictWord)
        big.show(number, sizes.number)
        verdict.show(verdict_line, sizes.verdict)
        # A small screen of one column has no rows to spare for an empty verdict.
        verdict.display = bool(verdict_line.word) or not stacked or max_rows > _SMALL_SCREEN_ROWS
        # The height depends on the screen, not on the digits: the rows below stay in place while a value settles.
        big.styles.height = _number_height(sizes.number, max_rows, stacked=stacked)
        verdict.styles.width = "1fr" if stacked else _verdict_width(_verdict_text(verdict_line), sizes.verdict)


def _number_height(size: DotSize | None, max_rows: int, *, stacked: bool) -> int:
    if stacked:
        return size.rows if size else 1
    return max_rows


def _verdict_width(word: str, size: DotSize | None) -> int:
    columns = text_width(word, size) if size else cell_len(word)
    return max(columns, _WIDEST_USUAL) + _OUTLINE_COLUMNS


# All usual verdicts fit in this width: the outline keeps its size when the verdict changes.
_WIDEST_USUAL = text_width("✗\u2009OUTSIDE", DotSize(1, 1))
