"""The dashboard: draws a station's newest messages as they change, and sends it the commands of keys."""

import asyncio
from collections.abc import Callable, Mapping
from contextlib import suppress
from functools import partial
from pathlib import Path
from typing import ClassVar

from textual.app import App, ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Container, VerticalScroll
from textual.content import Content
from textual.css.query import NoMatches
from textual.events import Event, Key, Resize

from meterlink.core.clock import Clock, SystemClock
from meterlink.core.errors import MeterlinkError
from meterlink.core.key_actions import DEFAULT_KEYS, KeyAction, Keys
from meterlink.core.text import LONGEST_REMARK, clean_text
from meterlink.link.messages import CommandName, Message, QuestionView, Reply, Topic
from meterlink.link.pacing import PacedAction
from meterlink_tui.arrangement import arrangement_for, rows_for, texts_of
from meterlink_tui.caution_memory import CautionMemory
from meterlink_tui.connection import Connector, StationConnection
from meterlink_tui.keys import key_name, keymap, printed_keys, with_keys
from meterlink_tui.latest_messages import LatestMessages
from meterlink_tui.scene import (
    STALE_AFTER,
    Alert,
    OpenQuestion,
    Scene,
    Tone,
    age_at_receipt,
    compose_scene,
    format_age,
    newest_accepted,
    restart_alert,
    seconds_to_next_age,
    version_alert,
    whole_cautions,
)
from meterlink_tui.sheets.cautions import CautionSheet
from meterlink_tui.sheets.diagnosis import DiagnosisSheet
from meterlink_tui.sheets.help import HelpSheet
from meterlink_tui.sheets.manual_entry import ManualEntrySheet
from meterlink_tui.sheets.meters import MetersSheet
from meterlink_tui.sheets.question import QuestionSheet
from meterlink_tui.sheets.rating import RatingSheet
from meterlink_tui.sheets.record import RecordSheet
from meterlink_tui.sheets.remark import SKIP_REASONS, VOID_REASONS, RemarkSheet
from meterlink_tui.sheets.replacement import ReplacementSheet
from meterlink_tui.sheets.sheet import Sheet
from meterlink_tui.sheets.teach import MeterPicker, TeachSheet, teachable_meters
from meterlink_tui.sheets.test_points import PointPicker
from meterlink_tui.sheets.unit import UnitSheet
from meterlink_tui.sheets.visits import (
    LeaveVisit,
    Leaving,
    OpenVisit,
    OutcomePicker,
    PauseVisit,
    Place,
    PlanPicker,
    VisitChoice,
    VisitPicker,
    left_text,
)
from meterlink_tui.sound.announcer import Announcer, SoundMode
from meterlink_tui.sound.moments import MomentFinder
from meterlink_tui.sound.voice import PROGRAM, Voice, find_voice
from meterlink_tui.terminal import check_terminal
from meterlink_tui.themes import DARK, LIGHT
from meterlink_tui.widgets.live import LivePanel, VerdictWord
from meterlink_tui.widgets.meters import MeterList
from meterlink_tui.widgets.scale import LimitScale
from meterlink_tui.widgets.sentences import Header, Paragraph, sentences_content
from meterlink_tui.widgets.test_points import PointList

# s at least between two drawings. Of several meters a reading waits half of the 100 ms in which it is to be seen; one
# meter changes ten times a second, so that a slow SSH line gets no more.
DRAW_INTERVAL = 0.05
_RECONNECT_DELAY = 1.0  # s; an attempt on a local socket is cheap
_YIELD_EVERY = 100  # messages; lets the screen and the keys run while a station sends without a pause
_LONGEST_ERROR = 200  # characters
_NOT_CONNECTED = "Not connected to the station: nothing was changed."


_QUITTING_KEYS = {"ctrl+c", "ctrl+q"}  # never wait
_LONGEST_WAY = 0.3  # s; a key that a widget has kept for itself does not come back


class Dashboard(App[None]):
    """The dashboard as a Textual application.

    ``connector`` opens a connection to the station, and a new one after each loss. ``clock`` gives the age of readings.
    ``reconnect_delay`` is the wait between two attempts to connect, in seconds. ``keys`` replace those of `BINDINGS`.
    ``database`` is the file of the record; None if it is on another machine.
    ``sound`` announces readings, by ``voice`` if it can speak; ``write`` writes the bells, by default to the terminal.
    """

    CSS_PATH = "dashboard.tcss"
    TITLE = "Meterlink"
    ENABLE_COMMAND_PALETTE = False
    AUTO_FOCUS = None
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding(
            "n,right", f"send_command('{CommandName.NEXT}')", "next", id="next", tooltip="Go to the next test point"
        ),
        Binding(
            "p,left",
            f"send_command('{CommandName.PREVIOUS}')",
            "back",
            id="previous",
            show=False,
            tooltip="Go to the previous test point",
        ),
        Binding("l", "pick", "list", id="pick", tooltip="Pick a test point from the list"),
        Binding(
            "r",
            f"send_command('{CommandName.REPEAT}')",
            "again",
            id="repeat",
            tooltip="Measure this test point again; both readings stay",
        ),
        Binding(
            "a",
            f"send_command('{CommandName.ACCEPT}')",
            "accept",
            id="accept",
            tooltip="Accept the reading on the display now, for example an overload",
        ),
        Binding(
            "y",
            f"send_command('{CommandName.PROVE}')",
            "prove",
            id="prove",
            show=False,
            tooltip="Keep the reading as the proof of the meter on a known source",
        ),
        Binding("t", "enter_rating", "rating", id="rating", tooltip="Type the rating that is printed on the part"),
        Binding("f", "large", "big", id="large", tooltip="Fill the screen with value and verdict, and go back"),
        Binding(
            "enter,e",
            "enter_reading",
            "enter reading",
            id="enter-reading",
            show=False,
            tooltip="Enter a reading from a meter without Bluetooth",
        ),
        Binding(
            "c", "diagnosis", "causes", id="diagnosis", tooltip="Show the causes and the next measurement for each"
        ),
        Binding(
            "o",
            "question",
            "open question",
            id="question",
            show=False,
            tooltip="Show the open question in words; the digits 1 to 9 answer it",
        ),
        Binding("x", "replace", "replace", id="replace", tooltip="Record that the part at this test point is replaced"),
        Binding("z", "void", "void", id="void", show=False, tooltip="Void the newest reading here, or take that back"),
        Binding("k", "skip", "skip", id="skip", show=False, tooltip="Skip this test point, with a reason"),
        Binding("w", "note", "note", id="note", show=False, tooltip="Write a note on the visit"),
        Binding("u", "unit", "unit", id="unit", show=False, tooltip="Show the unit: new parts, nameplate, ratings"),
        Binding(
            "h",
            "history",
            "history",
            id="history",
            show=False,
            tooltip="Show earlier readings of this part, and all others",
        ),
        Binding(
            "g",
            "report",
            "report",
            id="report",
            show=False,
            tooltip="Write the report on the visit that was closed last",
        ),
        Binding("i", "cautions", "caution", id="cautions", show=False, tooltip="Show the cautions whole"),
        Binding("s", "sound", "sound", id="sound", show=False, tooltip="Turn the sound off and on"),
        Binding("v", "visits", "visit", id="visits", tooltip="Begin a visit, go on with another, or close this one"),
        Binding("b", "meters", "meters", id="meters", show=False, tooltip="List the meters; bind and name them"),
        Binding("m", "teach", "teach", id="teach", show=False, tooltip="Teach a meter that no driver fits"),
        Binding("d", "theme", "theme", id="theme", show=False, tooltip="Switch between the dark and the light screen"),
        Binding("question_mark,f1", "help", "help", id="help", tooltip="Show the keys and the marks"),
        Binding("q", "quit", "quit", id="quit", show=False, tooltip="Leave the dashboard"),
        Binding(
            "ctrl+c",
            "quit",
            "quit",
            id="interrupt",
            show=False,
            priority=True,
            tooltip="Leave the dashboard, from any sheet",
        ),
        Binding(
            "pagedown,down", "page_down", "more", id="page-down", show=False, tooltip="Scroll down on a small screen"
        ),
        Binding("pageup,up", "page_up", "back", id="page-up", show=False, tooltip="Scroll up on a small screen"),
    ]

    def __init__(
        self,
        connector: Connector,
        *,
        clock: Clock | None = None,
        reconnect_delay: float = _RECONNECT_DELAY,
        keys: Keys = DEFAULT_KEYS,
        database: Path | None = None,
        sound: SoundMode = SoundMode.BELL,
        voice: Voice | None = None,
        write: Callable[[str], object] | None = None,
    ) -> None:
        super().__init__()
        self._keys = keys
        self.set_keymap(keymap(keys))
        self._announcer = Announcer(write or self._write_to_terminal, sound, voice)
        self._moments = MomentFinder()
        self._is_flash_due = False
        self._connector = connector
        self._database = database
        self._clock = clock or SystemClock()
        self._reconnect_delay = reconnect_delay
        self._station: StationConnection | None = None
        self._latest_messages = LatestMessages()
        self._disconnect_reason: str | None = None
        self._command_error: Alert | None = None
        self._closed_visit = ""  # uid of the visit that was closed here, until another one begins
        if sound is SoundMode.SPEECH and voice is None:
            self._command_error = Alert("SOUND", f"{PROGRAM} is not installed: bells in place of speech.", Tone.WARN)
        self._incident = ""
        self._incident_after: str | None = None  # the newest accepted reading when the station was back
        self._live_receipt: tuple[int, float] | None = None  # monotonic ns at receipt, age in s it had then
        self._drawn_state: object = None
        self._held_keys: list[Key] = []  # which wait for the key before them, or for the sheet on the screen
        self._key_on_its_way: Key | None = None  # through the widgets of the dashboard, back to its bindings
        self._caution_memory = CautionMemory()
        self.is_large = False  # whether value and verdict fill the screen
        # The app's own queue carries the drawing out: there an error in it ends the app, with its report.
        self.pace = PacedAction(lambda: self.call_later(self.draw), DRAW_INTERVAL)
        self._age_timer: asyncio.TimerHandle | None = None
        self.draws = 0
        self.redraws = 0
        self.scene: Scene | None = None
        self.animation_level = "none"  # animation carries no information here, and it loads a slow line
        for theme in (DARK, LIGHT):
            self.register_theme(theme)
        self.theme = DARK.name

    def compose(self) -> ComposeResult:
        """Yield the fixed header and alerts, the scrolling body, then the fixed advice, caution and keys."""
        yield Paragraph("stop")
        yield Header()
        yield Paragraph("alerts")
        yield Paragraph("derived")
        with VerticalScroll(id="body", can_focus=False):
            with Container(id="bench"):
                yield Paragraph("heading")
                yield LivePanel()
                yield Paragraph("phase")
                yield LimitScale()
                yield Paragraph("reason")
            with Container(id="lists"):
                yield PointList()
                yield MeterList()
        yield Paragraph("question")
        yield Paragraph("advice")
        yield Paragraph("caution")
        yield Paragraph("keys")

    def on_mount(self) -> None:
        """Start the connection."""
        self.run_worker(self._keep_connected(), name="keep-connected")

    def on_unmount(self) -> None:
        """Forget the drawings that are planned."""
        self.pace.cancel()
        self._announcer.close()
        if self._age_timer is not None:
            self._age_timer.cancel()

    def on_resize(self, _event: Resize) -> None:
        """Draw for the new size."""
        self._drawn_state = None
        self.draw()

    # Messages

    async def _keep_connected(self) -> None:
        while True:
            try:
                self._station = await self._connector()
                self._latest_messages, self._live_receipt, self._disconnect_reason = LatestMessages(), None, None
                self._moments = MomentFinder()
                self._incident, self._incident_after = self._station.incident or self._incident, None
                self.pace.request()
                await self._receive_messages(self._station)
                self._disconnect_reason = "The station's daemon has stopped."
            except MeterlinkError as error:
                self._disconnect_reason = str(error)
            finally:
                station, self._station = self._station, None
                if station is not None:
                    await station.close()
                self.pace.request()
            await asyncio.sleep(self._reconnect_delay)

    async def _receive_messages(self, station: StationConnection) -> None:
        count = 0
        async for message in station:
            self.receive_message(message)
            count += 1
            if count % _YIELD_EVERY == 0:
                await asyncio.sleep(0)

    def receive_message(self, message: Message) -> None:
        """Keep a message for the next drawing."""
        heard = None
        if message["topic"] == Topic.LIVE:
            now = self._clock.now()
            visit = self._latest_messages.visit
            heard = self._moments.in_live(message, visit["points"] if visit else [])
            self._live_receipt = now.monotonic_ns, age_at_receipt(message["at"], now.utc_ns)
        if message["topic"] == Topic.VISIT:
            self._note_newest(newest_accepted(message))
            if message["unit"]:
                self._closed_visit = ""
        self._latest_messages.put(message)
        if message["topic"] == Topic.VISIT:
            self._caution_memory.update(message)
            heard = self._moments.in_visit(message)
        if heard is not None:
            self._announcer.announce(heard)
            self._is_flash_due = heard.point is not None
        self.pace.request()

    def _note_newest(self, accepted: str) -> None:
        """Take the report of a restart off the screen once the next reading is accepted."""
        if self._incident_after is None:
            self._incident_after = accepted
        elif accepted != self._incident_after:
            self._incident = ""

    def _incident_alert(self) -> Alert | None:
        if self._incident:
            return restart_alert(self._incident, self._latest_messages.visit)
        other_version = self._station.other_version if self._station else ""
        return version_alert(other_version) if other_version else None

    def _age(self) -> float | None:
        if self._live_receipt is None:
            return None
        received_ns, age = self._live_receipt
        return age + (self._clock.now().monotonic_ns - received_ns) / 1e9

    # Drawing

    def draw(self) -> None:
        """Draw the screen if a message, an error or the displayed age has changed."""
        self.draws += 1
        age = self._age()
        self._plan_next_age(age)
        state = (
            self._disconnect_reason,
            self._command_error,
            None if age is None or age <= STALE_AFTER else format_age(age),
            self.is_large,
            self._announcer.is_on,
        )
        if not self._latest_messages.pop_changed_topics() and state == self._drawn_state:
            return
        self._drawn_state = state
        self.redraws += 1
        # A last frame may be drawn while the screen is being removed and some widgets no longer exist.
        with suppress(NoMatches):
            self._draw_scene(
                compose_scene(
                    self._latest_messages,
                    age,
                    self._disconnect_reason,
                    self._command_error,
                    self._keys,
                    state_is_new=self._caution_memory.state_is_new,
                    incident=self._incident_alert(),
                )
            )

    def _plan_next_age(self, age: float | None) -> None:
        """Draw again when the age of a silent meter's reading is shown differently."""
        if self._age_timer is not None:
            self._age_timer.cancel()
            self._age_timer = None
        if age is not None:
            loop = asyncio.get_running_loop()
            self._age_timer = loop.call_later(seconds_to_next_age(age), self.pace.request)

    def _draw_scene(self, scene: Scene) -> None:
        self.scene = scene
        base, (width, height) = self.screen_stack[0], self.size
        arrangement = arrangement_for(width, height, large=self.is_large)
        caution_key, question_key = (
            key_name(action, self._keys) for action in (KeyAction.CAUTIONS, KeyAction.QUESTION)
        )
        texts = texts_of(scene, width, arrangement, caution_key, question_key)
        rows = rows_for(scene, texts, arrangement, width, height)
        for name in ("single", "double", "roomy", "large"):
            base.set_class(name == arrangement.name, f"-{name}")
        header = base.query_one(Header)
        header.display = rows["header"] > 0
        header.show(scene.site, scene.tally if self._announcer.is_on else f"{scene.tally} · sound off".lstrip(" ·"))
        full, bench = width - 2, arrangement.reading_width
        base.query_one("#derived", Paragraph).show_rows(
            sentences_content("✗", "bad", scene.failed_derived), full, rows["derived"]
        )
        scrolls = arrangement.name == "single"
        for part, content in texts._asdict().items():
            on_bench = part in {"heading", "phase", "reason"}
            # A screen of one column scrolls: the texts of its body are whole there.
            part_rows = height if scrolls and on_bench else rows[part]
            base.query_one(f"#{part}", Paragraph).show_rows(content, bench if on_bench else full, part_rows)
        base.query_one("#keys", Paragraph).show_rows(_key_line(self._keys, full, narrow=scrolls), full, rows["keys"])
        outlined = arrangement.name == "roomy" or (arrangement.name == "double" and rows["number"] >= 5)
        base.query_one(LivePanel).show(
            scene.value,
            scene.verdict,
            width=bench,
            rows=(rows["number"], rows["number"] if arrangement.name == "double" else rows["verdict"]),
            stacked=arrangement.name != "double",
            outlined=outlined,
        )
        if self._is_flash_due:
            self._is_flash_due = False
            base.query_one(VerdictWord).flash()
        scale = base.query_one(LimitScale)
        scale.display = scrolls or rows["scale"] > 0
        scale.show(scene.gauge, scene.verdict.tone if scene.verdict.tone != Tone.PLAIN else "strong")
        lists = base.query_one("#lists")
        lists.display = arrangement.name != "large"
        lists.styles.min_height = max(1, rows["list"])
        base.query_one(PointList).show(scene.points)
        base.query_one(MeterList).show(scene.meters, scene.radio_note)
        self._draw_sheets(scene)

    def _draw_sheets(self, scene: Scene) -> None:
        for screen in self.screen_stack:  # the dashboard under an open sheet too
            if isinstance(screen, Sheet):
                screen.show_warnings(scene.stop, scene.cautions)
            if isinstance(screen, VisitPicker):
                screen.list_visits(self._latest_messages.visits)
            elif isinstance(screen, PlanPicker):
                screen.list_plans(self._latest_messages.visits["plans"] if self._latest_messages.visits else ())
            elif isinstance(screen, MeterPicker):
                screen.list_meters(teachable_meters(self._latest_messages.meters, self._latest_messages.discovery))
            elif isinstance(screen, MetersSheet):
                latest = self._latest_messages
                screen.show_meters(latest.known_meters, latest.meters, latest.discovery)
            elif isinstance(screen, TeachSheet):
                screen.show_teaching(self._latest_messages.teach)
            elif isinstance(screen, RecordSheet):
                screen.show_live(scene)

    # Keys

    async def send(self, command: CommandName, **fields: str | int) -> str:
        """Send a command to the station and return its error as a sentence; empty if the command was carried out."""
        if self._station is None:
            return _NOT_CONNECTED
        try:
            error = await self._station.send(command, **fields)
        except MeterlinkError as link_error:
            error = str(link_error)
        self.draw()  # the effect of a key has come before its answer, and waits for no other drawing
        return clean_text(error, _LONGEST_ERROR)

    async def _send_text(self, command: CommandName, text: str, /, **fields: str) -> str:
        """Send a command with a text that was typed or chosen; return its error, or ""."""
        return await self.send(command, text=text, **fields)

    async def _send_command(self, command: CommandName, **fields: str | int) -> None:
        error = await self.send(command, **fields)
        self._report_command_error(error)

    def _report_command_error(self, text: str) -> None:
        self._command_error = Alert("NOT DONE", text, Tone.WARN) if text else None
        self.pace.request()

    def action_send_command(self, command: str) -> None:
        """Send a command without fields, in a worker: a slow station does not block the keys."""
        self.run_worker(self._send_command(CommandName(command)), name=command)

    def action_pick(self) -> None:
        """Open the list of test points."""
        if self.scene is None or not self.scene.points:
            self._report_command_error("There are no test points to pick from.")
            return
        self.push_screen(PointPicker(self.scene.cautions, self.scene.points, self.size.width), self._focus_point)

    def _focus_point(self, key: str | None) -> None:
        if key is not None:
            self.run_worker(self._send_command(CommandName.ACTIVATE, point=key), name="activate")

    def action_visits(self) -> None:
        """Open the list of visits and units."""
        cautions = self.scene.cautions if self.scene else ()
        self.push_screen(VisitPicker(cautions, self._latest_messages.visits), self._go_to_visit)
        self.run_worker(self._send_command(CommandName.LIST_VISITS), name="list-visits")

    def _go_to_visit(self, choice: VisitChoice | None) -> None:
        match choice:
            case OpenVisit():
                self._start_command(CommandName.SWITCH_VISIT, visit=choice.uid)
            case Place() if choice.is_known:  # its plan is that of its newest visit
                self._start_command(CommandName.BEGIN_VISIT, site=choice.site, unit=choice.unit)
            case Place():
                visits = self._latest_messages.visits
                self.push_screen(PlanPicker(choice, visits["plans"] if visits else ()), self._begin_visit)
            case LeaveVisit():
                self.push_screen(OutcomePicker(left_text(self._latest_messages.visit)), self._close_visit)
            case PauseVisit():
                self._start_command(CommandName.PAUSE_VISIT)

    def _begin_visit(self, begin: tuple[Place, str] | None) -> None:
        if begin is not None:
            place, plan = begin
            self._start_command(CommandName.BEGIN_VISIT, site=place.site, unit=place.unit, plan=plan)

    def _close_visit(self, leaving: Leaving | None) -> None:
        if leaving is not None:
            self.run_worker(self._close(leaving), name="close-visit")

    async def _close(self, leaving: Leaving) -> None:
        """Close the visit, and say how its report is made."""
        error, reply = await self._reply(
            CommandName.CLOSE_VISIT, outcome=leaving.outcome, power=leaving.power, covers=leaving.covers
        )
        self._report_command_error(error)
        if reply is not None and not error:
            self._closed_visit = str(reply["data"].get("visit", ""))
            text = f"{key_name(KeyAction.REPORT, self._keys)} writes the report on the visit."
            self._command_error = Alert("CLOSED", text, Tone.PLAIN)

    def _start_command(self, command: CommandName, **fields: str) -> None:
        self.run_worker(self._send_command(command, **fields), name=command)

    def action_enter_rating(self) -> None:
        """Open the sheet for the rating of the active test point."""
        self.draw()  # the newest view may not be on the screen yet
        active = self.scene.active_point if self.scene else None
        if active is None or self.scene is None:
            self._report_command_error("There is no active test point for a rating.")
            return
        send, check = partial(self._send_rating, active.key), partial(self._check_rating, active.key)
        self.push_screen(RatingSheet(self.scene.cautions, active, send, check))

    async def _send_rating(self, key: str, text: str) -> tuple[str, QuestionView | None]:
        return await self._request(CommandName.SET_RATING, point=key, text=text)

    async def _check_rating(self, key: str, text: str) -> str:
        """Return how a rating is understood; empty while the station does not answer."""
        error, reply = await self._reply(CommandName.CHECK_RATING, point=key, text=text)
        if reply is None:
            return ""
        if reply["question"] is not None:
            return "Several meanings: Enter asks which."
        return error or f"Understood: {reply['data']['understood']}"

    async def _reply(self, command: CommandName, **fields: str) -> tuple[str, Reply | None]:
        """Send a command to the station; return its error, or "", and the reply; None if there is no reply."""
        if self._station is None:
            return _NOT_CONNECTED, None
        try:
            reply = await self._station.request(command, **fields)
        except MeterlinkError as link_error:
            return clean_text(str(link_error), _LONGEST_ERROR), None
        return clean_text(reply["error"], _LONGEST_ERROR), reply

    async def _request(self, command: CommandName, **fields: str) -> tuple[str, QuestionView | None]:
        """Send a command to the station; return its error, or "", and its question."""
        error, reply = await self._reply(command, **fields)
        return error, reply["question"] if reply else None

    def action_replace(self) -> None:
        """Open the sheet for a replaced part at the active test point."""
        self.draw()  # the newest view may not be on the screen yet
        active = self.scene.active_point if self.scene else None
        if active is None or self.scene is None:
            self._report_command_error("There is no active test point whose part could be replaced.")
            return
        self.push_screen(
            ReplacementSheet(
                self.scene.cautions,
                active,
                partial(self._send_part, active.key),
                partial(self._check_rating, active.key),
                partial(self.send, CommandName.UNDO_REPLACEMENT, point=active.key),
                self._parts_on_truck(),
            )
        )

    def _parts_on_truck(self) -> str:
        """Return the sentences on the parts on the truck for the failed ones."""
        visit = self._latest_messages.visit
        return " ".join(clean_text(text, _LONGEST_ERROR) for text in visit["replacements"]) if visit else ""

    async def _send_part(self, key: str, text: str, answer: str) -> tuple[str, QuestionView | None]:
        return await self._request(CommandName.REPLACE, point=key, text=text, answer=answer)

    def action_void(self) -> None:
        """Void the newest reading at the active test point, or let it count again if it is voided."""
        self.draw()  # the newest view may not be on the screen yet
        active = self.scene.active_point if self.scene else None
        if active is None or self.scene is None or not (active.newest or active.newest_voided):
            self._report_command_error("There is no reading at this test point to void.")
            return
        if active.newest is None and active.newest_voided is not None:
            uid, text = active.newest_voided
            sheet = RemarkSheet(
                self.scene.cautions,
                f"{text} at the {active.title} is voided. Let it count again?",
                lambda _: self.send(CommandName.UNVOID, uid=uid),
                ("it counts again",),
            )
        elif active.newest is not None:
            uid, text = active.newest
            heading = f"Void {text} at the {active.title}: why? It is kept, and counts nowhere."
            sheet = RemarkSheet(
                self.scene.cautions, heading, partial(self._send_text, CommandName.VOID, uid=uid), VOID_REASONS
            )
        self.push_screen(sheet)

    def action_skip(self) -> None:
        """Skip the active test point, with a reason."""
        self.draw()  # the newest view may not be on the screen yet
        active = self.scene.active_point if self.scene else None
        if active is None or self.scene is None:
            self._report_command_error("There is no active test point to skip.")
            return
        heading = f"Skip the {active.title}: why?"
        send = partial(self._send_text, CommandName.SKIP, point=active.key)
        self.push_screen(RemarkSheet(self.scene.cautions, heading, send, SKIP_REASONS))

    async def action_unit(self) -> None:
        """Open the sheet of the unit that is visited."""
        error, lines = await self._unit_lines()
        visit = self._latest_messages.visit
        if error or visit is None:
            self._report_command_error(error)
            return
        name = f"{clean_text(visit['site'])} / {clean_text(visit['unit'])}"
        self.push_screen(UnitSheet(self.scene.cautions if self.scene else (), name, lines, self._send_fact))

    async def _unit_lines(self) -> tuple[str, list[str]]:
        """Return an error, or "", and the lines of the unit that is visited."""
        error, reply = await self._reply(CommandName.SHOW_UNIT)
        lines = reply["data"].get("lines", []) if reply else []
        return error, [clean_text(str(line), LONGEST_REMARK) for line in lines] if isinstance(lines, list) else []

    async def _send_fact(self, fact: str, text: str) -> tuple[str, list[str]]:
        visit = self._latest_messages.visit
        if visit is None:
            return _NOT_CONNECTED, []
        error = await self.send(CommandName.SET_FACT, site=visit["site"], unit=visit["unit"], fact=fact, text=text)
        return (error, []) if error else await self._unit_lines()

    def action_note(self) -> None:
        """Write a note on the visit."""
        cautions = self.scene.cautions if self.scene else ()
        self.push_screen(RemarkSheet(cautions, "A note on this visit:", partial(self._send_text, CommandName.NOTE)))

    async def on_event(self, event: Event) -> None:
        """Handle an event; a key waits until the key before it has had its effect, and until a sheet can take it."""
        if not isinstance(event, Key) or event.key in _QUITTING_KEYS:
            await super().on_event(event)
        elif not event.is_forwarded:
            self._held_keys.append(event)
            await self.pass_held_keys()
        else:  # it comes back from the screen: now its binding is run
            await super().on_event(event)
            if event is self._key_on_its_way:
                await self._end_way_of(event)

    async def pass_held_keys(self) -> None:
        """Pass on the keys that the screen can take now, in their order."""
        while self._held_keys and self._key_on_its_way is None:
            key = self._held_keys[0]
            if isinstance(self.screen, Sheet):
                if not self.screen.takes_key(key.key):
                    return
            else:
                self._key_on_its_way = key
                self.set_timer(_LONGEST_WAY, partial(self._end_way_of, key))
            await super().on_event(self._held_keys.pop(0))

    async def _end_way_of(self, key: Key) -> None:
        if self._key_on_its_way is key:
            self._key_on_its_way = None
            await self.pass_held_keys()

    def on_key(self, event: Key) -> None:
        """Answer the open question by a digit; sheets have their own keys."""
        if event.character is None or event.character not in "123456789" or len(self.screen_stack) > 1:
            return
        question = self.scene.question if self.scene else None
        choice = question.choice(event.character) if question else None
        if question is None or choice is None:
            self._report_command_error(f"There is no choice {event.character} to answer with. Enter types a reading.")
        else:
            self._answer(question, choice.key)

    def action_question(self) -> None:
        """Open the sheet of the open question."""
        question = self.scene.question if self.scene else None
        if question is None or self.scene is None:
            self._report_command_error("No question is open.")
            return
        self.push_screen(QuestionSheet(self.scene.cautions, question), partial(self._answer, question))

    def _answer(self, question: OpenQuestion, key: str | None) -> None:
        if key is not None:
            name, value = question.target
            self.run_worker(self._send_command(CommandName.ANSWER, **{name: value}, answer=key), name="answer")

    def action_enter_reading(self) -> None:
        """Open the sheet for a reading from a meter without Bluetooth, at the active test point.

        Once that has its reading, the value belongs to the point that follows.
        """
        self.draw()  # the newest view may not be on the screen yet
        active = self.scene.entry_point if self.scene else None
        if active is None or self.scene is None:
            self._report_command_error("There is no active test point for a reading.")
            return
        send = partial(self._send_text, CommandName.ENTER, point=active.key)
        self.push_screen(ManualEntrySheet(self.scene.cautions, active, send))

    def action_meters(self) -> None:
        """Open the sheet of the meters."""
        points = self.scene.points if self.scene else ()
        sheet = MetersSheet(
            self.scene.cautions if self.scene else (),
            {point.key: point.title for point in points},
            self._clock,
            lambda command, arguments: self.send(command, **arguments),
            self._begin_teaching,
        )
        latest = self._latest_messages
        self.push_screen(sheet)
        self.call_later(sheet.show_meters, latest.known_meters, latest.meters, latest.discovery)

    def action_teach(self) -> None:
        """Open the sheet of the meter that is being taught, or the list of meters to teach."""
        cautions = self.scene.cautions if self.scene else ()
        view = self._latest_messages.teach
        if view is not None and view["meter"]:
            self.push_screen(
                TeachSheet(cautions, view["meter"], view, partial(self._send_teach_command, view["meter"]), self._clock)
            )
            return
        self.push_screen(
            MeterPicker(cautions, teachable_meters(self._latest_messages.meters, self._latest_messages.discovery)),
            self._begin_teaching,
        )
        self.run_worker(self._send_command(CommandName.FIND, text="teach"), name="find")

    def _begin_teaching(self, address: str | None) -> None:
        if address is not None:
            cautions = self.scene.cautions if self.scene else ()
            self.push_screen(
                TeachSheet(cautions, address, None, partial(self._send_teach_command, address), self._clock)
            )

    async def _send_teach_command(self, address: str, command: CommandName, arguments: Mapping[str, str | int]) -> str:
        return await self.send(command, meter=address, **arguments)

    def action_help(self) -> None:
        """Open the help sheet."""
        cautions = self.scene.cautions if self.scene else ()
        self.push_screen(HelpSheet(cautions, with_keys(self.BINDINGS, self._keys)))

    def action_diagnosis(self) -> None:
        """Open the sheet of causes."""
        self.push_screen(DiagnosisSheet(self.scene.cautions if self.scene else (), self._latest_messages.visit))

    def action_history(self) -> None:
        """Open the accepted readings at the component of the active test point."""
        if self._database is None:
            self._report_command_error("The history is on the station's machine: run the dashboard there.")
            return
        # SQLite is loaded with the first look at the record.
        from meterlink.notebook.record import Record  # noqa: PLC0415
        from meterlink_tui.sheets.history import HistorySheet  # noqa: PLC0415

        self.push_screen(HistorySheet(self.scene, Record(self._database), self._line_of_active_part()))

    def action_report(self) -> None:
        """Write the customer's report on the visit that was closed last, in a worker."""
        if self._database is None:
            self._report_command_error("Reports are written on the station's machine: run the dashboard there.")
            return
        writing = self._write_report(self._database.parent, self._closed_visit)
        self.run_worker(writing, name="report", exclusive=True, group="report")

    async def _write_report(self, folder: Path, uid: str) -> None:
        # SQLite and the diagnosis are loaded with the first report.
        from meterlink.notebook.reports import write_customer_reports  # noqa: PLC0415

        try:
            files = await asyncio.to_thread(write_customer_reports, folder, uid)
        except MeterlinkError as error:
            self._report_command_error(clean_text(str(error), _LONGEST_ERROR))
            return
        first, *others = files
        names = " and ".join((str(first), *(file.name for file in others)))
        self._command_error = Alert("REPORT", clean_text(names, _LONGEST_ERROR), Tone.PLAIN)
        self.pace.request()

    def _line_of_active_part(self) -> str:
        """Return the filter line for the component of the active test point; empty without one."""
        visit, active = self._latest_messages.visit, self.scene.active_point if self.scene else None
        point = (
            next((point for point in visit["points"] if active and point["key"] == active.key), None) if visit else None
        )
        if visit is None or point is None:
            return ""
        names = (visit["site"], visit["unit"], point["component"], point["section"])
        return "".join(f'"{quotable}" ' for name in names if (quotable := clean_text(name).replace('"', " ").strip()))

    def action_large(self) -> None:
        """Fill the screen with value and verdict, or go back to the working view."""
        self.is_large = not self.is_large
        self.pace.request()

    def action_sound(self) -> None:
        """Turn the sound off, or on again."""
        self._announcer.toggle()
        self.pace.request()

    def _write_to_terminal(self, text: str) -> None:
        if self._driver is not None and not self.is_headless:
            self._driver.write(text)

    def action_cautions(self) -> None:
        """Show the cautions whole."""
        self.push_screen(CautionSheet(whole_cautions(self._latest_messages)))

    def action_theme(self) -> None:
        """Switch between the dark and the light theme."""
        self.theme = LIGHT.name if self.theme == DARK.name else DARK.name

    def action_page_down(self) -> None:
        """Scroll the body down."""
        self.query_one("#body").scroll_page_down(animate=False)

    def action_page_up(self) -> None:
        """Scroll the body up."""
        self.query_one("#body").scroll_page_up(animate=False)


# These fit in one row of 40 columns.
_NARROW_SCREEN_KEYS = ("next", "repeat", "rating", "help")


def _key_line(keys: Keys, width: int, *, narrow: bool) -> Content:
    """Return the keys that fit ``width`` columns; help, which lists all of them, is always the last one."""
    bindings = [
        binding
        for binding in with_keys(Dashboard.BINDINGS, keys)
        if binding.show and (not narrow or binding.id in _NARROW_SCREEN_KEYS)
    ]
    *texts, help_text = (f"{printed_keys(binding).split(',')[0]} {binding.description}" for binding in bindings)
    while texts and len("  ".join((*texts, help_text))) > width:
        texts.pop()
    return Content("  ".join((*texts, help_text)))


async def run_dashboard(
    connector: Connector,
    *,
    clock: Clock | None = None,
    light: bool = False,
    keys: Keys = DEFAULT_KEYS,
    database: Path | None = None,
    sound: SoundMode = SoundMode.BELL,
) -> None:
    """Show the dashboard in this terminal until the user leaves it. ``light`` starts with the light theme.

    ``database`` is the file of the record, for the history. ``sound`` announces accepted readings and stops.

    Raises:
        NoTerminalError: input or output is not a terminal that can draw a screen; nothing was written to it.
    """
    check_terminal()
    voice = find_voice() if sound is SoundMode.SPEECH else None
    app = Dashboard(connector, clock=clock, keys=keys, database=database, sound=sound, voice=voice)
    if light:
        app.theme = LIGHT.name
    # Without the mouse, the terminal's own selecting and copying works, and a wet touch screen triggers nothing.
    await app.run_async(mouse=False)
