"""A plot as large as the widget."""

from textual.content import Content
from textual.widget import Widget

from meterlink_tui.plot import Plot, draw_plot


class PlotView(Widget):
    """Draws a plot, or a sentence in its place."""

    def __init__(self) -> None:
        super().__init__(id="plot")
        self._plot: Plot | None = None
        self._sentence = ""

    def show(self, plot: Plot | None, sentence: str) -> None:
        """Draw ``plot``; ``sentence`` stands in its place where there is none."""
        self._plot, self._sentence = plot, sentence
        self.set_class(plot is None, "-empty")
        self.refresh(layout=True)

    def render(self) -> Content:
        """Return the plot for the size of the widget."""
        return Content(self._sentence) if self._plot is None else draw_plot(self._plot, *self.content_size)
