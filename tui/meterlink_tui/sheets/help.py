"""The help sheet, made from the key bindings: it always lists the current keys."""

from collections.abc import Iterable
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.content import Content
from textual.widgets import Static

from meterlink_tui.keys import printed_keys
from meterlink_tui.sheets.sheet import Sheet
from meterlink_tui.sound.bells import PATTERNS
from meterlink_tui.sound.moments import Moment

BELL_MEANINGS = "; ".join(
    f"{moment} {len(PATTERNS[moment])}{', slow' if moment is Moment.NO_VERDICT else ''}" for moment in Moment
)
MARKS = (
    ("✓ ✗ ?", "within · outside, open or shorted · no verdict on the part"),
    ("…", "verdict so far: the reading is not accepted yet"),
    ("►", "the active test point"),
    ("┣ ┿ ┫", "low limit, nominal, high limit; a reading on a limit is within"),
    ("+2", "two earlier accepted readings at this test point"),
    ("≈", "close call: so near a limit that the meter's own error can change the verdict"),
    ("STOP", "hands off: a warning over any verdict"),
    ("bells", BELL_MEANINGS),
)


class HelpSheet(Sheet[None]):
    """The keys and the marks with their meanings."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("question_mark,f1,q", "dismiss", "close", id="close-help", show=False, tooltip="Close this"),
        Binding("down,pagedown,space", "down", "down", id="help-down", show=False, tooltip="Scroll down"),
        Binding("up,pageup", "up", "up", id="help-up", show=False, tooltip="Scroll up"),
    ]

    def __init__(self, cautions: tuple[str, ...], bindings: Iterable[Binding]) -> None:
        super().__init__(cautions)
        self._listed_bindings = tuple(bindings)

    def body(self) -> ComposeResult:
        """Yield one paragraph per key and per mark."""
        rows = [(printed_keys(binding), binding.tooltip) for binding in self._listed_bindings]
        yield Static("Keys (Esc closes)", classes="heading", markup=False)
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
