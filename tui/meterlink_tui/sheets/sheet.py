"""The base class of the sheets over the dashboard: each keeps the caution in sight."""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import ClassVar, Generic, Protocol, TypeVar, cast

from textual.app import ComposeResult
from textual.await_complete import AwaitComplete
from textual.binding import Binding, BindingType
from textual.containers import VerticalScroll
from textual.screen import ModalScreen

from meterlink_tui.arrangement import Goal, cautions_for, share_rows
from meterlink_tui.scene import Scene, Stop
from meterlink_tui.widgets.sentences import Paragraph, cautions_content, rows_of, stop_content

_PADDING = 2  # columns beside a text
_LEAST_BODY_ROWS = 5  # a heading and a field

SheetResult = TypeVar("SheetResult")


class KeyHolder(Protocol):
    """The application under a sheet, which keeps the keys that the sheet cannot take yet."""

    async def pass_held_keys(self) -> None:
        """Pass on the keys that can be taken now, in their order."""
        ...


# Enter may send nothing: then the field takes keys again after this time.
_ENTER_TIMEOUT = 0.3  # s
_ENDING_KEYS = {"escape", "ctrl+c", "ctrl+q"}  # never kept while something is sent: a station may not answer


class Sheet(ModalScreen[SheetResult], Generic[SheetResult]):
    """A screen that closes on Escape, with the cautions of the active test point at its foot, a stop on top."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "dismiss", "close", id="close", tooltip="Close this sheet"),
        Binding("f1", "help", "help", id="sheet-help", show=False, tooltip="Show the keys of this sheet"),
    ]

    has_field: ClassVar[bool] = False
    """Whether the sheet has a field, which gets the focus when the sheet opens."""

    def __init__(self, cautions: tuple[str, ...]) -> None:
        super().__init__()
        self._cautions = cautions
        self._warnings: tuple[Stop | None, tuple[str, ...]] = None, cautions
        self.is_closed = False
        self._is_sending = False
        self._is_entered = False  # whether Enter was pressed, and nothing has come of it yet
        self._has_had_focus = False

    def compose(self) -> ComposeResult:
        """Yield the sheet's head, its body, its foot, then the caution; a stop is above all."""
        yield Paragraph("stop")
        yield from self.head()
        with VerticalScroll(id="sheet-body", can_focus=False):
            yield from self.body()
        yield from self.foot()
        yield Paragraph("caution")

    def head(self) -> ComposeResult:
        """Yield the widgets above the body, which do not scroll."""
        yield from ()

    def body(self) -> ComposeResult:
        """Yield the widgets of this sheet."""
        raise NotImplementedError

    def foot(self) -> ComposeResult:
        """Yield the widgets below the body, which do not scroll."""
        yield from ()

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
        """Display the cautions. Textual calls this after the ``on_mount`` of a subclass, which does not call it."""
        scene: Scene | None = getattr(self.app, "scene", None)  # of the dashboard under this sheet
        self.show_warnings(scene.stop if scene else None, self._cautions)

    def dismiss(self, result: SheetResult | None = None) -> AwaitComplete:
        """Close once: a second Enter that was on its way closes no other screen, and sends nothing."""
        if self.is_closed:
            return AwaitComplete()
        self.is_closed = True
        closing: AwaitComplete = super().dismiss(result)
        self._finish_entering()
        return closing

    @contextmanager
    def sending(self) -> Iterator[bool]:
        """Yield whether something may be sent now: not while something is being sent, and not once it is closed."""
        if self._is_sending or self.is_closed:
            yield False
            return
        self._is_sending = True
        try:
            yield True
        finally:
            self._is_sending = False
            self._finish_entering()

    def takes_key(self, key: str) -> bool:
        """Return whether this sheet can take a key now; if not, it must wait, with all keys after it.

        Not before the field has the focus, and not from Enter until its text is sent: keys come in one burst over a
        slow line, and a digit that is lost, or comes before another, is a wrong value.
        """
        if not self.has_field or (key in _ENDING_KEYS and self._has_had_focus):
            return True
        if not self._has_had_focus or self._is_entered or self._is_sending:
            return False
        if key == "enter":
            self._is_entered = True
            self.set_timer(_ENTER_TIMEOUT, self._finish_entering)
        return True

    def on_descendant_focus(self) -> None:
        """Let the keys come that came before the field had the focus."""
        if not self._has_had_focus:
            self._has_had_focus = True
            self._let_keys_come()

    def _finish_entering(self) -> None:
        self._is_entered = False
        self._let_keys_come()

    def _let_keys_come(self) -> None:
        self.app.call_later(cast("KeyHolder", self.app).pass_held_keys)

    def on_resize(self) -> None:
        """Wrap the warnings for the new size."""
        self.show_warnings(*self._warnings)

    def show_warnings(self, stop: Stop | None, cautions: tuple[str, ...]) -> None:
        """Display ``stop`` above the body and ``cautions`` below it; the rest of the screen is the body's."""
        self._warnings = stop, cautions
        width, height = self.app.size.width - _PADDING, self.app.size.height
        texts = stop_content(stop, width), cautions_content(cautions_for(cautions, width), "")
        rows = share_rows(
            height - _LEAST_BODY_ROWS,
            (Goal("stop", rows_of(texts[0], width)), Goal("caution", rows_of(texts[1], width))),
        )
        self.query_one("#stop", Paragraph).show_rows(texts[0], width, rows["stop"])
        self.query_one("#caution", Paragraph).show_rows(texts[1], width, rows["caution"])
