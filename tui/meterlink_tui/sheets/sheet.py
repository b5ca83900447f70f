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
        Binding("escape", "dismiss", "close", id="close", tooltip="Close this sheet"),
        Binding("f1", "help", "help", id="sheet-help", show=False, tooltip="Show the keys of this sheet"),
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

    @classmethod
    def own_bindings(cls) -> list[Binding]:
        """Return the bindings of this sheet, those of its base classes last."""
        declared = [entry for base in cls.__mro__ for entry in base.__dict__.get("BINDINGS", ())]
        return [entry for entry in declared if isinstance(entry, Binding) and entry.tooltip]

    def action_help(self) -> None:
        """Show the keys of this sheet."""
        from meterlink_tui.sheets.help import HelpSheet  # noqa: PLC0415  # the help is a sheet, too

        self.app.push_screen(HelpSheet(self._cautions, self.own_bindings()))

    def on_mount(self) -> None:
        """Display the cautions."""
        self.query_one("#caution", Sentence).show(*self._cautions)
