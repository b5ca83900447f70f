"""The sheets for teaching a meter that no driver fits: pick the meter, then type its readings."""

from collections.abc import Awaitable, Callable, Iterator, Mapping
from dataclasses import dataclass

from textual.app import ComposeResult
from textual.content import Content
from textual.widgets import Input, OptionList, Static
from textual.widgets.option_list import Option

from meterlink.core.clock import Clock
from meterlink.core.equipment import ConnectionState, DriverFit
from meterlink.core.text import clean_text, count_phrase
from meterlink.link.messages import CommandName, DiscoveryView, MetersView, TeachView
from meterlink.link.teach_line import parse_teach_line
from meterlink_tui.sheets.sheet import Sheet
from meterlink_tui.widgets.sentences import Sentence

_LONGEST = 200  # characters; a display needs at most 64, a UUID with bytes to write needs more
_LONGEST_SENTENCE = 240  # characters
_LONGEST_ECHO = 80  # characters of a refused text that are repeated
_LONGEST_ERASED = 2  # characters before one that are left by Backspace; after more, one key has replaced them all
# Sends a command for the meter with its other arguments; returns the error as a sentence, empty if there is none.
SendTeachCommand = Callable[[CommandName, Mapping[str, str | int]], Awaitable[str]]
_INSTRUCTIONS = (
    "Read the display, then type all of it at once and press Enter. Your first key counts, so the display may move on. "
    "Type drop 3 7 to remove two entries, done to write the profile, stop to end without a profile. For a meter that "
    "sends only after a command, type the command: write fff2=a501. Esc closes this sheet; teaching continues."
)


@dataclass(frozen=True, slots=True)
class UnknownMeter:
    """A meter that can be taught. ``text`` is its line in the list."""

    address: str
    text: str


def teachable_meters(meters: MetersView | None, discovery: DiscoveryView | None) -> tuple[UnknownMeter, ...]:
    """Return the meters on the air: the unusable first, then those that no driver fits, then the others."""
    ranked: dict[str, tuple[int, UnknownMeter]] = {}
    for meter in meters["meters"] if meters else ():
        rank = 0 if meter["state"] == ConnectionState.UNUSABLE else 2
        ranked[meter["address"].upper()] = rank, _unknown_meter(meter["name"], meter["address"], meter["state"])
    for device in discovery["devices"] if discovery else ():
        rank, status = (1, "no driver fits") if device["fit"] == DriverFit.NO else (2, f"driver {device['driver']}")
        meter_line = _unknown_meter(device["name"], device["address"], status)
        ranked.setdefault(device["address"].upper(), (rank, meter_line))
    return tuple(unknown_meter for _, unknown_meter in sorted(ranked.values(), key=lambda pair: pair[0]))


def _unknown_meter(name: str, address: str, status: str) -> UnknownMeter:
    return UnknownMeter(address, "  ".join(filter(None, map(clean_text, (name, address, status.upper())))))


class MeterPicker(Sheet[str]):
    """Closes with the address of the picked meter, or without a result."""

    def __init__(self, cautions: tuple[str, ...], rows: tuple[UnknownMeter, ...]) -> None:
        super().__init__(cautions)
        self._rows = rows

    def body(self) -> ComposeResult:
        """Yield the list of meters; it grows as meters are found."""
        yield Static("Teach which meter? ↑ ↓, then Enter. Esc closes.", classes="heading", markup=False)
        yield OptionList(*self._options(), markup=False)

    def on_mount(self) -> None:
        """Highlight the first meter."""
        option_list = self.query_one(OptionList)
        option_list.highlighted = 0 if self._rows else None
        option_list.focus()

    def list_meters(self, rows: tuple[UnknownMeter, ...]) -> None:
        """List ``rows``; the highlighted meter stays highlighted."""
        if rows == self._rows:
            return
        option_list = self.query_one(OptionList)
        highlighted = option_list.highlighted
        address = self._rows[highlighted].address if highlighted is not None and self._rows else ""
        self._rows = rows
        option_list.clear_options()
        option_list.add_options(self._options())
        index = next((index for index, row in enumerate(rows) if row.address == address), 0)
        option_list.highlighted = index if rows else None

    def _options(self) -> list[Option]:
        # Options have no ids: addresses from the link might repeat.
        return [Option(Content(row.text)) for row in self._rows] or [
            Option("No meter found yet. Switch the meter and its Bluetooth on.", disabled=True)
        ]

    def on_option_list_option_selected(self, selected: OptionList.OptionSelected) -> None:
        """Close with the address of the selected meter."""
        self.dismiss(self._rows[selected.option_index].address)


class TeachSheet(Sheet[None]):
    """Passes the typed line to ``send`` as a command; displays its error and the progress of teaching.

    ``view`` is the state of teaching. Without a view, the sheet begins teaching.
    """

    has_field = True

    def __init__(
        self, cautions: tuple[str, ...], address: str, view: TeachView | None, send: SendTeachCommand, clock: Clock
    ) -> None:
        super().__init__(cautions)
        self._clock = clock
        self._typed = ""
        self._first_key_ns = 0  # monotonic, of the text that is being typed
        self._address = address
        self._initial_view = view
        self._send = send
        self._view_received = False  # until the station sends a view of this meter, views are of an earlier meter

    def body(self) -> ComposeResult:
        """Yield the suggested reading, the field, then the progress, the entries and the instructions."""
        yield Static(f"Teach {clean_text(self._address)}", classes="heading", markup=False, id="teach-meter")
        yield Sentence("teach-next", "NEXT", tone="hint")
        field = Input(placeholder="the display, such as 4.70 uF", max_length=_LONGEST, id="displayed-value")
        field.cursor_blink = False
        yield field
        yield Static("", id="error", classes="error", markup=False)
        yield Static("Connecting.", id="teach-progress", markup=False)
        yield Static("", id="teach-entries", markup=False)
        yield Static(_INSTRUCTIONS, markup=False)

    def on_mount(self) -> None:
        """Focus the field; begin teaching if it has not begun."""
        self.query_one(Input).focus()
        if self._initial_view is None:
            self.run_worker(self._begin_teaching(), name="teach")
        self.show_teaching(self._initial_view)

    async def _begin_teaching(self) -> None:
        self._show_input_error(await self._send(CommandName.TEACH, {}))

    def show_teaching(self, view: TeachView | None) -> None:
        """Display the state of teaching if ``view`` is of this meter."""
        if view is None or (
            view["meter"].upper() != self._address.upper() and (view["meter"] or not self._view_received)
        ):
            return
        self._view_received = True
        name = clean_text(view["name"]) or clean_text(self._address)
        self.query_one("#teach-meter", Static).update(f"Teach {name}")
        self.query_one("#teach-next", Sentence).show(clean_text(view["suggested_reading"], _LONGEST_SENTENCE))
        self.query_one("#teach-progress", Static).update(Content("\n").join(_progress_lines(view)))
        self.query_one("#teach-entries", Static).update(Content("\n").join(_entry_lines(view)))

    def _show_input_error(self, error: str) -> None:
        self.query_one("#error", Static).update(f"✗ {error}" if error else "")

    def on_input_changed(self, changed: Input.Changed) -> None:
        """Note the time of the first key of a text: the display at that time is the one that was read.

        A text that is corrected keeps its time; one that is typed over the selected text begins anew.
        """
        before, self._typed = self._typed, changed.value
        if not before or (len(changed.value) == 1 and len(before) > _LONGEST_ERASED):
            self._first_key_ns = self._clock.now().monotonic_ns

    def on_input_submitted(self, submitted: Input.Submitted) -> None:
        """Empty the field for the next display, and send the text to the station."""
        text = submitted.value.strip()
        command, arguments = parse_teach_line(text)
        if command is CommandName.TEACH_ENTRY:
            typed_ns = self._clock.now().monotonic_ns - self._first_key_ns
            arguments["typed_ms"] = max(typed_ns, 0) // 1_000_000
        self._replace_text("", self._first_key_ns)
        self.run_worker(self._submit(submitted.value, command, arguments, self._first_key_ns), name="teach-line")

    async def _submit(
        self, typed: str, command: CommandName, arguments: dict[str, str | int], first_key_ns: int
    ) -> None:
        """Send the line and display its error. A refused text returns, selected, so that the next key replaces it.

        If the person types the next display already, the refused text is only named: nothing is joined to it.
        """
        error = await self._send(command, arguments) if typed.strip() else "Nothing was typed."
        field = self.query_one(Input)
        if error and not field.value:
            self._replace_text(typed, first_key_ns)
            field.select_all()
        elif error and typed.strip():
            error = f"{clean_text(typed.strip(), _LONGEST_ECHO)} is not entered: {error}"
        self._show_input_error(error)
        if not error and command is CommandName.TEACH_STOP:
            self.dismiss()

    def _replace_text(self, text: str, first_key_ns: int) -> None:
        """Change the field's text, of which the first key was pressed at ``first_key_ns``; no key was pressed now."""
        self._typed, self._first_key_ns = text, first_key_ns
        field = self.query_one(Input)
        with field.prevent(Input.Changed):
            field.value = text


def _progress_lines(view: TeachView) -> Iterator[Content]:
    if progress := clean_text(view["progress"], _LONGEST_SENTENCE).rstrip("."):
        yield Content.assemble((f"{progress}.", "$strong"))
    analyzing = " Analyzing the entries." if view["analyzing"] else ""
    counted = f"{count_phrase(view['packets'], 'packet')}, {count_phrase(len(view['entries']), 'entry')}"
    yield Content(f"{counted}.{analyzing}")
    if view["profile_path"]:
        yield _marked_sentence(
            "✓ DONE", "good", f"Profile written to {view['profile_path']}. The station uses it for this meter now."
        )
    elif not view["meter"]:
        yield _marked_sentence("STOPPED", "warn", "No profile was written.")
    elif view["has_profile"]:
        yield _marked_sentence(
            "✓ PROFILE READY",
            "good",
            "The profile explains every entry. Type done to write it; more entries make it surer.",
        )
    elif view["error"]:
        yield _marked_sentence("NO PROFILE YET", "warn", f"{view['error']}.")
    for function in view["functions"]:
        yield Content(f"  {clean_text(function['function'])}: {clean_text(function['confidence'], _LONGEST_SENTENCE)}")


def _entry_lines(view: TeachView) -> Iterator[Content]:
    """Yield one line per entry with its problem, the newest first."""
    for number, entry in reversed(list(enumerate(view["entries"], 1))):
        line = Content(f"{number:>3}. {clean_text(entry['text'])}")
        problem = clean_text(entry["problem"], _LONGEST_SENTENCE)
        yield Content.assemble(line, (f"  ✗ {problem}", "bold $bad")) if problem else line


def _marked_sentence(mark: str, tone: str, text: str) -> Content:
    return Content.assemble((mark, f"bold ${tone}"), (f" {clean_text(text, _LONGEST_SENTENCE)}", "$strong"))
