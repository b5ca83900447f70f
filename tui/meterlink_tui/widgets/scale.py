"""The limits as a horizontal scale with the reading on it: three rows of text."""

from dataclasses import dataclass

from textual.content import Content
from textual.widget import Widget

from meterlink_tui.scene import Gauge

# Drawn beyond each limit, as a part of the distance between them: what is a little outside is still seen on the scale.
_MARGIN_SHARE = 0.5


@dataclass(frozen=True, slots=True)
class _Axis:
    """From an amount to a column, 0..width-1."""

    start: float
    end: float
    width: int

    def column(self, amount: float) -> int:
        """The nearest column; outside the axis, the first or last."""
        part = (amount - self.start) / (self.end - self.start)
        return round(min(1.0, max(0.0, part)) * (self.width - 1))


def _axis(gauge: Gauge, width: int) -> _Axis:
    low = float(gauge.low) if gauge.low is not None else None
    high = float(gauge.high) if gauge.high is not None else None
    if low is not None and high is not None:
        # Two equal limits are still drawn apart: a tenth of the value each side.
        span = (high - low) * _MARGIN_SHARE or abs(low) * 0.1 or 1.0
        return _Axis(low - span, high + span, width)
    limit = low if low is not None else high or 0.0
    span = abs(limit) * _MARGIN_SHARE or 1.0
    return _Axis(limit - span, limit + span, width)


def _reading_column(gauge: Gauge, axis: _Axis, low: int, high: int) -> int | None:
    """Column of the reading; None when it is outside what is drawn.

    Rounding to columns must not move it across a limit: at the limit is within, the first count beyond is not.
    """
    amount = gauge.reading
    if amount is None or not axis.start <= amount <= axis.end:
        return None
    column = axis.column(float(amount))
    if gauge.low is not None and amount < gauge.low:
        return min(column, low - 1)
    if gauge.high is not None and amount > gauge.high:
        return max(column, high + 1)
    return min(max(column, low), high)


def draw_scale(gauge: Gauge, width: int) -> tuple[str, str, str]:
    """Return the reading's row, the scale and the labels, each ``width`` columns (at least 20)."""
    axis = _axis(gauge, width)
    low = axis.column(float(gauge.low)) if gauge.low is not None else 0
    high = axis.column(float(gauge.high)) if gauge.high is not None else width - 1
    high = max(high, low + 1)  # two equal limits are two marks, side by side
    bar = ["━" if low <= i <= high else "·" for i in range(width)]
    labels = _TextRow(width)
    if gauge.low is not None:
        bar[low] = "┣"
        labels.put(low, f"low {gauge.low:f}")
    if gauge.high is not None:
        bar[high] = "┫"
        labels.put(high, f"high {gauge.high:f} {gauge.unit}")
    if gauge.nominal is not None:
        bar[axis.column(float(gauge.nominal))] = "┿"
        labels.put(axis.column(float(gauge.nominal)), f"{gauge.nominal:f}")
    above = _TextRow(width)
    at = _reading_column(gauge, axis, low, high)
    if at is not None:
        bar[at] = "█"
        above.put_arrow(at, f"{gauge.reading:f}")
    elif gauge.overload or (gauge.reading is not None and gauge.reading > axis.end):
        bar[-1] = "►"
        above.put(width - 1, f"{'OL' if gauge.reading is None else f'{gauge.reading:f} {gauge.unit}'}, off the scale ►")
    elif gauge.reading is not None:
        bar[0] = "◄"
        above.put(0, f"◄ {gauge.reading:f} {gauge.unit}, off the scale")
    return above.text, "".join(bar), labels.text


class _TextRow:
    """A row of blanks that labels are put into, the first one having the right of way."""

    def __init__(self, width: int) -> None:
        self._cells = [" "] * width

    @property
    def text(self) -> str:
        return "".join(self._cells)

    def put(self, centre: int, label: str) -> None:
        """Write ``label`` around ``centre``, moved inside the row; not at all when that would touch another one."""
        start = min(max(0, centre - len(label) // 2), len(self._cells) - len(label))
        if start < 0 or any(cell != " " for cell in self._cells[max(0, start - 1) : start + len(label) + 1]):
            return
        self._cells[start : start + len(label)] = label

    def put_arrow(self, at: int, label: str) -> None:
        """Write an arrow at exactly ``at`` and ``label`` on the side that has room for it."""
        self._cells[at] = "▼"
        start = at + 2 if at + 2 + len(label) <= len(self._cells) else at - 1 - len(label)
        if start >= 0:
            self._cells[start : start + len(label)] = label


class LimitScale(Widget):
    """Draws a gauge as wide as it is given."""

    def __init__(self) -> None:
        super().__init__(id="scale")
        self._gauge: Gauge | None = None
        self._tone = ""

    def show(self, gauge: Gauge | None, tone: str) -> None:
        """Draw ``gauge``, the reading in the colour variable ``tone``; nothing for None."""
        if (gauge, tone) != (self._gauge, self._tone):
            self._gauge, self._tone = gauge, tone
            self.refresh()

    def render(self) -> Content:
        """Return the three rows."""
        width = self.content_size.width
        if self._gauge is None or width < 20:
            return Content("")
        above, bar, labels = draw_scale(self._gauge, width)
        return Content.assemble(
            (above, f"bold ${self._tone}"),
            "\n",
            *(_styled_char(char, self._tone) for char in bar),
            "\n",
            (labels, "$strong"),
        )


def _styled_char(char: str, tone: str) -> tuple[str, str]:
    if char in "█►◄":
        return char, f"bold ${tone}"
    return char, "$faint" if char == "·" else "$strong"
