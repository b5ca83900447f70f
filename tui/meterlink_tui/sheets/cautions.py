"""The sheet with the cautions in full."""

from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.widgets import Static

from meterlink_tui.scene import Stop
from meterlink_tui.sheets.sheet import Sheet


class CautionSheet(Sheet[None]):
    """The cautions of the active test point in full, in its body: its foot has none."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("i,q", "dismiss", "close", id="close-cautions", show=False, tooltip="Close this"),
        Binding("down,pagedown,space", "down", "down", id="cautions-down", show=False, tooltip="Scroll down"),
        Binding("up,pageup", "up", "up", id="cautions-up", show=False, tooltip="Scroll up"),
    ]

    def __init__(self, cautions: tuple[str, ...]) -> None:
        super().__init__(())
        self._whole_cautions = cautions

    def body(self) -> ComposeResult:
        """Yield one paragraph for each sentence."""
        yield Static("Cautions (Esc closes)", classes="heading", markup=False)
        for caution in self._whole_cautions:
            for sentence in caution.split(". "):
                yield Static(f"! {sentence.rstrip('.')}.", markup=False)

    def show_warnings(self, stop: Stop | None, _cautions: tuple[str, ...]) -> None:
        """Display the stop only: the cautions are in the body."""
        super().show_warnings(stop, ())

    def action_down(self) -> None:
        """Scroll down by a screen."""
        self.query_one("#sheet-body").scroll_page_down(animate=False)

    def action_up(self) -> None:
        """Scroll up by a screen."""
        self.query_one("#sheet-body").scroll_page_up(animate=False)
