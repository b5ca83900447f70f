"""A sheet for one line of text."""

from collections.abc import Awaitable, Callable

from textual.app import ComposeResult
from textual.widgets import Input, Static

from meterlink_tui.sheets.sheet import Sheet

Submit = Callable[[str], Awaitable[str]]  # sends a typed text; returns its error, or ""


class TextSheet(Sheet[None]):
    """Passes the typed text to ``submit``; closes if it returns no error, else displays the error.

    The field begins with ``text``. ``instruction`` stands above the field, ``example`` stands in an empty field.
    """

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
    ) -> None:
        super().__init__(cautions)
        self._heading = heading
        self._instruction = instruction
        self._submit = submit
        self._text = text
        self._example = example
        self._longest = longest

    def body(self) -> ComposeResult:
        """Yield the heading, the instruction, the field and an empty row for an error."""
        yield Static(self._heading, classes="heading", markup=False)
        yield Static(f"{self._instruction} Enter saves it, Esc cancels.", markup=False)
        field = Input(self._text, placeholder=self._example, max_length=self._longest, id="text")
        field.cursor_blink = False
        yield field
        yield Static("", id="error", classes="error", markup=False)

    def on_mount(self) -> None:
        """Focus the field, so that typing starts at once."""
        super().on_mount()
        self.query_one(Input).focus()

    async def on_input_submitted(self, submitted: Input.Submitted) -> None:
        """Send the text; display its error."""
        error = await self._submit(submitted.value)
        if error:
            self.query_one("#error", Static).update(f"✗ {error}")
        else:
            self.dismiss()
