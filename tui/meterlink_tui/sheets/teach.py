"""The sheets on which a meter that no driver fits is taught: which one, then reading by reading."""

from collections.abc import Iterator
from dataclasses import dataclass

from textual.app import ComposeResult
from textual.content import Content
from textual.widgets import Input, OptionList, Static
from textual.widgets.option_list import Option

from meterlink.core.text import clean_text
from meterlink.link.messages import DiscoveryView, MetersView, TeachView
from meterlink_tui.sheets.rating import SubmitText
from meterlink_tui.sheets.sheet import Sheet
from meterlink_tui.widgets.sentences import Sentence

_LONGEST = 200  # characters typed: no display shows more than 64, but a UUID and bytes to write are longer
_LONGEST_SENTENCE = 240
_INSTRUCTIONS = (
    "Keep the reading still, type all that the display shows, Enter. drop 3 takes the third back, done writes the "
    "profile, stop leaves all as it was. write fff2=a501 tells a meter that must be told to speak. Esc closes this "
    "sheet; teaching goes on."
)


@dataclass(frozen=True, slots=True)
class UnknownMeter:
    """A meter that can be taught."""

    address: str
    text: str


def teachable_meters(meters: MetersView | None, discovery: DiscoveryView | None) -> tuple[UnknownMeter, ...]:
    """Return the meters on the air: those that cannot be used first, then those no driver fits, then the others."""
    found: dict[str, tuple[int, UnknownMeter]] = {}
    for meter in meters["meters"] if meters else ():
        rank = 0 if meter["state"] == "unusable" else 2
        found[meter["address"].upper()] = rank, _unknown_meter(meter["name"], meter["address"], meter["state"])
    for one in discovery["devices"] if discovery else ():
        rank, said = (1, "no driver fits") if one["fit"] == "no" else (2, f"driver {one['driver']}")
        found.setdefault(one["address"].upper(), (rank, _unknown_meter(one["name"], one["address"], said)))
    return tuple(candidate for _, candidate in sorted(found.values(), key=lambda pair: pair[0]))


def _unknown_meter(name: str, address: str, status: str) -> UnknownMeter:
    return UnknownMeter(address, "  ".join(filter(None, map(clean_text, (name, address, status.upper())))))


class MeterPicker(Sheet[str]):
    """Closes with the address of the meter to teach, or with nothing."""

    def __init__(self, cautions: tuple[str, ...], rows: tuple[UnknownMeter, ...]) -> None:
        super().__init__(cautions)
        self._rows = rows

    def body(self) -> ComposeResult:
        """The meters, as they come to be known."""
        yield Static("Teach which meter? ↑ ↓, then Enter. Esc goes back.", classes="heading", markup=False)
        yield OptionList(*self._options(), markup=False)

    def on_mount(self) -> None:
        """Start from the first, which needs it most."""
        super().on_mount()
        listed = self.query_one(OptionList)
        listed.highlighted = 0 if self._rows else None
        listed.focus()

    def list_meters(self, rows: tuple[UnknownMeter, ...]) -> None:
        """List ``rows``; the highlighted meter stays highlighted."""
        if rows == self._rows:
            return
        listed = self.query_one(OptionList)
        chosen = self._rows[listed.highlighted].address if listed.highlighted is not None and self._rows else ""
        self._rows = rows
        listed.clear_options()
        listed.add_options(self._options())
        place = next((place for place, row in enumerate(rows) if row.address == chosen), 0)
        listed.highlighted = place if rows else None

    def _options(self) -> list[Option]:
        # Told apart by position: addresses come over the wire and might repeat.
        return [Option(Content(row.text)) for row in self._rows] or [
            Option("No meter is heard yet. Switch one and its Bluetooth on.", disabled=True)
        ]

    def on_option_list_option_selected(self, chosen: OptionList.OptionSelected) -> None:
        """Teach that one."""
        self.dismiss(self._rows[chosen.option_index].address)


class TeachSheet(Sheet[None]):
    """Hands what is typed to ``ask``, shows its error in words, and what the station makes of the labels so far.

    ``view`` is how the lesson stands; without one it is begun, by asking with an empty text.
    """

    def __init__(self, cautions: tuple[str, ...], address: str, view: TeachView | None, submit: SubmitText) -> None:
        super().__init__(cautions)
        self._address = address
        self._initial_view = view
        self._submit = submit
        self._view_received = (
            False  # whether the station has told of this meter; what it told before is of another lesson
        )

    def body(self) -> ComposeResult:
        """What to show the meter next, the field, then how far it has come; the rest scrolls."""
        yield Static(f"Teach {clean_text(self._address)}", classes="heading", markup=False, id="teach-meter")
        yield Sentence("teach-wanted", "NEXT", tone="hint")
        field = Input(placeholder="what the display shows now, for example: 4.70 uF", max_length=_LONGEST, id="shown")
        field.cursor_blink = False
        yield field
        yield Static("", id="error", classes="error", markup=False)
        yield Static("Connecting.", id="teach-progress", markup=False)
        yield Static("", id="teach-labels", markup=False)
        yield Static(_INSTRUCTIONS, markup=False)

    def on_mount(self) -> None:
        """Type at once."""
        super().on_mount()
        self.query_one(Input).focus()
        if self._initial_view is None:
            self.run_worker(self._begin_teaching(), name="teach")
        self.show_teaching(self._initial_view)

    async def _begin_teaching(self) -> None:
        self._show_input_error(await self._submit(""))

    def show_teaching(self, view: TeachView | None) -> None:
        """Show how the lesson stands, if ``view`` is of this meter."""
        if view is None or (
            view["meter"].upper() != self._address.upper() and (view["meter"] or not self._view_received)
        ):
            return
        self._view_received = True
        name = clean_text(view["name"]) or clean_text(self._address)
        self.query_one("#teach-meter", Static).update(f"Teach {name}")
        self.query_one("#teach-wanted", Sentence).show(clean_text(view["suggested_reading"], _LONGEST_SENTENCE))
        self.query_one("#teach-progress", Static).update(Content("\n").join(_progress_lines(view)))
        self.query_one("#teach-labels", Static).update(Content("\n").join(_label_lines(view)))

    def _show_input_error(self, error: str) -> None:
        self.query_one("#error", Static).update(f"✗ {error}" if error else "")

    async def on_input_submitted(self, submitted: Input.Submitted) -> None:
        """Hand it to the station."""
        text = submitted.value.strip()
        error = await self._submit(text) if text else "Nothing was typed."
        self._show_input_error(error)
        if not error:
            submitted.input.clear()
            if text.lower() == "stop":
                self.dismiss()


def _progress_lines(view: TeachView) -> Iterator[Content]:
    working = " Working it out." if view["analyzing"] else ""
    yield Content(f"{view['packets']} packets, {len(view['entries'])} labels.{working}")
    if view["profile_path"]:
        yield _marked_sentence(
            "✓ DONE", "good", f"Written to {view['profile_path']}. The station reads the meter by it now."
        )
    elif not view["meter"]:
        yield _marked_sentence("STOPPED", "warn", "Nothing was written.")
    elif view["has_profile"]:
        yield _marked_sentence(
            "✓ ACCEPTED", "good", "Every label is explained. More readings make it surer; done writes it."
        )
    elif view["error"]:
        yield _marked_sentence("NO PROFILE YET", "warn", f"{view['error']}.")
    for one in view["functions"]:
        yield Content(f"  {clean_text(one['function'])}: {clean_text(one['confidence'], _LONGEST_SENTENCE)}")


def _label_lines(view: TeachView) -> Iterator[Content]:
    """One line a label, the newest first, with what is wrong with it."""
    for number, label in reversed(list(enumerate(view["entries"], 1))):
        line = Content(f"{number:>3}. {clean_text(label['text'])}")
        trouble = clean_text(label["problem"], _LONGEST_SENTENCE)
        yield Content.assemble(line, (f"  ✗ {trouble}", "bold $bad")) if trouble else line


def _marked_sentence(mark: str, tone: str, text: str) -> Content:
    return Content.assemble((mark, f"bold ${tone}"), (f" {clean_text(text, _LONGEST_SENTENCE)}", "$strong"))
