"""The protocol between the daemon and a watcher: one JSON object a line, versioned by the greeting.

The daemon sends a `Greeting`, then messages by *topic*. Each message replaces the one before it of the same topic, so
a slow watcher loses only outdated messages; it normally misses some ``live`` messages. A watcher sends `Command`
lines. The daemon answers each with a `Reply` that has the same ``id``, and reads the next one when it has left. A
watcher that has nothing to say sends a blank line every 30 s; one that is silent for 90 s is disconnected.

A text with a meaning for a program is a member of an enum. A watcher receives it as a plain string, so it compares
with ``==``, never with ``is``.
"""

from collections.abc import Mapping
from enum import StrEnum
from types import MappingProxyType
from typing import Literal, NamedTuple, NotRequired, TypedDict

from meterlink.core.equipment import CircuitState, ConnectionState, DerivedPointKind, DriverFit, PointKind
from meterlink.core.key_actions import KeyAction
from meterlink.core.notices import NoticeLevel
from meterlink.core.questions import Question
from meterlink.core.readings import DisplayMode, Phase, Status
from meterlink.core.units import Quantity
from meterlink.core.verdicts import Margin, Verdict

PROTOCOL_VERSION = 1


class Topic(StrEnum):
    """The kinds of messages from the daemon."""

    GREETING = "hello"
    VISIT = "visit"
    METERS = "meters"
    LIVE = "live"
    NOTICE = "notice"
    DISCOVERY = "discovery"
    TEACH = "teach"
    VISITS = "visits"
    KNOWN_METERS = "known_meters"
    REPLY = "reply"


class Greeting(TypedDict):
    """The daemon's first line."""

    topic: Literal[Topic.GREETING]
    protocol: int
    version: str
    process: int  # the daemon's process identifier
    station: str
    data: str  # the daemon's data folder, for read-only queries


class LimitsView(TypedDict):
    """Limits as text in ``unit`` (decimal digits, no exponent); both count as within. None: that side is open."""

    low: str | None
    high: str | None
    nominal: str | None  # the rated value, or the middle of two limits; None if one side is open
    unit: str
    basis: str


class ChoiceView(TypedDict):
    """One choice of a question: ``key`` answers it, ``words`` describe it and its conclusion."""

    key: str
    words: str


class QuestionView(TypedDict):
    """A question that is still to be answered."""

    question: str
    choices: list[ChoiceView]
    usual: str | None  # the key of the choice that is right most of the time


class PlanQuestionView(TypedDict):
    """A question of the plan about the machine; the command ``answer`` answers it by its ``key``."""

    key: str
    question: QuestionView


class AcceptedView(TypedDict):
    """An accepted reading with its verdict. ``text`` is the meter's display; times are RFC 3339 UTC."""

    id: int  # unique in the visit
    uid: str  # unique across stations
    revision: int  # the number of its verdicts: 1, and one more for each time it was judged again
    text: str
    number_text: str  # ``text`` in two parts: 4.70, OL
    unit_text: str  # µF, V AC
    status: Status
    digits: str | None  # in the limits' unit
    verdict: Verdict
    margin: Margin | None  # None for a verdict other than within and outside
    deviation_percent: str | None
    reason: str
    accuracy: str
    calibration: str  # of the meter on that day: calibration overdue since 2026-03-01; empty if unknown
    next_measurement: str  # the measurement that would settle a close call, as a sentence; empty for a clear margin
    probability: float | None  # 0..1, that the part is within its limits; None for an overload or without limits
    rule: str  # the decision rule of the verdict
    question: QuestionView | None  # the command ``answer`` answers it
    answer: str  # the key of the choice that led to the verdict; empty if nothing was asked
    meter: str
    at: str
    settled_in: float  # seconds from the first touch of the probes to the acceptance


class LastView(TypedDict):
    """The newest accepted reading at a test point in an earlier visit to the unit."""

    text: str
    verdict: Verdict
    margin: Margin | None
    at: str
    of_old_part: bool  # the part was replaced since


class VoidedView(TypedDict):
    """A voided reading."""

    uid: str
    text: str
    reason: str


class PointView(TypedDict):
    """A test point of the visit, in plan order."""

    key: str
    title: str
    circuit: str
    component: str
    section: str
    terminals: list[str]
    quantity: Quantity
    kind: PointKind
    state: CircuitState
    limits: LimitsView | None
    label: str  # the marking on the part, as it may be typed again; empty if it is not known
    rating: str | None  # as printed, e.g. "45 µF ±6 %"; None if not entered yet
    why: str
    caution: str
    brief_caution: str  # its short form, for the second test point of a kind; empty: there is none
    accepted: AcceptedView | None
    old_part: AcceptedView | None  # the newest reading of the part before, if it was replaced during the visit
    last: LastView | None
    voided: list[VoidedView]
    repeats: int  # number of accepted readings at this point before ``accepted``


class CauseView(TypedDict):
    """One cause of a diagnosis, with its evidence and the measurement that would decide."""

    title: str
    confidence: str  # very likely, likely, possible, unlikely, cannot tell until measured again
    evidence_for: list[str]
    evidence_against: list[str]
    next_measurement: str
    caution: str


class DerivedView(TypedDict):
    """The result at a derived point."""

    key: str
    title: str
    kind: DerivedPointKind
    verdict: Verdict | None  # None while readings are missing, or if they allow no verdict
    margin: Margin | None
    value: str  # the figure in a few words, empty if there is none
    text: str  # the verdict's reason with the numbers, or the reason why there is no verdict
    basis: str  # the limit and the formula
    missing: list[str]  # the readings that are still needed


class VisitView(TypedDict):
    """Topic ``visit``: sent on every change of plan, focus, rating or accepted reading."""

    topic: Literal[Topic.VISIT]
    site: str
    unit: str
    plan: str
    opened: str
    questions: list[PlanQuestionView]  # the open questions of the plan, to be answered in this order
    points: list[PointView]
    focus: str | None  # key of the active test point; None if every point has its reading
    next_point: str | None  # the point that follows, once the active one has its reading
    last_accepted: str | None  # key of the test point accepted most recently
    causes: list[CauseView]  # in order of confidence
    summary: str  # the causes in a sentence
    replacements: list[str]  # replacements of failed parts from stock, a sentence each
    derived: list[DerivedView]  # in plan order
    advice: str  # the next step, in a sentence
    offers: list[KeyAction]  # the actions that the advice speaks of: the screen names their keys
    caution: str  # for the active test point


class MeterView(TypedDict):
    """One meter."""

    name: str
    address: str
    state: ConnectionState
    detail: str  # the reason and the remedy if it is not connected
    driver: str
    rssi: int | None  # dBm
    battery: int | None  # percent
    low_battery: bool
    readings: int
    dropped_packets: int  # the meter sent faster than a display changes, or the station was too slow
    at: str | None  # the time of its newest reading, RFC 3339 UTC; None before the first


class MetersView(TypedDict):
    """Topic ``meters``."""

    topic: Literal[Topic.METERS]
    meters: list[MeterView]
    radio_error: str  # "" while the radio works, else the fault and its remedy


class StopLevel(StrEnum):
    """How sure it is that work must stop."""

    VOLTAGE = "voltage"
    VOLTAGE_OR_GHOST = "voltage or ghost"  # so few volts AC that coupling from a wire beside may be all


class StopView(TypedDict):
    """A warning over everything else on the screen: voltage where there must be none."""

    level: StopLevel
    title: str
    text: str


class KnownMeterView(TypedDict):
    """One meter of the data folder with the facts that a technician or the settings give; each text may be empty."""

    name: str
    address: str  # the present one
    first_address: str
    bound: bool
    serial: str
    has_radio: bool  # False for the meter whose readings are typed in
    test_point: str  # the key of the test point that it always measures
    driver: str  # the driver or profile that somebody chose
    accuracy: str  # a class, and lines; empty: the lines assumed for any meter
    calibration: str  # 2026-03-01, due 2027-03-01, certificate K-1047
    calibration_state: str  # today: calibration overdue since 2027-03-01
    overdue: bool
    remarks: list[str]  # sentences on entries that do not count: settings.toml of 2026-11-20 is older: ...


class KnownMetersView(TypedDict):
    """Topic ``known_meters``: sent after a ``list_meters`` command, and after each command that sets a fact."""

    topic: Literal[Topic.KNOWN_METERS]
    meters: list[KnownMeterView]
    classes: list[ChoiceView]  # of accuracy, with their lines
    drivers: list[str]  # the names that `set_driver` takes


class LiveView(TypedDict):
    """Topic ``live``: the newest reading of the meter that is measuring, at most twenty times a second.

    ``text`` is the meter's display, ``number_text`` and ``unit_text`` are its two parts. ``digits`` and
    ``unit`` are converted to the unit of the active limits, if there are any, to be drawn on their scale.
    ``function_matches`` is false if the active test point needs another function of the meter. ``point`` is the key of
    the test point that the reading belongs to. ``stop`` may come from the reading of another meter.
    """

    topic: Literal[Topic.LIVE]
    meter: str
    text: str
    number_text: str
    unit_text: str
    digits: str | None
    unit: str
    quantity: Quantity
    status: Status
    phase: Phase
    progress: float  # 0..1 towards being accepted
    point: str | None
    function_matches: bool
    verdict: Verdict | None  # of this reading; kept only when the reading is accepted
    display_mode: DisplayMode
    at: str
    stop: StopView | None


class NoticeView(TypedDict):
    """Topic ``notice``: a fault of the station itself (disk full, broker refused …); empty text after the fault."""

    topic: Literal[Topic.NOTICE]
    level: NoticeLevel
    text: str


class ProblemView(TypedDict):
    """A problem of the station, in sentences: the fault and its remedy."""

    source: str  # its subject: radio, broker, store, ...
    level: NoticeLevel
    text: str


class MeterStatusView(TypedDict):
    """One meter in a `StatusView`; gaps are those that began in the last 24 hours."""

    name: str
    address: str
    state: ConnectionState | None  # None if no daemon runs
    detail: str  # the reason and the remedy if it is not connected
    at: str | None  # the time of its newest reading, RFC 3339 UTC; None before the first
    gaps: int
    gap_seconds: float  # the length of the gaps that have ended
    lost: int  # packets and readings that are known to be missing from the gaps
    dropped_packets: int | None  # since the daemon's start; None if no daemon runs


class StatusView(TypedDict):
    """The state of a station: the data of the reply to ``status``. Fields of the daemon are None if none runs."""

    running: bool
    version: str | None
    process: int | None
    station: str | None
    data: str
    since: str | None  # the daemon's start, RFC 3339 UTC
    uptime: float | None  # s
    meters: list[MeterStatusView]
    radio_error: str | None  # as in `MetersView`
    packets_waiting: int | None
    commits_waiting: int | None
    longest_pause: float | None  # s, of the event loop, in about the last hour
    broker: str | None  # connecting, online, waiting, configuration, stopped; empty: the settings name none
    outbox: int  # messages that wait for the broker
    set_aside: int  # messages that the broker refused
    messages_dropped: int  # since the database was made
    readings_dropped: int  # likewise
    database_bytes: int  # with its log
    disk_free_bytes: int
    bytes_per_day: int  # of the raw readings of the last 24 hours
    days_left: float | None  # until the disk is full at that rate; None without readings in the last 24 hours
    clock_set: bool | None  # None if this machine does not report it
    clock_steps: int  # in the last 24 hours
    problems: list[ProblemView]  # the most severe first


class DriverScoreView(TypedDict):
    """How well a driver fits a meter, from 0 (not at all) to 1 (certainly)."""

    name: str
    score: float


class DeviceView(TypedDict):
    """One device on the air, or a bound meter that is not heard.

    ``score`` (0..1) and ``fit`` are those of ``driver``, the best
    driver. ``driver_scores`` has all drivers with a score above 0. ``meter_name`` is the meter's name in this data
    folder and ``first_address`` its first known address; both are empty for an unknown device. ``state`` is empty
    if no daemon supervises the meter.
    """

    name: str  # as advertised, cleaned
    address: str
    rssi: int | None  # dBm
    advertised_services: list[str]  # service UUIDs
    discovered_services: list[str] | None  # service UUIDs found by connecting; None until that was done
    driver: str
    score: float
    fit: DriverFit
    driver_configured: bool  # whether the settings name ``driver`` for it
    driver_scores: list[DriverScoreView]
    bound: bool
    meter_name: str
    first_address: str
    serial: str
    state: ConnectionState | Literal[""]
    unusable_reason: str  # why it cannot be used now, as a sentence; empty if it can


class DiscoveryView(TypedDict):
    """Topic ``discovery``: the devices on the air; sent after a ``find`` command."""

    topic: Literal[Topic.DISCOVERY]
    request_text: str  # the ``text`` of the command
    devices: list[DeviceView]
    broken_drivers: list[str]  # drivers that cannot be used, each with the reason
    radio_error: str  # as in `MetersView`


class UnitView(TypedDict):
    """A unit and its newest visit. ``opened`` is RFC 3339 UTC."""

    site: str
    unit: str
    visit: str  # the uid of the visit
    plan: str
    opened: str
    is_open: bool
    is_active: bool


class PlanNameView(TypedDict):
    """A shipped plan: the name for a command, and its title."""

    key: str
    title: str


class VisitsView(TypedDict):
    """Topic ``visits``: the known units, open visits first, then the newest; sent after a ``list_visits`` command."""

    topic: Literal[Topic.VISITS]
    units: list[UnitView]
    plans: list[PlanNameView]


class TeachEntryView(TypedDict):
    """One entry. ``problem`` is its fault as a clause, empty if there is none."""

    text: str
    problem: str


class TeachFunctionView(TypedDict):
    """A function of the meter and the confidence in it, in words."""

    function: str
    confidence: str


class TeachView(TypedDict):
    """Topic ``teach``: a meter that is being taught. ``meter`` is its address, empty once teaching has ended."""

    topic: Literal[Topic.TEACH]
    meter: str
    name: str
    packets: int  # received since it began
    entries: list[TeachEntryView]
    analyzing: bool  # whether the newest entries are not analyzed yet
    suggested_reading: str  # the next most useful reading, in a sentence
    has_profile: bool  # whether a profile can be written
    functions: list[TeachFunctionView]
    error: str  # why there is no profile yet
    profile_path: str  # the profile's file, empty until it is written
    progress: str  # "14 of about 25; still open: kΩ, minus"; empty before the first analysis


Message = (
    Greeting | VisitView | MetersView | LiveView | NoticeView | DiscoveryView | TeachView | VisitsView | KnownMetersView
)


class CommandName(StrEnum):
    """The commands of a watcher, with their arguments in the fields of a `Command`; those in brackets are optional."""

    # The visit:
    ACTIVATE = "activate"  # point: make it the active test point
    NEXT = "next"  # move the active test point forward
    PREVIOUS = "previous"  # and back
    REPEAT = "repeat"  # measure the active point again; the earlier accepted reading stays in the database
    # Accept the reading on the display now. An overload needs this command: an open coil and probes in the air show the
    # same.
    ACCEPT = "accept"
    # point, text: enter the rating on a part: "45 uF 6 %", "10 to 18 ohm". For a text with several meanings the reply
    # has a question; the key of each choice is a text with one meaning.
    SET_RATING = "set_rating"
    # point, text: the reply's data has ``understood``, the rating in words; nothing is changed
    CHECK_RATING = "check_rating"
    # answer (the key or the number of a choice), [reading, the id of an accepted reading, or question, the key of a
    # question of the plan; else the plan's first one, or the only one about a reading]: a reading is then judged again,
    # the plan gets the test points that follow
    ANSWER = "answer"
    ENTER = "enter"  # text, [point]: enter a value from a meter without a radio, "4.70 uF"; else at the active point
    # Visits:
    LIST_VISITS = "list_visits"  # send a `VisitsView`
    BEGIN_VISIT = "begin_visit"  # site, unit, [plan, technician, job]: the reply's data has the uid as ``visit``
    SWITCH_VISIT = "switch_visit"  # visit, a uid: make that open visit the active one
    PAUSE_VISIT = "pause_visit"  # readings belong to no visit until another is active
    # outcome, [power, covers: on or off]: the reply's data has ``untested``, ``outside_not_replaced``, ``skipped``
    CLOSE_VISIT = "close_visit"
    NOTE = "note"  # text: keep a note on the visit
    # [text, a voltage that was read: "241 V AC"]: keep a note that the meter was proven on a known source; without a
    # text, by the steady voltage on its display. A test point that has accepted it loses it: the reading is voided.
    PROVE = "prove"
    VOID = "void"  # uid (of an accepted reading), text: void it for this reason; it is kept and counts nowhere
    UNVOID = "unvoid"  # uid: let it count again
    SKIP = "skip"  # point, text: keep the reason why it is not measured
    # point, [text, the new part's rating; answer, "fitted" where the rules object to the new part; source, "elsewhere"
    # for a part that is not off the truck]: record that the part is swapped. The reply's data has ``replacement`` (its
    # uid) and the check of the new part against the old one.
    REPLACE = "replace"
    UNDO_REPLACEMENT = "undo_replacement"  # point: undo the newest replacement of its part
    # point, since_utc_ns, until_utc_ns, [meter]: accept there the readings of that span outside any visit
    ASSIGN = "assign"
    # kind (loaded, received, used, returned, counted), part, text (its rating), count, [place, note]
    ADD_STOCK = "add_stock"
    RECEIVE_STOCK = "receive_stock"  # parts, a list of `ReceivedParts`: all are booked as received, or none
    # text (its rating), count, [part]: with fewer than that it is to be bought; 0: no mark
    SET_LOW_MARK = "set_low_mark"
    REPLACE_KEY = "replace_key"  # [text]: seal with a new key from now on; the text is the reason
    # [uid (of a message), or its beginning; else all]: publish what the broker refused once more; the reply's data:
    # ``retried``, and with a broker that of ``publish_now``
    RETRY_MESSAGES = "retry_messages"
    DELETE_MESSAGES = "delete_messages"
    # try to reach the broker now; the reply's data: ``broker``, its state; ``problem``; ``waiting``, ``refused``
    PUBLISH_NOW = "publish_now"
    # Sites and units:
    MOVE_VISIT = "move_visit"  # site, unit, [visit]: the visit is one of another unit
    RENAME_SITE = "rename_site"  # site, to_site
    RENAME_UNIT = "rename_unit"  # site, unit, to_unit
    MERGE_SITES = "merge_sites"  # site, to_site: the units of the first are those of the second
    MERGE_UNITS = "merge_units"  # site, unit, to_unit, [to_site]: the visits of the first are those of the second
    ARCHIVE_UNIT = "archive_unit"  # site, unit: list it no more for a new visit
    RESTORE_UNIT = "restore_unit"  # site, unit: list it again
    SHOW_UNIT = "show_unit"  # the reply's data has the facts about the active visit's unit, ``lines`` for a person
    SET_FACT = "set_fact"  # site, unit, fact (see `UnitFact`), [text]: keep it; without a text, remove it
    SET_SITE_FACT = "set_site_fact"  # site, fact (see `SiteFact`), [text]: keep it; without a text, remove it
    # site, [text, "units": their names, too]: remove its personal data; the reply's data has its new name as ``site``
    FORGET_SITE = "forget_site"
    FORGET_VISIT = "forget_visit"  # visit, a uid: remove its personal data
    # Discovery:
    FIND = "find"  # [text]: send a `DiscoveryView` with that ``request_text``
    DISCOVER_SERVICES = "discover_services"  # meter: connect once and read the services
    BIND = "bind"  # meter, [text, another name]: connect the meter from now on
    UNBIND = "unbind"  # meter: undo it
    CHANGE_ADDRESS = "change_address"  # meter (a known address), text (the new one): record a meter's new address
    # Facts about a meter, by its address or name:
    # Send a `KnownMetersView`; the reply's data has ``meters`` and, as in a `MetersView`, ``connected``.
    LIST_METERS = "list_meters"
    NAME_METER = "name_meter"  # meter, text: give it a name
    # meter, [point]: let it measure that test point only, in later visits too; without a point, undo it
    PIN = "pin"
    SET_DRIVER = "set_driver"  # meter, text: the driver or profile that reads it; empty: the one that fits best
    # meter, text (a class: "good", or lines: "capacitance: 0.9 % + 2 digits"): the accuracy. The accepted readings of
    # open visits are judged again by it.
    SET_ACCURACY = "set_accuracy"
    SET_CALIBRATION = "set_calibration"  # meter, text: "2026-03-01, due 2027-03-01, certificate K-1047"
    # uid (of the run), until_utc_ns, after_id (0, then that of the reply): delete the raw readings from before a time,
    # slice by slice; the reply's data: ``deleted``, ``after_id``, ``done``
    THIN = "thin"
    # meter, since_utc_ns, [text (the hash of the profile that decodes; empty for a driver without one), technician]:
    # decode the kept packets of the meter again, and record the corrections. The reply's data: ``corrected`` (accepted
    # readings), ``noted`` (those in closed visits, which get a note).
    DECODE_AGAIN = "decode_again"
    STATUS = "status"  # the reply's data is a `StatusView`
    # Teaching a meter that no driver fits; the answer is a `TeachView`:
    TEACH = "teach"  # meter: begin
    # meter, text ("4.70 uF"), [typed_ms, since its first key]: add an entry, the value on the display at that key
    TEACH_ENTRY = "teach_entry"
    TEACH_DROP = "teach_drop"  # meter, [text, numbers from 1: "3 7"]: remove these entries, else the last one
    TEACH_WRITE = "teach_write"  # meter, [text, UUID=HEX]: write to the meter; without a text, write no more
    TEACH_READ = "teach_read"  # meter, [text, UUID]: poll one of its values; without a text, poll no more
    TEACH_DONE = "teach_done"  # meter: write the profile and use it from now on
    TEACH_STOP = "teach_stop"  # meter: end without a profile


class Command(TypedDict):
    """A watcher's command. ``meter`` is an address; for discovery and teaching an address or a name."""

    id: int
    command: CommandName
    point: NotRequired[str]  # the key of a test point
    meter: NotRequired[str]
    text: NotRequired[str]
    site: NotRequired[str]
    unit: NotRequired[str]
    plan: NotRequired[str]
    technician: NotRequired[str]
    job: NotRequired[str]
    visit: NotRequired[str]
    outcome: NotRequired[str]
    uid: NotRequired[str]
    reading: NotRequired[int]
    question: NotRequired[str]
    answer: NotRequired[str]
    source: NotRequired[str]
    kind: NotRequired[str]
    part: NotRequired[str]
    count: NotRequired[int]
    place: NotRequired[str]
    note: NotRequired[str]
    power: NotRequired[str]
    covers: NotRequired[str]
    to_site: NotRequired[str]
    to_unit: NotRequired[str]
    fact: NotRequired[str]
    since_utc_ns: NotRequired[int]
    until_utc_ns: NotRequired[int]
    parts: NotRequired[list["ReceivedParts"]]
    after_id: NotRequired[int]
    typed_ms: NotRequired[int]


class ReceivedParts(TypedDict):
    """A line of a restock: ``count`` parts with the rating ``text``."""

    part: str
    text: str
    count: int
    place: NotRequired[str]


class Reply(TypedDict):
    """The answer to a `Command`: ``error`` is empty if it was carried out."""

    topic: Literal[Topic.REPLY]
    id: int
    error: str
    accepted: int | None  # the id of the reading that the command accepted; it is committed once a view has it
    question: QuestionView | None  # the command was not carried out, because its text has several meanings
    data: dict[str, object]  # the result of a command on visits; empty for other commands
    exit_code: int  # of a command line that reports the error; 0 without an error


class CommandResult(NamedTuple):
    """The result of a command.

    ``error`` is a sentence, empty if the command was carried out; ``exit_code`` is that of a command line that reports
    it. ``accepted`` is the id of the reading that it accepted or judged again. ``question`` is about the command's
    text. ``data`` is the result of a command on visits.
    """

    error: str = ""
    accepted: int | None = None
    question: QuestionView | None = None
    data: Mapping[str, object] = MappingProxyType({})
    exit_code: int = 0


def question_view(question: Question[object]) -> QuestionView:
    """Return the view of a question, without the conclusions."""
    choices = [ChoiceView(key=choice.key, words=choice.words) for choice in question.choices]
    return QuestionView(question=question.text, choices=choices, usual=question.usual)
