"""The large value, its verdict in a word, and the row under them that says what the reading is doing."""

from typing import NamedTuple

from rich.cells import cell_len
from textual.app import ComposeResult
from textual.containers import Container
from textual.content import Content
from textual.widget import Widget

from meterlink_tui.lettering import Size, can_draw, draw, width_of
from meterlink_tui.scene import Number, Phase, Ruling

# Tried in this order until number and verdict fit side by side: large and square, as tall but condensed, small.
_NUMBER_SIZES = (Size(4, 4), Size(3, 3), Size(2, 2), Size(1, 2), Size(1, 1))
_VERDICT_SIZES = (Size(2, 2), Size(1, 1))
_UNIT_GAP = 1
_FRAME = 4  # columns the verdict's outline and padding take, both sides together
_BETWEEN = 1  # columns between number and verdict
_PROGRESS_CELLS = 12
_SHORT = 5  # rows of lettering at most: a small screen


class Fit(NamedTuple):
    """The sizes of lettering that a place has room for; None: plain text."""

    number: Size | None
    verdict: Size | None


def _unit_size(size: Size) -> Size:
    """The unit stands smaller than its number, in no less than the smallest lettering."""
    return Size(max(1, size.across // 2), max(1, size.down // 2))


def _number_width(number: Number, size: Size) -> int | None:
    if not can_draw(number.digits):
        return None
    unit = _unit_rows(number.unit, size)
    return width_of(number.digits, size) + (_UNIT_GAP + cell_len(unit[-1]) if number.unit else 0)


def _lettering(ruling: Ruling) -> str:
    return f"{ruling.mark}\u2009{ruling.word}" if ruling.word else ""


def fit(number: Number, ruling: Ruling, width: int, tallest: int, *, stacked: bool) -> Fit:
    """Choose the largest lettering for ``width`` columns and ``tallest`` rows a line, stacked or side by side."""
    word = _lettering(ruling)
    rulings = [size for size in _VERDICT_SIZES if can_draw(word) and size.rows <= tallest]
    if stacked:
        verdict = next((size for size in rulings if width_of(word, size) + _FRAME <= width), None)
        return Fit(_number_size(number, width, tallest), verdict)
    # Side by side the number goes first; the verdict keeps its small lettering, so that both stay as they are while
    # digits come and go.
    for size in rulings[-1:]:
        room = width - _verdict_width(word, size) - _BETWEEN
        if chosen := _number_size(number, room, tallest):
            return Fit(chosen, size)
    return Fit(_number_size(number, width - _verdict_width(word, None) - _BETWEEN, tallest), None)


def _number_size(number: Number, width: int, tallest: int) -> Size | None:
    for size in _NUMBER_SIZES:
        needed = _number_width(number, size)
        if needed is not None and needed <= width and size.rows <= tallest:
            return size
    return None


class BigNumber(Widget):
    """The value as large as it fits, its unit smaller beside it."""

    def __init__(self) -> None:
        super().__init__(id="number")
        self._shown: tuple[Number, Size | None] | None = None

    def show(self, number: Number, size: Size | None) -> None:
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
        rows = draw(number.digits, size)
        for i, unit in enumerate(reversed(_unit_rows(number.unit, size)), 1):
            rows[-i] += " " * _UNIT_GAP + unit
        return Content("\n").join(Content.styled(row, style) for row in rows)


def _unit_rows(unit: str, size: Size) -> list[str]:
    """The unit in lettering, AC or DC after it as plain text on the last row."""
    symbol, _, coupling = unit.partition(" ")
    if not symbol or not can_draw(symbol):
        return [unit]
    *rows, last = draw(symbol, _unit_size(size))
    return [*rows, f"{last} {coupling}" if coupling else last]


class Verdict(Widget):
    """The verdict in a word. A heavy outline says 'held', a dashed one 'so far'."""

    def __init__(self) -> None:
        super().__init__(id="verdict")
        self._shown: tuple[Ruling, Size | None] | None = None

    def show(self, ruling: Ruling, size: Size | None) -> None:
        """Draw ``ruling`` in lettering of ``size``, or as plain text."""
        if self._shown == (ruling, size):
            return
        self._shown = ruling, size
        for name, on in (("-firm", ruling.firm), ("-provisional", bool(ruling.word) and not ruling.firm)):
            self.set_class(on, name)
        for tone in ("plain", "good", "bad", "warn"):
            self.set_class(ruling.tone == tone, f"-{tone}")
        self.border_title = ruling.standing
        self.border_subtitle = "CLOSE CALL" if ruling.close else ""
        self.refresh()

    def render(self) -> Content:
        """Return the mark and the word."""
        if self._shown is None or not self._shown[0].word:
            return Content("")
        ruling, size = self._shown
        style = f"bold ${ruling.tone if ruling.tone != 'plain' else 'strong'}"
        rows = [f"{ruling.mark} {ruling.word}"] if size is None else draw(_lettering(ruling), size)
        return Content("\n").join(Content.styled(row, style) for row in rows)


class PhaseRow(Widget):
    """Settling with its progress, held or idle; then the deviation and how firm the verdict is, in words."""

    def __init__(self) -> None:
        super().__init__(id="phase")
        self._shown: tuple[Phase, Ruling] | None = None

    def show(self, phase: Phase, ruling: Ruling) -> None:
        """Say ``phase`` and what it means for ``ruling``."""
        if self._shown != (phase, ruling):
            self._shown = phase, ruling
            self.refresh(layout=True)

    def render(self) -> Content:
        """Return one line, or more where it has to wrap."""
        if self._shown is None:
            return Content("")
        phase, ruling = self._shown
        parts: list[Content | tuple[str, str]] = []
        if ruling.word:
            standing = "" if ruling.firm else f", {ruling.standing}"
            close = ", CLOSE CALL" if ruling.close else ""
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


class Live(Container):
    """Number and verdict, side by side or one above the other, in the largest lettering there is room for."""

    def __init__(self) -> None:
        super().__init__(id="live")
        self._drawn: tuple[Number, Ruling] | None = None

    def compose(self) -> ComposeResult:
        """Number first: it is what is looked at from furthest away."""
        yield BigNumber()
        yield Verdict()

    def show(self, number: Number, ruling: Ruling, *, width: int, tallest: int, stacked: bool) -> None:
        """Draw both into ``width`` columns with lettering of at most ``tallest`` rows."""
        chosen = fit(number, ruling, width, tallest, stacked=stacked)
        big, verdict = self.query_one(BigNumber), self.query_one(Verdict)
        big.show(number, chosen.number)
        verdict.show(ruling, chosen.verdict)
        # One column is too short to keep room for a verdict that is not there.
        verdict.display = bool(ruling.word) or not stacked or tallest > _SHORT
        # Heights follow the room, not the digits, so nothing below jumps while a value settles.
        big.styles.height = _height(chosen.number, tallest, stacked=stacked)
        verdict.styles.width = "1fr" if stacked else _verdict_width(_lettering(ruling), chosen.verdict)


def _height(size: Size | None, tallest: int, *, stacked: bool) -> int:
    if stacked:
        return size.rows if size else 1
    return tallest


def _verdict_width(word: str, size: Size | None) -> int:
    drawn = width_of(word, size) if size else cell_len(word)
    return max(drawn, _WIDEST_USUAL) + _FRAME


# The usual verdicts all fit in this, so the outline keeps its size from one to the next.
_WIDEST_USUAL = width_of("✗\u2009OUTSIDE", Size(1, 1))
