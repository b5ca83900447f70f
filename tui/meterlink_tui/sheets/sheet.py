"""What the sheets laid over the dashboard have in common: the caution stays in sight under each of them."""

from typing import ClassVar, Generic, TypeVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import VerticalScroll
from textual.screen import ModalScreen

from meterlink_tui.widgets.sentences import Sentence

SheetResult = TypeVar("SheetResult")


class Sheet(ModalScreen[SheetResult], Generic[SheetResult]):
    """A full screen that closes on Escape, above the cautions of the active test point."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "dismiss", "close", id="close", tooltip="Close this and go back to the reading")
    ]

    def __init__(self, cautions: tuple[str, ...]) -> None:
        super().__init__()
        self._cautions = cautions

    def compose(self) -> ComposeResult:
        """The sheet's own body, then the caution."""
        with VerticalScroll(id="sheet-body", can_focus=False):
            yield from self.body()
        yield Sentence("caution", "CAUTION", tone="warn")

    def body(self) -> ComposeResult:
        """Return what this sheet is for."""
        raise NotImplementedError

    def on_mount(self) -> None:
        """Say the cautions once there is something to say them in."""
        self.query_one("#caution", Sentence).show(*self._cautions)
