"""The contents of the screen, derived from the newest messages: pure, without a screen library.

All text from the link is cleaned here, once; the widgets never get a control character.
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal, InvalidOperation
from enum import StrEnum

from meterlink.core.calibration import overdue_part
from meterlink.core.equipment import CircuitState, ConnectionState
from meterlink.core.key_actions import DEFAULT_KEYS, KeyAction, Keys
from meterlink.core.notices import NoticeLevel
from meterlink.core.readings import DisplayMode, Phase, Status
from meterlink.core.text import clean_text, count_phrase
from meterlink.core.units import Quantity
from meterlink.core.verdicts import Margin, Verdict
from meterlink.core.version import VERSION
from meterlink.link.messages import (
    AcceptedView,
    LiveView,
    MetersView,
    MeterView,
    NoticeView,
    PlanQuestionView,
    PointView,
    QuestionView,
    StopLevel,
    VisitView,
)
from meterlink_tui.keys import key_name
from meterlink_tui.latest_messages import LatestMessages

# The mark and the word of a close call: neither those of a pass nor those of a fail.
CLOSE_CALL_MARK, CLOSE_CALL_WORD = "≈", "CLOSE CALL"
# A meter refreshes its display 2 to 10 times a second; 2 s without a reading mean that it has stopped.
STALE_AFTER = 2.0  # s
ACCEPTED = "accepted"
_AGE_MARGIN = 0.001  # s; a timer that ends on the moment itself may still find the age before it
# Longer sentences from the link are cut: 480 characters fill half of the smallest screen, 24 rows of 40 columns.
_LONGEST_SENTENCE = 480  # characters
# No caution of a shipped plan is longer: ten rows of 80 columns. A narrow screen shows as much of it as of a sentence.
_LONGEST_CAUTION = 800  # characters
# (least signal strength in dBm, bars, word). Common practice, no source.
_SIGNAL_WORDS = ((-60, 4, "strong"), (-72, 3, "good"), (-84, 2, "fair"), (-999, 1, "weak"))
# Two years and more are said in years, two months and more in months: as precise as anybody remembers.
_DAYS_OF_YEAR, _DAYS_OF_MONTH = 365, 30
_WEAK_BATTERY = 15  # percent; lasts for a visit, but not for a day. Common practice, no source.


class Tone(StrEnum):
    """The meaning of a word on the screen. Each tone has a colour *and* a shape."""

    PLAIN = "plain"
    GOOD = "good"
    BAD = "bad"
    WARN = "warn"


# (mark, tone) of each verdict. A verdict that proves nothing is neither good nor bad.
_VERDICTS: dict[str, tuple[str, Tone]] = {
    Verdict.WITHIN: ("✓", Tone.GOOD),
    Verdict.OUTSIDE: ("✗", Tone.BAD),
    Verdict.OPEN: ("✗", Tone.BAD),
    Verdict.SHORTED: ("✗", Tone.BAD),
    Verdict.NO_CONTACT: ("?", Tone.WARN),
    Verdict.NO_LIMITS: ("?", Tone.WARN),
    Verdict.NOTHING_FLOWS: ("?", Tone.WARN),
    Verdict.OVER_RANGE: ("?", Tone.WARN),
    Verdict.CANNOT_TELL: ("?", Tone.WARN),
}

_NOTICE_WORDS: dict[str, tuple[str, Tone]] = {
    NoticeLevel.ALARM: ("ALARM", Tone.BAD),
    NoticeLevel.WARNING: ("WARNING", Tone.WARN),
}


@dataclass(frozen=True, slots=True)
class Alert:
    """One line at the top of the screen: a word, a sentence and their tone."""

    word: str
    text: str
    tone: Tone


@dataclass(frozen=True, slots=True)
class LargeValue:
    """The large value. ``dim``: it is neither accepted nor measured now."""

    digits: str
    unit: str
    dim: bool


@dataclass(frozen=True, slots=True)
class PhaseLine:
    """The phase of the newest reading. ``progress`` is 0..1 while it settles, else None."""

    word: str
    detail: str
    tone: Tone
    progress: float | None = None


@dataclass(frozen=True, slots=True)
class VerdictLine:
    """The verdict in a word. ``mark`` is its shape.

    ``status``: accepted, so far, wrong function, no verdict yet; empty for a stop. ``leaning`` is the verdict of a
    close call, within or outside; empty for any other.
    """

    word: str
    mark: str
    tone: Tone
    status: str
    leaning: str = ""
    deviation: str = ""
    reason: str = ""

    @property
    def final(self) -> bool:
        """Whether it is the verdict of an accepted reading."""
        return self.status == ACCEPTED


@dataclass(frozen=True, slots=True)
class Gauge:
    """The limits as a scale in ``unit``. ``overload``: the reading is above the meter's range."""

    low: Decimal | None
    high: Decimal | None
    nominal: Decimal | None
    unit: str
    reading: Decimal | None
    overload: bool = False


@dataclass(frozen=True, slots=True)
class PointRow:
    """One line of the list of test points."""

    key: str
    number: int
    title: str
    active: bool
    accepted_text: str
    verdict: str
    mark: str
    tone: Tone
    close_call: bool
    repeats: int


@dataclass(frozen=True, slots=True)
class MeterLine:
    """One line of the list of meters. ``signal_bars`` is 1..4, or None without a signal."""

    name: str
    mark: str
    state: str
    tone: Tone
    signal_bars: int | None
    signal: str
    battery: str
    battery_low: bool
    detail: str


@dataclass(frozen=True, slots=True)
class ActivePoint:
    """The test point to which a typed rating or reading belongs."""

    key: str
    title: str
    quantity: str
    kind: str
    rating: str
    label: str  # the marking on the part, as it may be typed again
    is_replaced: bool  # during this visit
    newest: tuple[str, str] | None  # (uid, text) of the newest reading there that counts
    newest_voided: tuple[str, str] | None


@dataclass(frozen=True, slots=True)
class QuestionChoice:
    """One choice of an open question. ``key`` is sent as it is; ``label`` and ``words`` are for the screen."""

    key: str
    label: str
    words: str
    usual: bool


@dataclass(frozen=True, slots=True)
class OpenQuestion:
    """An open question, with its choices in the order of their digits.

    ``target`` is the argument of the command ``answer`` that names it: ``("reading", 3)``, ``("question", "service")``.
    """

    target: tuple[str, str | int]
    subject: str
    text: str
    choices: tuple[QuestionChoice, ...]

    def choice(self, digit: str) -> QuestionChoice | None:
        """Return the choice with this digit from 1; None if there is none."""
        number = int(digit)
        return self.choices[number - 1] if 1 <= number <= len(self.choices) else None


@dataclass(frozen=True, slots=True)
class Stop:
    """The warning over everything: its word for the lettering, its title, its sentences.

    ``is_sure``: no ghost voltage explains it.
    """

    word: str
    title: str
    text: str
    is_sure: bool


@dataclass(frozen=True, slots=True)
class Scene:
    """Everything on the screen.

    ``stop`` is a warning over any verdict. ``cautions_are_brief``: a caution is in its short form.
    """

    site: str
    tally: str
    stop: Stop | None
    alerts: tuple[Alert, ...]
    title: str
    terminals: str
    specification: str
    value: LargeValue
    phase: PhaseLine
    verdict: VerdictLine
    gauge: Gauge | None
    points: tuple[PointRow, ...]
    meters: tuple[MeterLine, ...]
    radio_note: str
    failed_derived: str
    question: OpenQuestion | None
    advice: str
    cautions: tuple[str, ...]
    cautions_are_brief: bool
    active_point: ActivePoint | None
    entry_point: ActivePoint | None  # of a value that is typed now: the point that follows one with its reading


def compose_scene(
    latest: LatestMessages,
    age: float | None,
    disconnect_reason: str | None,
    command_error: Alert | None = None,
    keys: Keys = DEFAULT_KEYS,
    *,
    state_is_new: bool = True,
    incident: Alert | None = None,
) -> Scene:
    """Return the contents of the screen.

    ``age`` is the age of the newest reading in seconds, None without a reading. ``disconnect_reason`` is None while the
    station is connected. ``command_error`` is the error of the last key pressed. Sentences name the keys of ``keys``.
    ``state_is_new``: no reading was accepted since the circuits were isolated or energized; their cautions are then in
    full.
    ``incident`` is an earlier event of the station that the technician must know.
    """
    visit, live, meters = latest.visit, latest.live, latest.meters
    fresh = live is not None and age is not None and age <= STALE_AFTER and disconnect_reason is None
    points = visit["points"] if visit else []
    titles = _point_titles(points)
    active = _by_key(points, visit["focus"] if visit else None)
    point = _displayed_point(points, active, visit, live if fresh else None)
    accepted = _current_accepted(point, live if fresh else None)
    stop = _stop(live, keys)
    cautions, brief = _cautions(visit, active, point, state_is_new=state_is_new)
    return Scene(
        site=_site(visit),
        tally=_tally(points, disconnect_reason),
        stop=stop,
        alerts=_alerts(disconnect_reason, latest.notice, meters, incident, command_error),
        title=titles[point["key"]] if point else "No active test point",
        terminals=" to ".join(_clean_text(name) for name in point["terminals"]) if point else "",
        specification=_specification(point, visit) if point else "",
        value=_large_value(live, accepted, fresh),
        phase=_phase(live, age, accepted, fresh=fresh),
        verdict=_stop_line(stop)
        if stop
        else _verdict_line(point, accepted, live if fresh else None, visit, titles, keys),
        gauge=_gauge(point, accepted, live if fresh else None),
        points=tuple(_point_row(number, row, titles[row["key"]], active) for number, row in enumerate(points, 1)),
        meters=tuple(meter_row(meter) for meter in meters["meters"]) if meters else (),
        radio_note=_radio_note(meters, keys),
        failed_derived=_failed_derived(visit, keys),
        question=_open_question(points, point, visit, titles),
        advice=_advice(visit, disconnect_reason, keys)
        if live
        else _teaching_advice(meters, disconnect_reason, keys) or _advice(visit, disconnect_reason, keys),
        cautions=cautions,
        cautions_are_brief=brief,
        active_point=_active_point(active or point, titles),
        entry_point=_active_point(_by_key(points, visit["next_point"] if visit else None) or active or point, titles),
    )


def _stop(live: LiveView | None, keys: Keys) -> Stop | None:
    """Return the stop; a meter that has gone silent since does not end it."""
    stop = live.get("stop") if live else None
    if stop is None:
        return None
    is_sure = stop["level"] != StopLevel.VOLTAGE_OR_GHOST
    proof = f"On a known source? [{key_name(KeyAction.PROVE, keys)}] keeps it as the proof of the meter."
    text = f"{_clean_text(stop['text'])} {proof}"
    return Stop("STOP" if is_sure else "VOLTS?", _clean_text(stop["title"], 60), text, is_sure)


def age_at_receipt(at: str, utc_ns: int) -> float:
    """Return the age in s of a reading with the time ``at`` (RFC 3339) at ``utc_ns``; 0 if ``at`` is unreadable."""
    try:
        age = utc_ns / 1e9 - datetime.fromisoformat(at).timestamp()
    except (ValueError, OverflowError, OSError):
        return 0.0
    return max(0.0, age)


def format_age(seconds: float) -> str:
    """Return ``12 s``, ``3 min`` or ``2 h``, rounded down."""
    for size, unit in ((3600, "h"), (60, "min")):
        if seconds >= size:
            return f"{int(seconds // size)} {unit}"
    return f"{int(seconds)} s"


def seconds_to_next_age(age: float) -> float:
    """Return the time in s until a reading of that age is no longer fresh, or until `format_age` changes; above 0."""
    size = next((size for size in (3600, 60) if age >= size), 1)
    remaining = STALE_AFTER - age if age <= STALE_AFTER else size - age % size
    return remaining + _AGE_MARGIN


def _clean_text(text: str | None, longest: int = _LONGEST_SENTENCE) -> str:
    return clean_text(text, longest)


def _decimal(text: str | None) -> Decimal | None:
    try:
        number = Decimal(text) if text else None
    except InvalidOperation:
        return None
    return number if number is not None and number.is_finite() else None


def _by_key(points: Sequence[PointView], key: str | None) -> PointView | None:
    return next((point for point in points if point["key"] == key), None)


def _displayed_point(
    points: Sequence[PointView], active: PointView | None, visit: VisitView | None, live: LiveView | None
) -> PointView | None:
    """Return the point at the probes; with idle probes the active point, or the point accepted last."""
    if live and live["phase"] != Phase.IDLE:
        return _by_key(points, live["point"]) or active
    return active or _by_key(points, visit["last_accepted"] if visit else None)


def _current_accepted(point: PointView | None, live: LiveView | None) -> AcceptedView | None:
    """Return the accepted reading of ``point``; None while a newer reading is settling."""
    if point is None or (live and live["phase"] == Phase.SETTLING):
        return None
    return point["accepted"]


def _site(visit: VisitView | None) -> str:
    names = (_clean_text(visit["site"]), _clean_text(visit["unit"])) if visit else ()
    return " · ".join(filter(None, names)) or "No visit open"


def _tally(points: Sequence[PointView], disconnect_reason: str | None) -> str:
    if disconnect_reason is not None:
        return "NOT CONNECTED"
    return f"{sum(point['accepted'] is not None for point in points)} of {len(points)} accepted" if points else ""


def _alerts(
    disconnect_reason: str | None,
    notice: NoticeView | None,
    meters: MetersView | None,
    incident: Alert | None,
    command_error: Alert | None,
) -> tuple[Alert, ...]:
    alerts = []
    if disconnect_reason is not None:
        alerts.append(
            Alert(
                "STOPPED",
                f"No readings are recorded. Connecting again. {_clean_text(disconnect_reason)}",
                Tone.BAD,
            )
        )
    if notice and (text := _clean_text(notice["text"])):
        word, tone = _NOTICE_WORDS.get(notice["level"], ("NOTE", Tone.PLAIN))
        alerts.append(Alert(word, text, tone))
    if meters and meters["meters"] and (text := _clean_text(meters["radio_error"])):
        alerts.append(Alert("BLUETOOTH", text, Tone.WARN))
    return (*alerts, *(alert for alert in (incident, command_error) if alert))


def restart_alert(incident: str, visit: VisitView | None) -> Alert:
    """Return the alert for a daemon that has died and was started again; it names the last accepted reading."""
    titles = _point_titles(visit["points"]) if visit else {}
    last = _last_accepted(visit, titles) or "No reading of this visit had been accepted."
    return Alert("RESTARTED", f"{_clean_text(incident)} {last}", Tone.WARN)


def version_alert(version: str) -> Alert:
    """Return the alert for a daemon of another version than this dashboard's."""
    text = (
        f"The station has version {_clean_text(version, 40)}, this dashboard {VERSION}. Stop the station and start it"
        " again before the next visit."
    )
    return Alert("VERSION", text, Tone.WARN)


def newest_accepted(visit: VisitView) -> str:
    """Return the uid of the reading that was accepted most recently; empty if there is none."""
    point = _by_key(visit["points"], visit["last_accepted"])
    return point["accepted"]["uid"] if point and point["accepted"] else ""


def _radio_note(meters: MetersView | None, keys: Keys) -> str:
    """Return a quiet line where there is no radio and nobody bound a meter: readings are typed."""
    if meters is None or meters["meters"] or not meters["radio_error"]:
        return ""
    entering, listing = (key_name(action, keys) for action in (KeyAction.ENTER_READING, KeyAction.METERS))
    return f"No Bluetooth: {entering} types a reading. ({listing} says why)"


def _specification(point: PointView, visit: VisitView | None) -> str:
    """Return the circuit, the rating, and the earlier value that a reading is compared with."""
    rating = _clean_text(point["rating"]) or (_clean_text(point["limits"]["basis"]) if point["limits"] else "no limits")
    return " · ".join(filter(None, (_clean_text(point["circuit"]), rating, _earlier_value(point, visit))))


def _earlier_value(point: PointView, visit: VisitView | None) -> str:
    """Return the value of the part before, in this visit, or that of the last visit; empty without either."""
    if (old := point["old_part"]) is not None:
        return f"old part {_clean_text(old['text'])}"
    if (last := point["last"]) is None:
        return ""
    of_old_part = ", of an older part" if last["of_old_part"] else ""
    return f"last {_clean_text(last['text'])}{_time_before(last['at'], visit['opened'] if visit else '')}{of_old_part}"


def _time_before(earlier: str, now: str) -> str:
    """Return ``, 14 months ago`` for two RFC 3339 times; empty where one cannot be read or the clock was set back."""
    try:
        days = (datetime.fromisoformat(now) - datetime.fromisoformat(earlier)).days
    except (ValueError, OverflowError):
        return ""
    if days < 0:
        return ""
    for size, noun in ((_DAYS_OF_YEAR * 2, "year"), (_DAYS_OF_MONTH * 2, "month")):
        if days >= size:
            return f", {days // (size // 2)} {noun}s ago"
    return f", {count_phrase(days, 'day')} ago" if days else ", today"


def _large_value(live: LiveView | None, accepted: AcceptedView | None, fresh: bool) -> LargeValue:  # noqa: FBT001  # not a mode
    if accepted and not (fresh and live and live["phase"] == Phase.ACCEPTED):
        return LargeValue(_clean_text(accepted["number_text"]), _clean_text(accepted["unit_text"]), dim=False)
    if live is None:
        return LargeValue("---", "", dim=True)
    number, unit = _clean_text(live["number_text"]), _clean_text(live["unit_text"])
    return LargeValue(number, unit, dim=not fresh or live["phase"] == Phase.IDLE)


def _phase(live: LiveView | None, age: float | None, accepted: AcceptedView | None, *, fresh: bool) -> PhaseLine:
    if live is None or age is None:
        return PhaseLine("NO READING YET", "", Tone.PLAIN)
    meter = f"· {_clean_text(live['meter'])}"
    if not fresh:
        last_reading = f"last reading {format_age(age)} ago"
        return (
            PhaseLine("ACCEPTED EARLIER", f"{meter} · {last_reading}", Tone.PLAIN)
            if accepted
            else PhaseLine(f"NOT LIVE · {last_reading}", meter, Tone.WARN)
        )
    match live["phase"]:
        case _ if live["display_mode"] != DisplayMode.NORMAL:
            hold = live["display_mode"] == DisplayMode.HOLD
            displayed = "an old reading" if hold else "a difference"
            detail = f"{meter} shows {displayed}; it is not judged"
            return PhaseLine("DISPLAY HOLD" if hold else "RELATIVE", detail, Tone.WARN)
        case Phase.SETTLING:
            progress = min(1.0, max(0.0, live["progress"]))
            return PhaseLine(f"SETTLING {progress:.0%}", meter, Tone.PLAIN, progress)
        case Phase.ACCEPTED:
            return PhaseLine("ACCEPTED", meter, Tone.PLAIN)
        case _ if accepted:
            return PhaseLine("ACCEPTED EARLIER", f"{meter} · nothing on the probes now", Tone.PLAIN)
        case _:
            return PhaseLine("NOTHING ON THE PROBES", meter, Tone.PLAIN)


def verdict_word(verdict: str) -> tuple[str, str, Tone]:
    """Return ``(word, mark, tone)`` of a verdict."""
    mark, tone = _VERDICTS.get(verdict, ("?", Tone.WARN))
    return _clean_text(verdict).upper(), mark, tone


def _stop_line(stop: Stop) -> VerdictLine:
    return VerdictLine(stop.word, "!", Tone.BAD if stop.is_sure else Tone.WARN, "")


def _verdict_line(
    point: PointView | None,
    accepted: AcceptedView | None,
    live: LiveView | None,
    visit: VisitView | None,
    titles: Mapping[str, str],
    keys: Keys,
) -> VerdictLine:
    if live and point and not live["function_matches"] and live["phase"] != Phase.IDLE:
        needed, measured = _clean_text(point["quantity"]), _clean_text(live["quantity"])
        reason = f"The meter measures {measured}; this test point needs {needed}. Set the meter to {needed}."
        return VerdictLine("NOT JUDGED", "?", Tone.WARN, "wrong function", reason=reason)
    if accepted:
        word, mark, tone = verdict_word(accepted["verdict"])
        close = accepted["margin"] == Margin.CLOSE_CALL
        leaning = ""
        if close:
            leaning, word, mark, tone = word.lower(), CLOSE_CALL_WORD, CLOSE_CALL_MARK, Tone.WARN
        deviation = _deviation(accepted["deviation_percent"])
        reason = _clean_text(accepted["reason"])
        if close and (probability := accepted.get("probability")) is not None:
            reason += f" The part is {probability:.0%} likely to be within."
        if overdue := overdue_part(_clean_text(accepted.get("calibration", ""))):
            reason += f" {overdue.capitalize()}."
        return VerdictLine(word, mark, tone, ACCEPTED, leaning=leaning, deviation=deviation, reason=reason)
    if live and live["phase"] != Phase.IDLE and live["verdict"]:
        word, _, tone = verdict_word(live["verdict"])
        unrated = point is not None and point["limits"] is None
        reason = (
            f"No limits yet: press {key_name(KeyAction.RATING, keys)} and type the rating from the part."
            if unrated
            else ""
        )
        return VerdictLine(word, "…", tone, "so far", reason=reason)
    return VerdictLine(
        "",
        "",
        Tone.PLAIN,
        "no verdict yet",
        reason=_last_accepted(visit, titles) or (_clean_text(point["why"]) if point else ""),
    )


def _last_accepted(visit: VisitView | None, titles: Mapping[str, str]) -> str:
    point = _by_key(visit["points"], visit["last_accepted"]) if visit else None
    if point is None or point["accepted"] is None:
        return ""
    accepted = point["accepted"]
    close = " (close call)" if accepted["margin"] == Margin.CLOSE_CALL else ""
    text, verdict = _clean_text(accepted["text"]), _clean_text(accepted["verdict"])
    return f"Last accepted: {titles[point['key']]} {text}, {verdict}{close}."


def _deviation(percent: str | None) -> str:
    number = _decimal(percent)
    return "" if number is None else f"{number:+f} % from nominal"


def _gauge(point: PointView | None, accepted: AcceptedView | None, live: LiveView | None) -> Gauge | None:
    limits = point["limits"] if point else None
    if limits is None or point is None:
        return None
    low, high = _decimal(limits["low"]), _decimal(limits["high"])
    if low is None and high is None:
        return None
    on_probes = live if live and live["phase"] != Phase.IDLE and live["function_matches"] else None
    reading = _decimal(on_probes["digits"] if on_probes else accepted["digits"] if accepted else None)
    shown = on_probes or accepted
    overload = shown is not None and shown["status"] == Status.OVERLOAD
    nominal = _decimal(limits.get("nominal"))
    return Gauge(low, high, nominal, _clean_text(limits["unit"]), reading, overload=overload and reading is None)


def _point_titles(points: Sequence[PointView]) -> dict[str, str]:
    """Return a title for each key that tells the points apart.

    Where the title alone does not, it has the unit; then the terminals, the circuit and the state.
    """
    titles = [_clean_text(point["title"], 40) for point in points]
    ends = [
        (
            _UNIT_OF_QUANTITY.get(point["quantity"], ""),
            "–".join(point["terminals"]),
            point["circuit"],
            "energized" if point["state"] == CircuitState.ENERGIZED else "isolated",
        )
        for point in points
    ]
    for number in range(4):
        shared = Counter(titles)
        titles = [
            f"{title} {_clean_text(end[number], 30)}".rstrip() if shared[title] > 1 else title
            for title, end in zip(titles, ends, strict=True)
        ]
    return {point["key"]: title for point, title in zip(points, titles, strict=True)}


def _point_row(number: int, point: PointView, title: str, active: PointView | None) -> PointRow:
    accepted = point["accepted"]
    word, mark, tone = verdict_word(accepted["verdict"]) if accepted else ("", "·", Tone.PLAIN)
    close = accepted is not None and accepted["margin"] == Margin.CLOSE_CALL
    return PointRow(
        key=point["key"],
        number=number,
        title=title,
        active=point is active,
        accepted_text=_clean_text(accepted["text"], 20) if accepted else "",
        verdict=word,
        mark=CLOSE_CALL_MARK if close else mark,
        tone=Tone.WARN if close else tone,
        close_call=close,
        repeats=point["repeats"],
    )


# The units of the trade, for the list: a capacitor's section is read in µF, V and A.
_UNIT_OF_QUANTITY: dict[str, str] = {
    Quantity.VOLTAGE: "V",
    Quantity.CURRENT: "A",
    Quantity.RESISTANCE: "Ω",
    Quantity.CAPACITANCE: "µF",
    Quantity.FREQUENCY: "Hz",
    Quantity.TEMPERATURE: "°C",
    Quantity.RATIO: "%",
}
_METER_MARKS: dict[str, tuple[str, Tone]] = {
    ConnectionState.CONNECTED: ("●", Tone.GOOD),
    ConnectionState.SEARCHING: ("○", Tone.PLAIN),
    ConnectionState.CONNECTING: ("○", Tone.PLAIN),
    ConnectionState.SILENT: ("?", Tone.WARN),
    ConnectionState.NEEDS_ATTENTION: ("!", Tone.WARN),
    ConnectionState.LOST: ("✗", Tone.BAD),
    ConnectionState.UNUSABLE: ("✗", Tone.BAD),
}


def meter_row(meter: MeterView) -> MeterLine:
    """Return the line of a meter, cleaned for the screen."""
    mark, tone = _METER_MARKS.get(meter["state"], ("?", Tone.WARN))
    rssi, battery = meter["rssi"], meter["battery"]
    on_air = meter["state"] in {ConnectionState.CONNECTED, ConnectionState.SILENT}
    bars, signal = (
        next((count, word) for least, count, word in _SIGNAL_WORDS if rssi >= least or count == 1)
        if rssi
        else (None, "")
    )
    return MeterLine(
        name=_clean_text(meter["name"] or meter["address"], 24),
        mark=mark,
        state=_clean_text(meter["state"], 16),
        tone=tone,
        signal_bars=bars if on_air else None,
        signal=signal if on_air else "",
        battery=f"battery {battery} %" if battery is not None else "",
        battery_low=meter["low_battery"] or (battery is not None and battery <= _WEAK_BATTERY),
        detail=_clean_text(f"{meter['detail']} {_dropped_text(meter['dropped_packets'])}".strip()),
    )


def _dropped_text(packets: int) -> str:
    return f"Sends too fast: {packets} packet{'' if packets == 1 else 's'} dropped." if packets else ""


def _failed_derived(visit: VisitView | None, keys: Keys) -> str:
    """Return the first derived point that failed, in one line; empty if none failed."""
    derived = visit.get("derived", []) if visit else []
    failed = [view for view in derived if verdict_word(view["verdict"] or "")[2] is Tone.BAD]
    if not failed:
        return ""
    more = f", {len(failed) - 1} more" if len(failed) > 1 else ""
    word = _clean_text(failed[0]["verdict"]).upper()
    return (
        f"{word}: {_clean_text(failed[0]['title'], 60)} {_clean_text(failed[0]['value'], 40)}{more}".rstrip()
        + f" ({key_name(KeyAction.DIAGNOSIS, keys)} shows why)"
    )


def _open_question(
    points: Sequence[PointView], displayed: PointView | None, visit: VisitView | None, titles: Mapping[str, str]
) -> OpenQuestion | None:
    """Return the question to display.

    It is that of the displayed test point, else the plan's, else that of the point accepted last, else the first one.
    """
    last = _by_key(points, visit["last_accepted"] if visit else None)
    found = [_reading_question(point, titles) for point in (displayed, last, *points)]
    planned = [_plan_question(asked) for asked in (visit.get("questions", []) if visit else [])]
    return next((question for question in (found[0], *planned, *found) if question is not None), None)


def _reading_question(point: PointView | None, titles: Mapping[str, str]) -> OpenQuestion | None:
    accepted = point["accepted"] if point else None
    view = accepted.get("question") if accepted else None
    if point is None or accepted is None or view is None:
        return None
    subject = f"{titles[point['key']]} {_clean_text(accepted['text'], 20)}"
    target = ("reading", accepted["id"])
    return OpenQuestion(target, subject, _clean_text(view["question"]), question_choices(view))


def _plan_question(asked: PlanQuestionView) -> OpenQuestion:
    view = asked["question"]
    target = ("question", asked["key"])
    return OpenQuestion(target, "This machine", _clean_text(view["question"]), question_choices(view))


def question_choices(view: QuestionView) -> tuple[QuestionChoice, ...]:
    """Return the choices of a question, cleaned for the screen."""
    return tuple(
        QuestionChoice(
            choice["key"], _clean_text(choice["key"], 60), _clean_text(choice["words"]), choice["key"] == view["usual"]
        )
        for choice in view["choices"]
    )


# The results of the keys that an advice offers.
_OFFERS = {
    KeyAction.ACCEPT: "accepts",
    KeyAction.REPEAT: "measures again",
    KeyAction.NEXT: "goes on",
    KeyAction.VISITS: "lists the visits",
}


def _advice(visit: VisitView | None, disconnect_reason: str | None, keys: Keys) -> str:
    if disconnect_reason is not None:
        return "Write readings down by hand until the station is back. Accepted readings are in its database."
    if visit is None:
        return "Waiting for the station to open a visit."
    offers = [action for action in visit.get("offers", []) if action in _OFFERS]
    texts = (f"[{key_name(action, keys)}] {_OFFERS[action]}." for action in map(KeyAction, offers))
    return " ".join((_clean_text(visit["advice"]), *texts))


def _teaching_advice(meters: MetersView | None, disconnect_reason: str | None, keys: Keys) -> str:
    """Return the advice to teach a meter that no driver fits; empty if there is none."""
    rows = meters["meters"] if meters else []
    unusable = [_clean_text(meter["name"]) for meter in rows if meter["state"] == ConnectionState.UNUSABLE]
    if not unusable or disconnect_reason is not None:
        return ""
    return f"No driver fits {unusable[0]}. Press {key_name(KeyAction.TEACH, keys)} to teach it from its display."


def _cautions(
    visit: VisitView | None, active: PointView | None, displayed: PointView | None, *, state_is_new: bool
) -> tuple[tuple[str, ...], bool]:
    """Return the cautions of the active and of the displayed point, and whether one of them is in its short form.

    Without a point the caution of the visit stands. A caution is short where a reading was accepted at a point with the
    same sentences, unless the circuits have been isolated or energized since.
    """
    points = visit["points"] if visit else []
    known = {sentence for point in points if point["accepted"] for sentence in _sentences(point["caution"])}
    texts = [] if active else [visit["caution"] if visit else ""]
    any_brief = False
    for point in (active, displayed):
        if point is None:
            continue
        familiar = known.issuperset(_sentences(point["caution"])) and not (point is active and state_is_new)
        brief = point.get("brief_caution", "") if familiar else ""
        any_brief = any_brief or bool(brief)
        texts.append(brief or point["caution"])
    cleaned = (_clean_text(caution, _LONGEST_CAUTION) for caution in texts)
    return tuple(dict.fromkeys(filter(None, cleaned))) or (GENERAL_CAUTION,), any_brief


def _sentences(caution: str) -> list[str]:
    return caution.split(". ")


def whole_cautions(latest: LatestMessages) -> tuple[str, ...]:
    """Return the cautions of the active test point and of the point at the probes, in full."""
    visit, live = latest.visit, latest.live
    points = visit["points"] if visit else []
    active = _by_key(points, visit["focus"] if visit else None)
    texts = [active["caution"]] if active else [visit["caution"]] if visit else []
    at_probes = _displayed_point(points, active, visit, live)
    texts += [at_probes["caution"]] if at_probes else []
    cleaned = (_clean_text(caution, _LONGEST_CAUTION) for caution in texts)
    return tuple(dict.fromkeys(filter(None, cleaned))) or (GENERAL_CAUTION,)


def narrow_caution(caution: str) -> str:
    """Return the whole sentences of a caution that fill at most half of the smallest screen."""
    if len(caution) <= _LONGEST_SENTENCE:
        return caution
    whole, end, _ = caution[:_LONGEST_SENTENCE].rpartition(". ")
    return f"{whole}." if end else caution[:_LONGEST_SENTENCE]


# Shown while no test point is active. Common practice; the work practice itself is NFPA 70E's (from memory).
GENERAL_CAUTION = (
    "Treat every circuit as energized. Isolate it and lock it out; prove your tester on a known source before and"
    " after. Follow local codes; work for licensed or qualified people."
)


def _active_point(point: PointView | None, titles: Mapping[str, str]) -> ActivePoint | None:
    if point is None:
        return None
    accepted, voided = point["accepted"], point["voided"][-1] if point["voided"] else None
    return ActivePoint(
        point["key"],
        titles[point["key"]],
        _clean_text(point["quantity"]),
        _clean_text(point["kind"]),
        _clean_text(point["rating"]),
        _clean_text(point["label"]),
        point["old_part"] is not None,
        (accepted["uid"], _clean_text(accepted["text"])) if accepted else None,
        (voided["uid"], _clean_text(voided["text"])) if voided else None,
    )
