"""The scale of a reading as SVG: a bar between its limits, and a pointer at the reading.

It is drawn in black and grey alone, so that it says the same on any printer. HTML has it inline, PDF as a picture.
"""

from decimal import Decimal

from meterlink.record.markup import Markup, element
from meterlink.record.model import ReadingEntry

SCALE_WIDTH, SCALE_HEIGHT = 150, 24
"""Units of the picture; each form gives it its size."""
_INK, _BAND = "#111", "#ddd"
_LINE = 15  # height of the axis
_ROOM = 0.35  # of the span between the limits, on either side of it
_FARTHEST = 1.5  # spans beyond a limit; a reading farther away stands at the edge, with an arrow


def scale_picture(entry: ReadingEntry, **attributes: str) -> Markup:
    """Return the scale of a reading that has a number and a limit (`ReadingEntry.is_on_scale`).

    ``attributes`` are further ones of the element ``svg``.
    """
    assert entry.value is not None  # noqa: S101  # is_on_scale
    low, high, value = _float(entry.low), _float(entry.high), float(entry.value)
    begin, end = _domain(low, high, value)

    def place(number: float) -> float:
        return round(6 + (SCALE_WIDTH - 12) * min(max((number - begin) / (end - begin), 0.0), 1.0), 1)

    left, right = place(begin if low is None else low), place(end if high is None else high)
    at = place(value)
    band = element("rect", x=left, y=_LINE - 4, width=round(max(right - left, 1), 1), height=8, fill=_BAND)
    axis = element("line", x1=4, y1=_LINE, x2=SCALE_WIDTH - 4, y2=_LINE, stroke=_INK)
    ticks = [
        element("line", x1=x, y1=_LINE - 6, x2=x, y2=_LINE + 6, stroke=_INK)
        for x, edge in ((left, low), (right, high))
        if edge is not None
    ]
    if value < begin:
        pointer = f"M{at - 5},{_LINE} l9,-5 v10 z"
    elif value > end:
        pointer = f"M{at + 5},{_LINE} l-9,-5 v10 z"
    else:
        pointer = f"M{at},{_LINE - 2} l-4,-9 h8 z M{at},{_LINE - 4} v11"
    return element(
        "svg",
        band,
        axis,
        *ticks,
        element("path", d=pointer, fill=_INK, stroke=_INK),
        viewBox=f"0 0 {SCALE_WIDTH} {SCALE_HEIGHT}",
        **attributes,
    )


def _float(number: Decimal | None) -> float | None:
    return None if number is None else float(number)


def _domain(low: float | None, high: float | None, value: float) -> tuple[float, float]:
    """Return the numbers at the two ends of the scale."""
    edges = [edge for edge in (low, high) if edge is not None]
    span = (edges[-1] - edges[0]) or abs(edges[0]) or 1.0
    begin = max(min(edges[0], value), edges[0] - _FARTHEST * span) - _ROOM * span
    end = min(max(edges[-1], value), edges[-1] + _FARTHEST * span) + _ROOM * span
    if value < edges[0] - _FARTHEST * span:
        begin = edges[0] - _FARTHEST * span
    if value > edges[-1] + _FARTHEST * span:
        end = edges[-1] + _FARTHEST * span
    return begin, end
