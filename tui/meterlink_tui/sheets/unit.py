"""The sheet of the unit: its fitted parts, its nameplate, its ratings; a field for one more fact."""

from collections.abc import Awaitable, Callable, Sequence

from textual.app import ComposeResult
from textual.widgets import Input, Static

from meterlink.core.nameplate import UnitFact
from meterlink.core.text import LONGEST_REMARK
from meterlink_tui.sheets.sheet import Sheet

# Sends a fact and its text; returns the error, or "", and the lines of the unit with it.
SubmitFact = Callable[[str, str], Awaitable[tuple[str, Sequence[str]]]]


class UnitSheet(Sheet[None]):
    """Shows the facts about the unit; a typed fact, its name first, is passed to ``submit``."""

    has_field = True

    def __init__(self, cautions: tuple[str, ...], name: str, lines: Sequence[str], submit: SubmitFact) -> None:
        super().__init__(cautions)
        self._name = name
        self._lines = lines
        self._submit = submit

    def body(self) -> ComposeResult:
        """Yield the lines, the field and an empty row for an error."""
        yield Static(f"{self._name} (Esc closes)", classes="heading", markup=False)
        yield Static("", id="lines", markup=False)
        yield Static(f"One more fact: {', '.join(UnitFact)}. Its name, its text, Enter.", markup=False)
        field = Input(placeholder="supply 208/230 V", max_length=LONGEST_REMARK, id="fact")
        field.cursor_blink = False
        yield field
        yield Static("", id="error", classes="error", markup=False)

    def on_mount(self) -> None:
        """Show the facts, and focus the field."""
        self._show(self._lines)
        self.query_one(Input).focus()

    async def on_input_submitted(self, submitted: Input.Submitted) -> None:
        """Send the fact, and show it with the others."""
        fact, _, text = submitted.value.strip().partition(" ")
        with self.sending() as may_send:
            if not may_send:
                return
            error, lines = (
                await self._submit(fact.rstrip(":").lower(), text) if text else ("Type its name, then its text.", ())
            )
            self.query_one("#error", Static).update(f"✗ {error}" if error else "")
            if not error:
                self.query_one(Input).value = ""
                self._show(lines)

    def _show(self, lines: Sequence[str]) -> None:
        self.query_one("#lines", Static).update("\n".join(lines) or "Nothing is known of it yet but its name.")
