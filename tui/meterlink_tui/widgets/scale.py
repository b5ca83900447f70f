"""The limits as a horizontal scale with the reading on it: three rows of text."""

from dataclasses import dataclass

from textual.content import Content
from textual.widget import Widget

from meterlink_tui.scene import Gauge

# The part of the axis beyond each limit, as a share of the distance between the limits.
_MARGIN_SHARE = 0.5


@dataclass(frozen=True, slots=True)
class _Axis:
    """Maps an amount to a column, 0..width-1."""

    start: float
    end: float
    width: int

    def column(self, amount: float) -> int:
        """Return the nearest column; outside the axis, the first or the last."""
        share = (amount - self.start) / (self.end - self.start)
        return round(min(1.0, max(0.0, share)) * (self.width - 1))


def _axis(gauge: Gauge, width: int) -> _Axis:
    low = float(gauge.low) if gauge.low is not None else None
    high = float(gauge.high) if gauge.high is not None else None
    if low is not None and high is not None:
        # Two equal limits have no distance: the margin is then a tenth of the value.
        margin = (high - low) * _MARGIN_SHARE or abs(low) * 0.1 or 1.0
        return _Axis(low - margin, high + margin, width)
    limit = low if low is not None else high or 0.0
    margin = abs(limit) * _MARGIN_SHARE or 1.0
    return _Axis(limit - margin, limit + margin, width)


def _reading_column(gauge: Gauge, axis: _Axis, low: int, high: int) -> int | None:
    """Return the column of the reading; None outside the axis.

    Rounding must not move a reading across a limit: a reading at the limit is within, the first count beyond is not.
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
    """Return ``(row of the reading, scale, row of labels)``, each ``width`` columns wide (at least 20)."""
    axis = _axis(gauge, width)
    low = axis.column(float(gauge.low)) if gauge.low is not None else 0
    high = axis.column(float(gauge.high)) if gauge.high is not None else width - 1
    high = max(high, low + 1)  # two equal limits have two marks, side by side
    bar = ["━" if low <= column <= high else "·" for column in range(width)]
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
    column = _reading_column(gauge, axis, low, high)
    if column is not None:
        bar[column] = "█"
        above.put_arrow(column, f"{gauge.reading:f}")
    elif gauge.overload or (gauge.reading is not None and gauge.reading > axis.end):
        bar[-1] = "►"
        above.put(width - 1, f"{'OL' if gauge.reading is None else f'{gauge.reading:f} {gauge.unit}'}, off the scale ►")
    elif gauge.reading is not None:
        bar[0] = "◄"
        above.put(0, f"◄ {gauge.reading:f} {gauge.unit}, off the scale")
    return above.text, "".join(bar), labels.text


class _TextRow:
    """A row of blanks for labels. A label that overlaps an earlier label is left out."""

    def __init__(self, width: int) -> None:
        self._cells = [" "] * width

    @property
    def text(self) -> str:
        return "".join(self._cells)

    def put(self, centre: int, label: str) -> None:
        """Write ``label`` around ``centre``, moved inside the row; leave it out if it would touch another label."""
        start = min(max(0, centre - len(label) // 2), len(self._cells) - len(label))
        if start < 0 or any(cell != " " for cell in self._cells[max(0, start - 1) : start + len(label) + 1]):
            return
        self._cells[start : start + len(label)] = label

    def put_arrow(self, column: int, label: str) -> None:
        """Write an arrow at ``column`` and ``label`` on the side with room for it."""
        self._cells[column] = "▼"
        start = column + 2 if column + 2 + len(label) <= len(self._cells) else column - 1 - len(label)
        if start >= 0:
            self._cells[start : start + len(label)] = label


class LimitScale(Widget):
    """The scale, as wide as the widget."""

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
