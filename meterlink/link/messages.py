"""What the daemon and a watcher say to each other: one JSON object a line, versioned by the greeting.

The daemon sends a `Greeting`, then messages by *topic*; each message replaces the one before it of the same topic, so
a watcher that falls behind loses only what is already out of date. Dropping intermediate ``live`` messages is normal.
A watcher sends `Command` lines, each answered by a `Reply` with the same ``id``.
"""

from typing import Literal, NotRequired, TypedDict

PROTOCOL_VERSION = 1


class Greeting(TypedDict):
    """First line the daemon sends."""

    topic: Literal["hello"]
    protocol: int
    version: str
    station: str
    data: str  # the daemon's data folder, for read-only queries


class LimitsView(TypedDict):
    """Limits as text in ``unit`` (decimal digits, no exponent), both within; None where a side is open."""

    low: str | None
    high: str | None
    nominal: str | None  # the rated value, or the middle of two limits; None where one side is open
    unit: str
    basis: str


class AcceptedView(TypedDict):
    """A held reading with its verdict. ``text`` is what the meter showed; times are RFC 3339 UTC."""

    id: int
    text: str
    digits: str | None  # in the limits' unit
    verdict: str
    margin: str
    deviation_percent: str | None
    reason: str
    accuracy: str
    next_measurement: str  # what would settle a close call, in a sentence; empty for a clear one
    probability: float | None  # that the part is within its limits; None for an overload or where there are no limits
    rule: str  # the decision rule the verdict was taken by
    meter: str
    at: str
    settled_in: float  # seconds from the first touch of the probes to the hold


class PointView(TypedDict):
    """A test point of the visit, in plan order."""

    key: str
    title: str
    circuit: str
    component: str
    section: str
    terminals: list[str]
    quantity: str
    state: str
    limits: LimitsView | None
    rating: str | None  # as printed, e.g. "45 µF ±6 %"; None when not read off the part yet
    why: str
    caution: str
    accepted: AcceptedView | None
    repeats: int  # how many held readings at this point came before ``held``


class CauseView(TypedDict):
    """One explanation of what was read, the foremost first: what speaks for it, what against, what would decide."""

    title: str
    confidence: str  # very likely, likely, possible, unlikely
    evidence_for: list[str]
    evidence_against: list[str]
    next_measurement: str
    caution: str


class DerivedView(TypedDict):
    """What is worked out of several held readings, in plan order."""

    key: str
    title: str
    kind: str  # unbalance, under-load, windings, split
    verdict: str | None  # None while readings are missing, or where they do not tell
    margin: str | None
    value: str  # the figure in a few words, empty where there is none
    text: str  # the verdict's reason with the numbers, or why there is none
    basis: str  # what it is held against and how it is worked out
    missing: list[str]  # the readings it still needs


class VisitView(TypedDict):
    """Topic ``visit``: sent on every change of plan, focus, rating or held reading."""

    topic: Literal["visit"]
    site: str
    unit: str
    plan: str
    opened: str
    points: list[PointView]
    focus: str | None  # key of the active test point; None when every point is held
    last_accepted: str | None  # key of the test point held most recently
    causes: list[CauseView]
    summary: str  # the findings in a sentence
    replacements: list[str]  # what on the truck would replace a failed part, a sentence each
    derived: list[DerivedView]
    advice: str  # what to do next, in a sentence
    caution: str  # the caution that belongs to the active test point


class MeterView(TypedDict):
    """One meter. ``state``: searching, connecting, connected, silent, lost, needs you, unusable."""

    name: str
    address: str
    state: str
    detail: str  # why, in words, when not connected
    driver: str
    rssi: int | None  # dBm
    battery: int | None  # percent
    low_battery: bool
    readings: int


class MetersView(TypedDict):
    """Topic ``meters``."""

    topic: Literal["meters"]
    meters: list[MeterView]
    radio_error: str  # "" when the radio works, else what is wrong and what to try


class LiveView(TypedDict):
    """Topic ``live``: the newest reading of the meter that is measuring, at most a frame rate's worth a second.

    ``phase``: idle (nothing on the probes), settling, held. ``digits`` is in the active limits' unit where there are
    limits, so it can be drawn on their scale; ``text`` is always what the meter shows. ``expected`` is false when the
    meter's function is not the one the active test point wants; ``point`` is the test point it is tagged with.
    """

    topic: Literal["live"]
    meter: str
    text: str
    digits: str | None
    unit: str
    quantity: str
    status: str
    phase: Literal["idle", "settling", "held"]
    progress: float  # 0..1 towards being held
    point: str | None
    function_matches: bool
    verdict: str | None  # of the reading as it stands now; not kept until held
    display_mode: str  # why the display does not show what the probes measure: "hold", "relative", or ""
    at: str


class NoticeView(TypedDict):
    """Topic ``notice``: a fault of the station itself (disk full, broker refused …); empty text when it has passed."""

    topic: Literal["notice"]
    level: Literal["info", "warning", "alarm"]
    text: str


class DriverScoreView(TypedDict):
    """How well a driver fits a meter, from 0 (not at all) to 1 (certainly)."""

    name: str
    score: float


class DeviceView(TypedDict):
    """One device on the air, or one that is bound and not heard.

    ``score`` and ``fit`` (``certain``, ``likely``, ``possible``, ``no``) are of the best driver, named in ``driver``;
    ``drivers`` are all that fit at all. ``called`` is its name in this data folder and ``first_address`` the address it
    was first met under; both are empty for a stranger. ``state`` is as in `MeterView`, empty where no daemon looks
    after it.
    """

    name: str  # what it calls itself, cleaned
    address: str
    rssi: int | None  # dBm
    advertised_services: list[str]  # service UUIDs
    discovered_services: list[str] | None  # service UUIDs found by connecting; None until that was done
    driver: str
    score: float
    fit: str
    driver_configured: bool  # the settings say that it is read with that driver
    driver_scores: list[DriverScoreView]
    bound: bool
    meter_name: str
    first_address: str
    serial: str
    state: str
    unusable_reason: str  # why it cannot be used as it is, in words


class DiscoveryView(TypedDict):
    """Topic ``air``: what is on the air, sent when somebody asked for it with ``find``."""

    topic: Literal["air"]
    request_text: str  # the ``text`` of the command that asked
    devices: list[DeviceView]
    broken_drivers: list[str]  # drivers that cannot be used, each with the reason
    radio_error: str  # as in `MetersView`


class TeachEntryView(TypedDict):
    """What somebody read off a display; ``trouble`` says, in words, what is wrong with it, empty for nothing."""

    text: str
    problem: str


class TeachFunctionView(TypedDict):
    """How sure a function is, in words."""

    function: str
    confidence: str


class TeachView(TypedDict):
    """Topic ``teach``: a meter that is being taught. ``meter`` is its address, empty once teaching has ended."""

    topic: Literal["teach"]
    meter: str
    name: str
    packets: int  # received since it began
    entries: list[TeachEntryView]
    analyzing: bool  # whether what was added last is still being worked out
    suggested_reading: str  # the next most useful reading, in a sentence
    has_profile: bool  # whether there is a profile to write
    functions: list[TeachFunctionView]
    error: str  # why there is no profile yet
    profile_path: str  # the profile's file, once it was written


Message = Greeting | VisitView | MetersView | LiveView | NoticeView | DiscoveryView | TeachView


class Command(TypedDict):
    """What a watcher asks for.

    ``focus`` (with ``point``), ``next``, ``previous``: move the active test point. ``retake``: measure the active
    point again (the earlier held reading stays in the database). ``hold``: take what the meter shows now, such as an
    overload, which looks the same on an open coil as on probes in the air. ``rate`` (with ``point`` and ``text`` such
    as ``45 uF 6 %`` or ``10 to 18 ohm``): what is printed on the part. ``pin`` (with ``meter``, an address, and
    ``point``, empty to undo): this meter measures that test point whatever the active one is. ``key`` (with ``text``
    such as ``4.70 uF``, and ``point`` or the active one): a value somebody read off a meter without a radio.

    About the meters on the air: ``find`` (with any ``text``) has an `AirView` sent; ``look`` (with ``meter``, an
    address or a name) connects to one once and looks closer; ``bind`` (with ``meter``, and ``text`` for a name of its
    own) has the station connect to it from now on; ``unbind`` (with ``meter``) undoes that; ``alias`` (with ``meter``,
    a known address, and ``text``, its new one) says that a meter has changed its address.

    ``teach`` (with ``meter`` and ``text``) teaches the station a meter no driver fits, and has a `TeachView` sent. An
    empty text begins; ``4.70 uF`` is what the display shows now; ``drop`` and ``drop 3`` take the last label or the
    third back; ``done`` writes the profile and reads the meter by it from now on; ``stop`` leaves all as it was.
    """

    id: int
    command: Literal[
        "focus", "next", "previous", "retake", "hold", "rate", "pin", "key", "find", "look", "bind", "unbind", "alias",
        "teach",
    ]  # fmt: skip
    point: NotRequired[str]
    meter: NotRequired[str]
    text: NotRequired[str]


class Reply(TypedDict):
    """Answer to a `Command`: ``error`` is empty when it was carried out."""

    topic: Literal["reply"]
    id: int
    error: str
