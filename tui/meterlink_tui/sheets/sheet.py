"""The base class of the sheets over the dashboard: each keeps the caution in sight."""

from typing import ClassVar, Generic, TypeVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import VerticalScroll
from textual.screen import ModalScreen

from meterlink_tui.widgets.sentences import Sentence

SheetResult = TypeVar("SheetResult")


class Sheet(ModalScreen[SheetResult], Generic[SheetResult]):
    """A screen that closes on Escape, with the cautions of the active test point at its foot."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "dismiss", "close", id="close", tooltip="Close this sheet")
    ]

    def __init__(self, cautions: tuple[str, ...]) -> None:
        super().__init__()
        self._cautions = cautions

    def compose(self) -> ComposeResult:
        """Yield the sheet's body, then the caution."""
        with VerticalScroll(id="sheet-body", can_focus=False):
            yield from self.body()
        yield Sentence("caution", "CAUTION", tone="warn")

    def body(self) -> ComposeResult:
        """Yield the widgets of this sheet."""
        raise NotImplementedError

    def on_mount(self) -> None:
        """Display the cautions."""
        self.query_one("#caution", Sentence).show(*self._cautions)
