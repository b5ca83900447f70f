"""The dashboard: draws a station's newest messages at most ten times a second, sends it what keys ask."""

import asyncio
from contextlib import suppress
from functools import partial
from typing import ClassVar, Literal, NamedTuple

from textual.app import App, ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Container, VerticalScroll
from textual.css.query import NoMatches
from textual.events import Resize

from meterlink.core.clock import Clock, SystemClock
from meterlink.core.errors import MeterlinkError
from meterlink.core.text import clean_name
from meterlink.link.messages import Message
from meterlink_tui.connection import Connect, Station
from meterlink_tui.latest import Latest
from meterlink_tui.scene import STALE_AFTER, Alert, Scene, Tone, age_at_receipt, compose, say_age
from meterlink_tui.sheets.diagnosis import Findings
from meterlink_tui.sheets.help import Help, key_names
from meterlink_tui.sheets.manual_entry import Keyed
from meterlink_tui.sheets.rating import Rate
from meterlink_tui.sheets.teach import Teach, TeachPick, candidates
from meterlink_tui.sheets.test_points import Pick
from meterlink_tui.terminal import check_terminal
from meterlink_tui.themes import DARK, LIGHT
from meterlink_tui.widgets.live import Live, PhaseRow
from meterlink_tui.widgets.meters import Meters
from meterlink_tui.widgets.scale import Scale
from meterlink_tui.widgets.sentences import Alerts, Header, Heading, Sentence
from meterlink_tui.widgets.test_points import Points

FRAME = 0.1  # s; ten drawings a second are more than a reading changes, and few enough for a slow SSH line
_RETRY = 1.0  # s; a local socket costs nothing to try
_BREATH = 100  # messages between two chances for the screen, should a station never make us wait
_LONGEST_ERROR = 200


class Arrangement(NamedTuple):
    """How the screen is laid out: its style class, the columns for the reading, and the rows of its lettering."""

    name: Literal["single", "double", "roomy"]
    width: int
    tallest: int


def arrange(width: int, height: int) -> Arrangement:
    """Return the arrangement for a terminal of that size: one column below 60, large from 110×34 on."""
    if width < 60:
        return Arrangement("single", width - 3, 3 if height < 30 else 5)
    if width >= 110 and height >= 34:
        return Arrangement("roomy", width * 3 // 5 - 3, 8)
    return Arrangement("double", width - 3, 5)


class Dashboard(App[None]):
    """What a technician looks at. ``connect`` opens a connection to the station, again each time one is lost.

    ``clock`` tells how old a reading is; ``retry`` is the wait in seconds between two attempts to connect.
    """

    CSS_PATH = "dashboard.tcss"
    TITLE = "Meterlink"
    ENABLE_COMMAND_PALETTE = False
    AUTO_FOCUS = None
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("n,right", "ask('next')", "next", id="next", tooltip="Go to the next test point"),
        Binding("p,left", "ask('previous')", "back", id="previous", tooltip="Go to the previous test point"),
        Binding("l", "pick", "list", id="pick", tooltip="Pick a test point from the list"),
        Binding("r", "ask('retake')", "retake", id="retake", tooltip="Measure this test point again; both are kept"),
        Binding("h", "ask('hold')", "hold", id="hold", tooltip="Hold what the meter shows now, such as an overload"),
        Binding("t", "rate", "rating", id="rate", tooltip="Type what is printed on the part"),
        Binding("k", "key", "key in", id="key", show=False, tooltip="Type what a meter without Bluetooth shows"),
        Binding(
            "f", "findings", "findings", id="findings", tooltip="What the readings point to, and what would decide"
        ),
        Binding("m", "teach", "teach", id="teach", show=False, tooltip="Teach a meter that no driver fits"),
        Binding("d", "theme", "theme", id="theme", show=False, tooltip="Change between the dark and the light screen"),
        Binding("question_mark,f1", "help", "help", id="help", tooltip="Show the keys and the marks"),
        Binding("q", "quit", "quit", id="quit", tooltip="Leave the dashboard"),
        Binding("ctrl+c", "quit", "quit", id="interrupt", show=False, priority=True, tooltip="Leave, from anywhere"),
        Binding("pagedown,down", "further", "more", id="further", show=False, tooltip="Scroll down on a small screen"),
        Binding("pageup,up", "backward", "back", id="backward", show=False, tooltip="Scroll up on a small screen"),
    ]

    def __init__(self, connect: Connect, *, clock: Clock | None = None, retry: float = _RETRY) -> None:
        super().__init__()
        self._connect = connect
        self._clock = clock or SystemClock()
        self._retry = retry
        self._station: Station | None = None
        self._latest = Latest()
        self._gone: str | None = None
        self._said: Alert | None = None
        self._live_came: tuple[int, float] | None = None  # monotonic ns at receipt, age in s it had then
        self._drawn_for: object = None
        self.redraws = 0
        self.scene: Scene | None = None
        self.animation_level = "none"  # movement says nothing here, and costs a slow line
        for theme in (DARK, LIGHT):
            self.register_theme(theme)
        self.theme = DARK.name

    def compose(self) -> ComposeResult:
        """The scrolling body between what never scrolls: header and alerts above, advice, caution and keys below."""
        yield Header()
        yield Alerts()
        yield Sentence("worked-out", "✗", tone="bad")
        with VerticalScroll(id="body", can_focus=False):
            with Container(id="bench"):
                yield Heading()
                yield Live()
                yield PhaseRow()
                yield Scale()
                yield Sentence("reason")
            with Container(id="lists"):
                yield Points()
                yield Meters()
        yield Sentence("advice", "NEXT", tone="hint")
        yield Sentence("caution", "CAUTION", tone="warn")
        yield Sentence("keys")

    def on_mount(self) -> None:
        """Start drawing and start listening."""
        self.frames = self.set_interval(FRAME, self.draw)
        self.run_worker(self._follow(), name="follow")

    def on_resize(self, event: Resize) -> None:
        """Lay out anew."""
        chosen = arrange(event.size.width, event.size.height).name
        for name in ("single", "double", "roomy"):
            self.screen_stack[0].set_class(name == chosen, f"-{name}")
        self.screen_stack[0].query_one("#keys", Sentence).show(_key_line(chosen == "single"))
        self._drawn_for = None
        self.draw()

    # Listening

    async def _follow(self) -> None:
        while True:
            try:
                self._station = await self._connect()
                self._latest, self._live_came, self._gone = Latest(), None, None
                await self._listen(self._station)
                self._gone = "The station's daemon has stopped."
            except MeterlinkError as error:
                self._gone = str(error)
            finally:
                station, self._station = self._station, None
                if station is not None:
                    await station.close()
            await asyncio.sleep(self._retry)

    async def _listen(self, station: Station) -> None:
        count = 0
        async for message in station:
            self.take(message)
            count += 1
            if count % _BREATH == 0:
                await asyncio.sleep(0)

    def take(self, message: Message) -> None:
        """Keep a message for the next drawing."""
        if message["topic"] == "live":
            now = self._clock.stamp()
            self._live_came = now.monotonic_ns, age_at_receipt(message["at"], now.utc_ns)
        self._latest.put(message)

    def _age(self) -> float | None:
        if self._live_came is None:
            return None
        came, age = self._live_came
        return age + (self._clock.stamp().monotonic_ns - came) / 1e9

    # Drawing

    def draw(self) -> None:
        """Draw what has changed since the last time; nothing when nothing has."""
        age = self._age()
        drawn_for = (self._gone, self._said, None if age is None or age <= STALE_AFTER else say_age(age))
        if not self._latest.take_dirty() and drawn_for == self._drawn_for:
            return
        self._drawn_for = drawn_for
        self.redraws += 1
        # A last frame may come while the screen is being taken down, and find widgets gone.
        with suppress(NoMatches):
            self._show(compose(self._latest, age, self._gone, self._said))

    def _show(self, scene: Scene) -> None:
        self.scene = scene
        base = self.screen_stack[0]
        place = arrange(*self.size)
        base.query_one(Header).show(scene.place, scene.tally)
        base.query_one(Alerts).show(scene.alerts)
        base.query_one("#worked-out", Sentence).show(scene.worked_out)
        base.query_one(Heading).show(scene.title, scene.between, "" if place.name == "single" else scene.against)
        base.query_one(Live).show(
            scene.number, scene.ruling, width=place.width, tallest=place.tallest, stacked=place.name != "double"
        )
        base.query_one(PhaseRow).show(scene.phase, scene.ruling)
        base.query_one(Scale).show(scene.gauge, scene.ruling.tone if scene.ruling.tone != Tone.PLAIN else "strong")
        base.query_one("#reason", Sentence).show(scene.against if place.name == "single" else "", scene.ruling.reason)
        base.query_one(Points).show(scene.points)
        base.query_one(Meters).show(scene.meters)
        base.query_one("#advice", Sentence).show(scene.advice)
        for screen in self.screen_stack:  # under an open sheet too
            screen.query_one("#caution", Sentence).show(*scene.cautions)
            if isinstance(screen, TeachPick):
                screen.list_meters(candidates(self._latest.meters, self._latest.air))
            elif isinstance(screen, Teach):
                screen.tell(self._latest.teach)

    # Keys

    async def send(self, do: str, **fields: str) -> str:
        """Ask the station and return its error in words, empty when it was carried out."""
        if self._station is None:
            return "Not connected to the station: nothing was changed."
        try:
            error = await self._station.send(do, **fields)
        except MeterlinkError as failure:
            error = str(failure)
        return clean_name(error, _LONGEST_ERROR)

    async def _ask(self, do: str, **fields: str) -> None:
        error = await self.send(do, **fields)
        self._say(error)

    def _say(self, text: str) -> None:
        self._said = Alert("NOT DONE", text, Tone.WARN) if text else None

    def action_ask(self, do: str) -> None:
        """Send a command that needs nothing beside it; in a worker, so a slow station does not freeze the keys."""
        self.run_worker(self._ask(do), name=do)

    def action_pick(self) -> None:
        """Open the list of test points."""
        if self.scene is None or not self.scene.points:
            self._say("There are no test points to pick from.")
            return
        self.push_screen(Pick(self.scene.cautions, self.scene.points, self.size.width), self._go)

    def _go(self, key: str | None) -> None:
        if key is not None:
            self.run_worker(self._ask("focus", point=key), name="focus")

    def action_rate(self) -> None:
        """Open the field for the rating of the active test point."""
        active = self.scene.active if self.scene else None
        if active is None or self.scene is None:
            self._say("There is no test point to give a rating to.")
            return
        self.push_screen(Rate(self.scene.cautions, active, partial(self._rate, active.key)))

    async def _rate(self, key: str, text: str) -> str:
        return await self.send("rate", point=key, text=text)

    def action_key(self) -> None:
        """Open the field for a value read off a meter without a radio, at the active test point."""
        active = self.scene.active if self.scene else None
        if active is None or self.scene is None:
            self._say("There is no test point to type a reading for.")
            return
        self.push_screen(Keyed(self.scene.cautions, active, partial(self._key, active.key)))

    async def _key(self, point: str, text: str) -> str:
        return await self.send("key", point=point, text=text)

    def action_teach(self) -> None:
        """Go on with the meter that is being taught, or list those that can be."""
        cautions = self.scene.cautions if self.scene else ()
        view = self._latest.teach
        if view is not None and view["meter"]:
            self.push_screen(Teach(cautions, view["meter"], view, partial(self._teach, view["meter"])))
            return
        self.push_screen(TeachPick(cautions, candidates(self._latest.meters, self._latest.air)), self._begin_teaching)
        self.run_worker(self._ask("find", text="teach"), name="find")

    def _begin_teaching(self, address: str | None) -> None:
        if address is not None:
            cautions = self.scene.cautions if self.scene else ()
            self.push_screen(Teach(cautions, address, None, partial(self._teach, address)))

    async def _teach(self, address: str, text: str) -> str:
        return await self.send("teach", meter=address, text=text)

    def action_help(self) -> None:
        """Open the help sheet."""
        cautions = self.scene.cautions if self.scene else ()
        self.push_screen(Help(cautions, (b for b in self.BINDINGS if isinstance(b, Binding))))

    def action_findings(self) -> None:
        """Open what the visit's readings point to."""
        self.push_screen(Findings(self.scene.cautions if self.scene else (), self._latest.visit))

    def action_theme(self) -> None:
        """Change between dark and light."""
        self.theme = LIGHT.name if self.theme == DARK.name else DARK.name

    def action_further(self) -> None:
        """Scroll the body down."""
        self.query_one("#body").scroll_page_down(animate=False)

    def action_backward(self) -> None:
        """Scroll the body up."""
        self.query_one("#body").scroll_page_up(animate=False)


# What one row of 40 columns has room for; the help sheet has the rest.
_FIRST_KEYS = ("next", "retake", "rate", "help")


def _key_line(short: bool) -> str:  # noqa: FBT001  # of two fixed rows
    keys = [b for b in Dashboard.BINDINGS if isinstance(b, Binding) and b.show and (not short or b.id in _FIRST_KEYS)]
    return "  ".join(f"{key_names(b).split(',')[0]} {b.description}" for b in keys)


async def run_dashboard(connect: Connect, *, clock: Clock | None = None, light: bool = False) -> None:
    """Show the dashboard in this terminal until it is left, in the event loop that is running.

    NoTerminalError, before anything is written, where there is no terminal. ``light`` starts with the light theme.
    """
    check_terminal()
    app = Dashboard(connect, clock=clock)
    if light:
        app.theme = LIGHT.name
    # Without the mouse the terminal's own marking and copying still works, and a wet touch screen does nothing.
    await app.run_async(mouse=False)
