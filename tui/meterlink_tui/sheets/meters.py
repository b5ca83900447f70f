"""The sheets of the meters: list them, bind them, and set the facts about each."""

from collections.abc import Awaitable, Callable, Mapping, Sequence
from functools import partial

from textual.app import ComposeResult
from textual.content import Content
from textual.widgets import OptionList, Static
from textual.widgets.option_list import Option

from meterlink.core.clock import Clock
from meterlink.core.text import LONGEST_NAME, clean_text
from meterlink.link.messages import CommandName, DiscoveryView, KnownMetersView, MetersView
from meterlink_tui.meter_entries import MeterAction, MeterEntry, compose_meter_entries, meter_actions
from meterlink_tui.scene import QuestionChoice, Tone
from meterlink_tui.sheets.sheet import Sheet
from meterlink_tui.sheets.text import TextSheet
from meterlink_tui.widgets.choices import ChoiceList
from meterlink_tui.widgets.meters import meter_lines

# Sends a command with its arguments; returns the error as a sentence, empty if there is none.
SendCommand = Callable[[CommandName, Mapping[str, str]], Awaitable[str]]

_AGE_PERIOD = 1.0  # s; the ages are shown in seconds
_LONGEST_ERROR = 240  # characters
_LONGEST_ACCURACY = 1000  # characters; the lines of a sheet
_TYPED = "typed"  # the choice to type a line of the manual
_NONE = "none"
_REST = "best"


class ChoiceSheet(Sheet[str]):
    """Closes with the key of the chosen one of ``choices``, or without a result. ``present`` is highlighted first."""

    def __init__(
        self, cautions: tuple[str, ...], heading: str, choices: Sequence[QuestionChoice], present: str
    ) -> None:
        super().__init__(cautions)
        self._heading = heading
        self._choices = tuple(choices)
        self._present = present

    def body(self) -> ComposeResult:
        """Yield the heading and the choices."""
        yield Static(f"{self._heading} A digit, or ↑ ↓ and Enter. Esc goes back.", classes="heading", markup=False)
        yield ChoiceList()

    def on_mount(self) -> None:
        """Display the choices."""
        choice_list = self.query_one(ChoiceList)
        choice_list.show(self._choices)
        choice_list.highlighted = next(
            (index for index, choice in enumerate(self._choices) if choice.key == self._present), 0
        )

    def on_choice_list_chosen(self, chosen: ChoiceList.Chosen) -> None:
        """Close with the chosen one."""
        self.dismiss(chosen.key)


class MetersSheet(Sheet[None]):
    """Lists the meters; Enter opens the actions on one.

    ``titles`` is ``{key of a test point of the visit: its title}``. ``teach`` opens the sheet that teaches a meter.
    """

    def __init__(
        self,
        cautions: tuple[str, ...],
        titles: Mapping[str, str],
        clock: Clock,
        send: SendCommand,
        teach: Callable[[str], None],
    ) -> None:
        super().__init__(cautions)
        self._titles = titles
        self._clock = clock
        self._send = send
        self._teach = teach
        self._views: tuple[KnownMetersView | None, MetersView | None, DiscoveryView | None] = (None, None, None)
        self._entries: tuple[MeterEntry, ...] = ()
        self._lines: tuple[str, ...] | None = None  # before the first list

    def body(self) -> ComposeResult:
        """Yield the list of meters, the details of the highlighted one, and the outcome of the last action."""
        yield Static("Meters: ↑ ↓, Enter for the actions. Esc closes.", classes="heading", markup=False)
        yield Static("", id="radio", markup=False)
        yield OptionList(markup=False)
        yield Static("", id="meter-details", markup=False)
        yield Static("", id="outcome", markup=False)

    def on_mount(self) -> None:
        """Ask the station for the meters it knows and for those on the air."""
        self.query_one(OptionList).focus()
        self.set_interval(_AGE_PERIOD, self._show)
        self.run_worker(self._ask(), name="list-meters")
        self._show()

    async def _ask(self) -> None:
        for command, arguments in ((CommandName.LIST_METERS, {}), (CommandName.FIND, {"text": "meters"})):
            self._report(await self._send(command, arguments))

    def show_meters(
        self, known: KnownMetersView | None, meters: MetersView | None, discovery: DiscoveryView | None
    ) -> None:
        """Display the newest messages about meters."""
        self._views = known, meters, discovery
        self._show()

    def _show(self) -> None:
        self._entries = compose_meter_entries(*self._views, self._titles, self._clock.now().utc_ns)
        meters = self._views[1]
        error = clean_text(meters["radio_error"], _LONGEST_ERROR) if meters else ""
        radio = self.query_one("#radio", Static)
        radio.display = bool(error)
        radio.update(Content.styled(f"! {error}", "bold $warn"))
        lines = tuple(_line(entry) for entry in self._entries)
        if lines != self._lines:
            self._list(lines)
        self._show_details()

    def _list(self, lines: tuple[str, ...]) -> None:
        option_list = self.query_one(OptionList)
        if self._lines is not None and len(lines) == len(
            self._lines
        ):  # only ages and states: the list stays where it is
            for index, (old, new) in enumerate(zip(self._lines, lines, strict=True)):
                if old != new:
                    option_list.replace_option_prompt_at_index(index, Content(new))
        else:
            highlighted = option_list.highlighted or 0
            option_list.clear_options()
            # Options have no ids: addresses from the link might repeat. Their text is plain, so that the highlighted
            # line is reversed from end to end, without colour too.
            option_list.add_options(
                [Option(Content(line)) for line in lines]
                or [Option("No meter yet. Switch the meter and its Bluetooth on.", disabled=True)]
            )
            option_list.highlighted = min(highlighted, len(lines) - 1) if lines else None
        self._lines = lines

    @property
    def _highlighted(self) -> MeterEntry | None:
        index = self.query_one(OptionList).highlighted
        return self._entries[index] if index is not None and index < len(self._entries) else None

    def _show_details(self) -> None:
        entry = self._highlighted
        tones = {Tone.WARN: "bold $warn"}
        rows = entry.details if entry else ()
        self.query_one("#meter-details", Static).update(
            Content("\n").join(
                Content.styled(f"! {text}" if tone is Tone.WARN else text, tones.get(tone, "$strong"))
                for tone, text in rows
            )
        )

    def on_option_list_option_highlighted(self) -> None:
        """Display the details of the highlighted meter."""
        self._show_details()

    def on_option_list_option_selected(self) -> None:
        """Open the actions on the highlighted meter."""
        entry = self._highlighted
        if entry is not None:
            choices = meter_actions(entry, self._titles)
            first = MeterAction.NAME if entry.bound or not entry.has_radio else MeterAction.BIND
            self.app.push_screen(
                ChoiceSheet(self._cautions, f"{entry.title}:", choices, first), partial(self._act, entry)
            )

    def _act(self, entry: MeterEntry, action: str | None) -> None:
        match action:
            case MeterAction.BIND:
                self._start(entry, CommandName.BIND, "Binding; this may take some seconds.")
            case MeterAction.UNBIND:
                self._start(entry, CommandName.UNBIND, "Unbinding.")
            case MeterAction.TEACH:
                self._teach(entry.address)
            case MeterAction.NAME:
                instruction = "Type the name that the screen and the record show."
                self._type(entry, CommandName.NAME_METER, instruction, entry.name, "clamp meter", LONGEST_NAME)
            case MeterAction.TEST_POINT:
                points = [(_NONE, "the active one", ""), *((key, title, "") for key, title in self._titles.items())]
                self._pick(entry, "Which test point does it always measure?", points, self._pin, entry.test_point)
            case MeterAction.DRIVER:
                drivers = [
                    (_REST, "the one that fits best", ""),
                    *((name, clean_text(name), "") for name in self._drivers),
                ]
                self._pick(entry, "Which driver reads it?", drivers, self._set_driver, entry.driver)
            case MeterAction.ACCURACY:
                classes = [
                    (view["key"], clean_text(view["key"]), clean_text(view["words"].partition(": ")[2], _LONGEST_ERROR))
                    for view in (self._views[0]["classes"] if self._views[0] else ())
                ]
                typed = (_TYPED, "type it", "a line of its manual, which says most: capacitance: 0.9 % + 2 digits")
                self._pick(entry, "How good is it?", [typed, *classes], self._set_accuracy, entry.accuracy)
            case MeterAction.CALIBRATION:
                instruction = "Type the date, the due date and the certificate. An empty line forgets them."
                example = "2026-03-01, due 2027-03-01, certificate K-1047"
                self._type(entry, CommandName.SET_CALIBRATION, instruction, entry.calibration, example)

    @property
    def _drivers(self) -> list[str]:
        return self._views[0]["drivers"] if self._views[0] else []

    def _pin(self, entry: MeterEntry, key: str) -> None:
        self._start(entry, CommandName.PIN, "Saving.", {} if key == _NONE else {"point": key})

    def _set_driver(self, entry: MeterEntry, key: str) -> None:
        self._start(entry, CommandName.SET_DRIVER, "Connecting again.", {"text": "" if key == _REST else key})

    def _set_accuracy(self, entry: MeterEntry, key: str) -> None:
        if key != _TYPED:
            self._start(entry, CommandName.SET_ACCURACY, "Judging the readings of open visits again.", {"text": key})
            return
        instruction = (
            "Type a line of its manual; it counts for its quantity and range. The accepted readings of open visits are"
            " judged again."
        )
        example = "capacitance: 0.9 % + 2 digits"
        self._type(entry, CommandName.SET_ACCURACY, instruction, "", example, _LONGEST_ACCURACY)

    def _pick(
        self,
        entry: MeterEntry,
        heading: str,
        rows: Sequence[tuple[str, str, str]],
        done: Callable[[MeterEntry, str], None],
        present: str,
    ) -> None:
        """Let one of ``rows`` be chosen: ``(key, label, words)``; ``present`` is the key of the present one."""
        choices = [QuestionChoice(*row, usual=False) for row in rows]

        def chosen(key: str | None) -> None:
            if key is not None:
                done(entry, key)

        self.app.push_screen(ChoiceSheet(self._cautions, f"{entry.title}: {heading}", choices, present), chosen)

    def _type(
        self, entry: MeterEntry, command: CommandName, instruction: str, text: str, example: str, longest: int = 200
    ) -> None:
        async def submit(typed: str) -> str:
            error = await self._send(command, {"meter": entry.address, "text": typed})
            if not error:
                self._report("")
            return error

        heading = f"{entry.title}: {_HEADINGS[command]}"
        self.app.push_screen(
            TextSheet(
                self._cautions,
                heading,
                f"{instruction} Enter saves it, Esc cancels.",
                submit,
                text=text,
                example=example,
                longest=longest,
                may_be_empty=True,
            )
        )

    def _start(
        self, entry: MeterEntry, command: CommandName, words: str, arguments: Mapping[str, str] | None = None
    ) -> None:
        self.query_one("#outcome", Static).update(words)
        self.run_worker(self._run(entry, command, arguments or {}), name=command)

    async def _run(self, entry: MeterEntry, command: CommandName, arguments: Mapping[str, str]) -> None:
        error = await self._send(command, {"meter": entry.address, **arguments})
        if not error and command in {CommandName.BIND, CommandName.UNBIND}:
            await self._ask()
        self._report(error, f"✓ {entry.title}: {_DONE[command]}")

    def _report(self, error: str, done: str = "") -> None:
        text = Content.styled(f"✗ {error}", "bold $bad") if error else Content.styled(done, "bold $good")
        self.query_one("#outcome", Static).update(text)


_HEADINGS = {
    CommandName.NAME_METER: "its name",
    CommandName.SET_ACCURACY: "a line of its accuracy",
    CommandName.SET_CALIBRATION: "its calibration",
}
_DONE = {
    CommandName.BIND: "bound.",
    CommandName.UNBIND: "unbound; its readings are kept.",
    CommandName.PIN: "test point kept.",
    CommandName.SET_DRIVER: "driver kept.",
    CommandName.SET_ACCURACY: "accuracy kept; open visits are judged by it.",
}


def _line(entry: MeterEntry) -> str:
    age = f" {entry.age} ago" if entry.age else ""
    return f"{meter_lines(entry.line).plain}{age}"
