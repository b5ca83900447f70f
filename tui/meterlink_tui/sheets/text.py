"""A sheet for one line of text."""

from collections.abc import Awaitable, Callable

from textual.app import ComposeResult
from textual.widget import Widget
from textual.widgets import Input, Static

from meterlink_tui.sheets.sheet import Sheet

Submit = Callable[[str], Awaitable[str]]  # sends a typed text; returns its error, or ""


class TextSheet(Sheet[None]):
    """Passes the typed text to ``submit``; closes if it returns no error, else displays the error.

    The field begins with ``text``. ``instruction`` stands above the field, ``example`` stands in an empty field.
    ``may_be_empty``: an empty text means something, too.
    """

    has_field = True

    def __init__(
        self,
        cautions: tuple[str, ...],
        heading: str,
        instruction: str,
        submit: Submit,
        *,
        text: str = "",
        example: str = "",
        longest: int = 200,
        may_be_empty: bool = False,
    ) -> None:
        super().__init__(cautions)
        self._heading = heading
        self._instruction = instruction
        self._submit = submit
        self._text = text
        self._example = example
        self._longest = longest
        self._may_be_empty = may_be_empty

    def body(self) -> ComposeResult:
        """Yield the heading, the instruction, the field and an empty row for an error."""
        yield Static(self._heading, classes="heading", markup=False)
        yield Static(self._instruction, markup=False)
        yield from self.above_field()
        field = Input(self._text, placeholder=self._example, max_length=self._longest, id="text")
        field.cursor_blink = False
        yield field
        yield Static("", id="error", classes="error", markup=False)

    def above_field(self) -> ComposeResult:
        """Yield further widgets between the instruction and the field."""
        yield from ()

    def on_mount(self) -> None:
        """Focus the first widget, so that typing starts at once."""
        self.first_widget().focus()

    def first_widget(self) -> Widget:
        """Return the widget that has the focus when the sheet opens."""
        return self.query_one(Input)

    async def on_input_submitted(self, submitted: Input.Submitted) -> None:
        """Send the text; display its error."""
        await self.send_text(submitted.value)

    async def send_text(self, text: str) -> None:
        """Send a text once; close if it is taken, else display the error."""
        with self.sending() as may_send:
            if not may_send:
                return
            is_sent = bool(text.strip()) or self._may_be_empty
            error = await self._submit(text) if is_sent else "Nothing was typed."
            if error:
                self.query_one("#error", Static).update(f"✗ {error}")
            else:
                self.dismiss()
