"""The base class of the screens of the record: each repeats the facts of the working view that it hides."""

from typing import Generic, TypeVar

from textual.app import ComposeResult
from textual.content import Content
from textual.widgets import Input, Static

from meterlink_tui.keys import printed_keys
from meterlink_tui.record_lines import NARROW
from meterlink_tui.scene import Scene, Tone, narrow_caution
from meterlink_tui.sheets.sheet import Sheet
from meterlink_tui.widgets.pages import PagedList, RowT
from meterlink_tui.widgets.sentences import labelled_sentence

_NARROW_KEYS = 3  # beside the key that closes: as many as fit in a row of 40 columns

ResultT = TypeVar("ResultT")


class RecordSheet(Sheet[ResultT]):
    """A screen of the record. ``show_live`` is called for each drawing of the working view under it."""

    def __init__(self, scene: Scene | None) -> None:
        super().__init__(scene.cautions if scene else ())
        self._scene = scene

    def head(self) -> ComposeResult:
        """Yield the lines of the working view."""
        yield Static("", id="live-lines", markup=False)

    def foot(self) -> ComposeResult:
        """Yield the keys."""
        yield Static("", id="record-keys", markup=False)

    def on_mount(self) -> None:
        """Display the lines of the working view, and the keys."""
        if self._is_narrow:
            self._cautions = tuple(map(narrow_caution, self._cautions))
        self.show_live(self._scene)
        self.query_one("#record-keys", Static).update(self._key_line())

    @property
    def _is_narrow(self) -> bool:
        return self.app.size.width < NARROW

    def show_live(self, scene: Scene | None) -> None:
        """Display the facts that this screen hides: alerts, an open question, the reading at the probes."""
        news = scene is not None and self._scene is not None and scene.points != self._scene.points
        self._scene = scene
        lines = (labelled_sentence(label, text, tone) for label, text, tone in live_sentences(scene))
        self.query_one("#live-lines", Static).update(Content("\n").join(lines))
        if news:
            self.readings_changed()

    def readings_changed(self) -> None:
        """React to a reading that was accepted, judged again or voided in the meantime."""

    def _key_line(self) -> str:
        """Return the keys that are shown; on a narrow screen those that go on to another screen, and back."""
        shown = [binding for binding in self.own_bindings() if binding.show]
        if self._is_narrow:
            shown = [*shown[:-1][:_NARROW_KEYS], shown[-1]]
        return "  ".join(f"{printed_keys(binding).split(',')[0]} {binding.description}" for binding in shown)


class RecordListSheet(RecordSheet[None], Generic[RowT]):
    """A screen of the record with a field and a list: its keys move through the list."""

    @property
    def pages(self) -> PagedList[RowT]:
        """The list."""
        return self.query_one(PagedList)

    def action_clear(self) -> None:
        """Clear the field."""
        self.query_one(Input).value = ""

    async def action_move(self, step: int) -> None:
        """Move the cursor."""
        await self.pages.move(step)

    async def action_page(self, step: int) -> None:
        """Move the cursor by a screen."""
        await self.pages.move_pages(step)

    async def action_start(self) -> None:
        """Go to the first row."""
        await self.pages.go_to_start()

    async def action_end(self) -> None:
        """Go to the last row."""
        await self.pages.go_to_end()


def live_sentences(scene: Scene | None) -> tuple[tuple[str, str, str], ...]:
    """Return ``(label, sentence, colour)`` of each fact that a screen of the record would hide.

    Alerts come first, then an open question, then the reading at the probes.
    """
    if scene is None:
        return ()
    alerts = tuple(
        (alert.word, alert.text, "strong" if alert.tone is Tone.PLAIN else str(alert.tone)) for alert in scene.alerts
    )
    asked = f"{scene.question.subject}: a question is open. Esc goes back to it." if scene.question else ""
    question = (("ANSWER", asked, "warn"),) if asked else ()
    value, verdict = f"{scene.value.digits} {scene.value.unit}".strip(), scene.verdict
    close = f", {verdict.leaning}" if verdict.leaning else ""
    status = "" if verdict.final else f", {verdict.status}"
    judged = f" · {verdict.mark} {verdict.word}{close}{status}" if verdict.mark and verdict.word else ""
    return (*alerts, *question, ("LIVE", f"{value} · {scene.phase.word}{judged}", "strong"))
