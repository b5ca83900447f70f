"""The stop over everything: voltage where there must be none."""

from textual.content import Content
from textual.widgets import Static

from meterlink_tui.lettering import DotSize, draw_text, text_width
from meterlink_tui.scene import Stop

_LARGE = DotSize(2, 2)
_SMALL = DotSize(1, 1)
_MARGIN = 4  # columns of the outline and the padding


class StopBanner(Static):
    """A word in large lettering, a title and its sentences, over the whole width and above all other widgets."""

    def __init__(self) -> None:
        super().__init__(markup=False, id="stop")
        self.display = False
        self._displayed: tuple[Stop | None, int] = (None, 0)

    def show(self, stop: Stop | None, width: int) -> None:
        """Display ``stop`` in ``width`` columns; None removes it."""
        if (stop, width) == self._displayed:
            return
        self._displayed = stop, width
        self.display = stop is not None
        if stop is None:
            return
        size = _LARGE if text_width(stop.word, _LARGE) <= width - _MARGIN else _SMALL
        letters = "\n".join(draw_text(stop.word, size))
        self.set_class(stop.is_sure, "-sure")
        self.update(Content("\n").join([Content(letters), Content.styled(stop.title, "bold"), Content(stop.text)]))
