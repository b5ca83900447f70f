"""The help sheet, made from the key bindings themselves so that it cannot fall behind them."""

from collections.abc import Iterable
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.content import Content
from textual.widgets import Static

from meterlink_tui.sheets.sheet import Sheet

_KEY_NAMES = {
    "question_mark": "?", "right": "→", "left": "←", "ctrl+c": "Ctrl+C", "f1": "F1", "pagedown": "PgDn",
    "pageup": "PgUp", "down": "↓", "up": "↑",
}  # fmt: skip

MARKS = (
    ("✓ ✗ ?", "held: within · outside, open or shorted · says nothing of the part"),
    ("…", "not held yet: what it would be as it stands"),
    ("►", "the active test point"),
    ("┣ ┿ ┫", "low limit, nominal, high limit; a reading on a limit is within"),
    ("+2", "held readings taken here before the one shown"),
    ("CLOSE CALL", "the meter's own uncertainty reaches across a limit"),
)


def key_names(binding: Binding) -> str:
    """Return the keys of a binding as a person would call them."""
    return ", ".join(_KEY_NAMES.get(key, key) for key in binding.key.split(","))


class HelpSheet(Sheet[None]):
    """Keys with what they do, and what the marks mean."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("question_mark,f1,q", "dismiss", "close", id="close-help", show=False, tooltip="Close this"),
        Binding("down,pagedown,space", "down", "further", id="help-down", show=False, tooltip="Read on"),
        Binding("up,pageup", "up", "back", id="help-up", show=False, tooltip="Read back"),
    ]

    def __init__(self, cautions: tuple[str, ...], bindings: Iterable[Binding]) -> None:
        super().__init__(cautions)
        self._listed_bindings = tuple(bindings)

    def body(self) -> ComposeResult:
        """One paragraph a key, one a mark."""
        rows = [(key_names(binding), binding.tooltip) for binding in self._listed_bindings]
        yield Static("Keys (Esc goes back)", classes="heading", markup=False)
        for name, meaning in rows:
            yield Static(Content.assemble((f"{name:<12}", "bold $hint"), (meaning, "$strong")), markup=False)
        yield Static("Marks", classes="heading", markup=False)
        for name, meaning in MARKS:
            yield Static(Content.assemble((f"{name:<12}", "bold $hint"), (meaning, "$strong")), markup=False)

    def action_down(self) -> None:
        """Scroll down by a screen."""
        self.query_one("#sheet-body").scroll_page_down(animate=False)

    def action_up(self) -> None:
        """Scroll up by a screen."""
        self.query_one("#sheet-body").scroll_page_up(animate=False)
