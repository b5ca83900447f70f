"""The large value, its verdict in a word, and the row under them that says what the reading is doing."""

from typing import NamedTuple

from rich.cells import cell_len
from textual.app import ComposeResult
from textual.containers import Container
from textual.content import Content
from textual.widget import Widget

from meterlink_tui.lettering import DotSize, can_draw, draw_text, text_width
from meterlink_tui.scene import LargeValue, PhaseLine, VerdictLine

# Tried in this order until number and verdict fit side by side: large and square, as tall but condensed, small.
_NUMBER_SIZES = (DotSize(4, 4), DotSize(3, 3), DotSize(2, 2), DotSize(1, 2), DotSize(1, 1))
_VERDICT_SIZES = (DotSize(2, 2), DotSize(1, 1))
_UNIT_GAP = 1
_OUTLINE_COLUMNS = 4  # columns the verdict's outline and padding take, both sides together
_GAP_COLUMNS = 1  # columns between number and verdict
_PROGRESS_CELLS = 12
_SMALL_SCREEN_ROWS = 5  # rows of lettering at most: a small screen


class LetterSizes(NamedTuple):
    """The sizes of lettering that a place has room for; None: plain text."""

    number: DotSize | None
    verdict: DotSize | None


def _unit_size(size: DotSize) -> DotSize:
    """The unit stands smaller than its number, in no less than the smallest lettering."""
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
    """Choose the largest lettering for ``width`` columns and ``tallest`` rows a line, stacked or side by side."""
    word = _verdict_text(verdict_line)
    rulings = [size for size in _VERDICT_SIZES if can_draw(word) and size.rows <= max_rows]
    if stacked:
        verdict = next((size for size in rulings if text_width(word, size) + _OUTLINE_COLUMNS <= width), None)
        return LetterSizes(_number_size(number, width, max_rows), verdict)
    # Side by side the number goes first; the verdict keeps its small lettering, so that both stay as they are while
    # digits come and go.
    for size in rulings[-1:]:
        room = width - _verdict_width(word, size) - _GAP_COLUMNS
        if chosen := _number_size(number, room, max_rows):
            return LetterSizes(chosen, size)
    return LetterSizes(_number_size(number, width - _verdict_width(word, None) - _GAP_COLUMNS, max_rows), None)


def _number_size(number: LargeValue, width: int, max_rows: int) -> DotSize | None:
    for size in _NUMBER_SIZES:
        needed = _number_width(number, size)
        if needed is not None and needed <= width and size.rows <= max_rows:
            return size
    return None


class BigNumber(Widget):
    """The value as large as it fits, its unit smaller beside it."""

    def __init__(self) -> None:
        super().__init__(id="number")
        self._shown: tuple[LargeValue, DotSize | None] | None = None

    def show(self, number: LargeValue, size: DotSize | None) -> None:
        """Draw ``number`` in lettering of ``size``, or as plain text."""
        if self._shown != (number, size):
            self._shown = number, size
            self.refresh()

    def render(self) -> Content:
        """Return the rows of lettering."""
        if self._shown is None:
            return Content("")
        number, size = self._shown
        style = "$faint" if number.dim else "bold $strong"
        if size is None:
            return Content.styled(f"{number.digits} {number.unit}", style)
        rows = draw_text(number.digits, size)
        for i, unit in enumerate(reversed(_unit_rows(number.unit, size)), 1):
            rows[-i] += " " * _UNIT_GAP + unit
        return Content("\n").join(Content.styled(row, style) for row in rows)


def _unit_rows(unit: str, size: DotSize) -> list[str]:
    """The unit in lettering, AC or DC after it as plain text on the last row."""
    symbol, _, coupling = unit.partition(" ")
    if not symbol or not can_draw(symbol):
        return [unit]
    *rows, last = draw_text(symbol, _unit_size(size))
    return [*rows, f"{last} {coupling}" if coupling else last]


class VerdictWord(Widget):
    """The verdict in a word. A heavy outline says 'held', a dashed one 'so far'."""

    def __init__(self) -> None:
        super().__init__(id="verdict")
        self._shown: tuple[VerdictLine, DotSize | None] | None = None

    def show(self, verdict_line: VerdictLine, size: DotSize | None) -> None:
        """Draw ``ruling`` in lettering of ``size``, or as plain text."""
        if self._shown == (verdict_line, size):
            return
        self._shown = verdict_line, size
        for name, on in (
            ("-firm", verdict_line.final),
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
        if self._shown is None or not self._shown[0].word:
            return Content("")
        ruling, size = self._shown
        style = f"bold ${ruling.tone if ruling.tone != 'plain' else 'strong'}"
        rows = [f"{ruling.mark} {ruling.word}"] if size is None else draw_text(_verdict_text(ruling), size)
        return Content("\n").join(Content.styled(row, style) for row in rows)


class PhaseRow(Widget):
    """Settling with its progress, held or idle; then the deviation and how firm the verdict is, in words."""

    def __init__(self) -> None:
        super().__init__(id="phase")
        self._shown: tuple[PhaseLine, VerdictLine] | None = None

    def show(self, phase: PhaseLine, verdict_line: VerdictLine) -> None:
        """Say ``phase`` and what it means for ``ruling``."""
        if self._shown != (phase, verdict_line):
            self._shown = phase, verdict_line
            self.refresh(layout=True)

    def render(self) -> Content:
        """Return one line, or more where it has to wrap."""
        if self._shown is None:
            return Content("")
        phase, ruling = self._shown
        parts: list[Content | tuple[str, str]] = []
        if ruling.word:
            standing = "" if ruling.final else f", {ruling.status}"
            close = ", CLOSE CALL" if ruling.close_call else ""
            deviation = f" {ruling.deviation}" if ruling.deviation else ""
            parts.append((f"{ruling.mark} {ruling.word}{standing}{close}{deviation} · ", f"bold ${ruling.tone}"))
        style = "bold $warn" if phase.tone == "warn" else "bold $strong"
        parts.append((phase.word, style))
        if phase.progress is not None:
            done = round(phase.progress * _PROGRESS_CELLS)
            parts.append((f" {'█' * done}{'░' * (_PROGRESS_CELLS - done)}", "$strong"))
        if phase.detail:
            parts.append((f" {phase.detail}", "$faint"))
        return Content.assemble(*parts)


class LivePanel(Container):
    """Number and verdict, side by side or one above the other, in the largest lettering there is room for."""

    def __init__(self) -> None:
        super().__init__(id="live")
        self._drawn: tuple[LargeValue, VerdictLine] | None = None

    def compose(self) -> ComposeResult:
        """Number first: it is what is looked at from furthest away."""
        yield BigNumber()
        yield VerdictWord()

    def show(self, number: LargeValue, verdict_line: VerdictLine, *, width: int, max_rows: int, stacked: bool) -> None:
        """Draw both into ``width`` columns with lettering of at most ``tallest`` rows."""
        chosen = choose_sizes(number, verdict_line, width, max_rows, stacked=stacked)
        big, verdict = self.query_one(BigNumber), self.query_one(VerdictWord)
        big.show(number, chosen.number)
        verdict.show(verdict_line, chosen.verdict)
        # One column is too short to keep room for a verdict that is not there.
        verdict.display = bool(verdict_line.word) or not stacked or max_rows > _SMALL_SCREEN_ROWS
        # Heights follow the room, not the digits, so nothing below jumps while a value settles.
        big.styles.height = _number_height(chosen.number, max_rows, stacked=stacked)
        verdict.styles.width = "1fr" if stacked else _verdict_width(_verdict_text(verdict_line), chosen.verdict)


def _number_height(size: DotSize | None, max_rows: int, *, stacked: bool) -> int:
    if stacked:
        return size.rows if size else 1
    return max_rows


def _verdict_width(word: str, size: DotSize | None) -> int:
    drawn = text_width(word, size) if size else cell_len(word)
    return max(drawn, _WIDEST_USUAL) + _OUTLINE_COLUMNS


# The usual verdicts all fit in this, so the outline keeps its size from one to the next.
_WIDEST_USUAL = text_width("✗\u2009OUTSIDE", DotSize(1, 1))
