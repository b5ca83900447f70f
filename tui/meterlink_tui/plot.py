"""A plot in character cells: marks, levels, breaks and bands. Each has a shape of its own, so it needs no colour.

This is own code: the plotting libraries for terminals draw with their own colours and dots, which neither a theme nor a
screen without colour can tell apart, and every shape here has a meaning.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import inf, isfinite

from textual.content import Content

from meterlink_tui.scene import Tone

_LEVEL, _BREAK, _BAND = "┄", "╎", "░"
ABOVE, BELOW = "▲", "▼"
LEAST_WIDTH, LEAST_HEIGHT = 20, 5  # columns and rows; a smaller plot shows nothing


@dataclass(frozen=True, slots=True)
class Mark:
    """A value ``y`` at ``x``, drawn as ``shape``. An infinite ``y`` has a row of its own, above or below all values."""

    x: float
    y: float
    shape: str
    tone: Tone = Tone.PLAIN


@dataclass(frozen=True, slots=True)
class Level:
    """A limit at ``y`` from ``x`` to ``end_x``, with a label beside the axis if it is the newest."""

    y: float
    x: float
    end_x: float
    label: str = ""


@dataclass(frozen=True, slots=True)
class Break:
    """A moment ``x``, drawn as a column from top to bottom with a label on top."""

    x: float
    label: str
    shape: str = _BREAK


@dataclass(frozen=True, slots=True)
class BandEdge:
    """The interval from ``low`` to ``high`` at ``x``; a band runs through several."""

    x: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Plot:
    """The contents of a plot from ``begin`` to ``end``; ``first_x`` and ``last_x`` label these. A band is in order."""

    begin: float
    end: float
    marks: Sequence[Mark]
    levels: Sequence[Level] = ()
    breaks: Sequence[Break] = ()
    band: Sequence[BandEdge] = ()
    first_x: str = ""
    last_x: str = ""


class _Axis:
    """Maps the amounts from ``low`` to ``high`` to cells, ``first`` to ``last``; infinite ones to 0 and ``top``."""

    def __init__(self, low: float, high: float, first: int, last: int, top: int) -> None:
        # One value alone has no range: it stands in the middle of a tenth of it.
        spare = 0.0 if high > low else abs(low) * 0.1 or 1.0
        self.low, self.high = low - spare, high + spare
        self.first, self.last, self.top = first, last, top

    def cell(self, amount: float) -> int:
        """Return the nearest cell."""
        if not isfinite(amount):
            return self.top if amount > 0 else 0
        share = (min(max(amount, self.low), self.high) - self.low) / (self.high - self.low)
        return self.first + round(share * (self.last - self.first))


def draw_plot(plot: Plot, width: int, height: int) -> Content:
    """Return ``height`` rows of ``width`` columns: labels at the left, the two ends of the time below."""
    if width < LEAST_WIDTH or height < LEAST_HEIGHT:
        return Content("The screen is too small for the plot.")
    rows = height - 2  # the labels of breaks above, of the ends below
    y_axis = _value_axis(plot, rows)
    labels = _side_labels(plot, y_axis, rows)
    side = min(max(map(len, labels)), width // 3)
    columns = width - side - 1
    x_axis = _Axis(plot.begin, plot.end, 0, columns - 1, columns - 1)
    cells = [[(" ", "")] * columns for _ in range(rows)]
    _draw_band(cells, plot.band, x_axis, y_axis)
    for level in plot.levels:
        for column in range(x_axis.cell(level.x), x_axis.cell(level.end_x) + 1):
            cells[rows - 1 - y_axis.cell(level.y)][column] = (_LEVEL, "$strong")
    for item in plot.breaks:
        for row in cells:
            row[x_axis.cell(item.x)] = (item.shape, "$hint")
    for mark in plot.marks:
        colour = "$strong" if mark.tone is Tone.PLAIN else f"${mark.tone}"
        cells[rows - 1 - _mark_cell(mark, plot.levels, y_axis)][x_axis.cell(mark.x)] = (mark.shape, f"bold {colour}")
    lines = [Content.styled(f"{'':{side + 1}}{_break_labels(plot.breaks, x_axis, columns)}", "$hint")]
    lines += [
        Content.assemble((f"{label[:side]:>{side}}", "$strong"), ("│", "$faint"), *row)
        for label, row in zip(labels, cells, strict=True)
    ]
    gap = columns - len(plot.first_x) - len(plot.last_x)
    lines.append(Content.styled(f"{'':{side}} {plot.first_x}{'':{max(gap, 1)}}{plot.last_x}"[:width], "$faint"))
    return Content("\n").join(lines)


def _mark_cell(mark: Mark, levels: Sequence[Level], axis: _Axis) -> int:
    """Return the cell of a value: rounding must not put it on a limit that it is above or below."""
    cell = axis.cell(mark.y)
    if isfinite(mark.y):
        for level in levels:
            if level.x <= mark.x <= level.end_x and cell == axis.cell(level.y) and mark.y != level.y:
                return min(max(cell + (1 if mark.y > level.y else -1), 0), axis.top)
    return cell


def _value_axis(plot: Plot, rows: int) -> _Axis:
    """Return the axis of the values; marks without a value have a row of their own at its end.

    A row is free beyond the outermost limit if a value lies there, so that it never stands on the limit.
    """
    values = [mark.y for mark in plot.marks]
    levels = [level.y for level in plot.levels]
    amounts = [*values, *levels, *(edge for band in plot.band for edge in (band.low, band.high))]
    finite = [amount for amount in amounts if isfinite(amount)] or [0.0]
    is_below, is_above = (bool(levels) and any(map(isfinite, beyond)) for beyond in _beyond(values, levels))
    first, last = int(-inf in values) + is_below, rows - 1 - int(inf in values) - is_above
    return _Axis(min(finite), max(finite), first, last, rows - 1)


def _beyond(values: Sequence[float], levels: Sequence[float]) -> tuple[list[float], list[float]]:
    """Return the values below the lowest level, and those above the highest."""
    low, high = min(levels, default=0.0), max(levels, default=0.0)
    return [value for value in values if value < low], [value for value in values if value > high]


def _break_labels(breaks: Sequence[Break], axis: _Axis, columns: int) -> str:
    """Return a row with the labels of the breaks; one that would touch another is left out."""
    row = [" "] * columns
    for item in breaks:
        start = max(0, min(axis.cell(item.x), columns - len(item.label)))
        if not "".join(row[max(0, start - 1) : start + len(item.label) + 1]).strip():
            row[start : start + len(item.label)] = item.label[:columns]
    return "".join(row[:columns])


def _side_labels(plot: Plot, axis: _Axis, rows: int) -> list[str]:
    """Return a label for each row, most empty: the limits, then the ends of the axis where they have room."""
    labels = [""] * rows
    for level in plot.levels:
        if level.label:
            labels[rows - 1 - axis.cell(level.y)] = level.label
    for row, amount in ((rows - 1 - axis.last, axis.high), (rows - 1 - axis.first, axis.low)):
        if not any(labels[max(0, row - 1) : row + 2]):
            labels[row] = f"{amount:.4g}"
    return labels


def _draw_band(cells: list[list[tuple[str, str]]], band: Sequence[BandEdge], x_axis: _Axis, y_axis: _Axis) -> None:
    """Fill the cells between the edges; between two of them, the edges run straight."""
    for begin, end in pairwise(band):
        first, last = x_axis.cell(begin.x), x_axis.cell(end.x)
        for column in range(first, last + 1):
            share = (column - first) / max(last - first, 1)
            low = y_axis.cell(begin.low + (end.low - begin.low) * share)
            high = y_axis.cell(begin.high + (end.high - begin.high) * share)
            for row in range(low, high + 1):
                cells[len(cells) - 1 - row][column] = (_BAND, "$faint")
