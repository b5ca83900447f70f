"""What stands on the screen, worked out from the newest messages: pure, and without a screen library.

All text that came over the wire is cleaned here, once, so nothing behind this module sees a control character.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal, InvalidOperation
from enum import StrEnum

from meterlink.core.readings import Status
from meterlink.core.text import clean_text
from meterlink.core.verdicts import Margin, Verdict
from meterlink.link.messages import AcceptedView, LiveView, MetersView, MeterView, NoticeView, PointView, VisitView
from meterlink_tui.latest_messages import LatestMessages

# A meter refreshes its display 2 to 10 times a second, so 2 s without a reading means it has stopped.
STALE_AFTER = 2.0  # s
ACCEPTED = "held"
# Longest sentence taken from the wire. It fills about half of the smallest screen, 24 rows of 40 columns.
_LONGEST_SENTENCE = 480
# Received signal strength in dBm from which it is called that. Common practice, no source.
_SIGNAL_WORDS = ((-60, 4, "strong"), (-72, 3, "good"), (-84, 2, "fair"), (-999, 1, "weak"))
_WEAK_BATTERY = 15  # percent; enough for the visit, not for the day. Common practice, no source.


class Tone(StrEnum):
    """How something is meant; the screen gives each a colour *and* a shape."""

    PLAIN = "plain"
    GOOD = "good"
    BAD = "bad"
    WARN = "warn"


# Mark and tone of each verdict. 'No contact' and 'no limits' say nothing of the part, so they are neither good nor bad.
_VERDICTS: dict[str, tuple[str, Tone]] = {
    Verdict.WITHIN: ("✓", Tone.GOOD),
    Verdict.OUTSIDE: ("✗", Tone.BAD),
    Verdict.OPEN: ("✗", Tone.BAD),
    Verdict.SHORTED: ("✗", Tone.BAD),
    Verdict.NO_CONTACT: ("?", Tone.WARN),
    Verdict.NO_LIMITS: ("?", Tone.WARN),
    Verdict.UNDECIDED: ("?", Tone.WARN),
}


@dataclass(frozen=True, slots=True)
class Alert:
    """One line that must be seen: its word, its sentence and how bad it is."""

    word: str
    text: str
    tone: Tone


@dataclass(frozen=True, slots=True)
class LargeValue:
    """The large value. ``dim`` when it is not what the meter shows now."""

    digits: str
    unit: str
    dim: bool


@dataclass(frozen=True, slots=True)
class PhaseLine:
    """What the reading is doing. ``progress`` is 0..1 while it settles, else None."""

    word: str
    detail: str
    tone: Tone
    progress: float | None = None


@dataclass(frozen=True, slots=True)
class VerdictLine:
    """The verdict in a word; ``standing`` says what it is worth, ``mark`` is its shape."""

    word: str
    mark: str
    tone: Tone
    status: str
    close_call: bool = False
    deviation: str = ""
    reason: str = ""

    @property
    def final(self) -> bool:
        """Whether it is the verdict of a held reading."""
        return self.status == ACCEPTED


@dataclass(frozen=True, slots=True)
class Gauge:
    """The limits as a scale in ``unit``. ``beyond``: the reading is above anything the meter can show."""

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
class MeterRow:
    """One line of the list of meters. ``bars`` is 0..4, None when nothing was heard."""

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
    """The test point that a retake or a rating is for."""

    key: str
    title: str
    quantity: str
    rating: str


@dataclass(frozen=True, slots=True)
class Scene:
    """Everything on the screen."""

    site: str
    tally: str
    alerts: tuple[Alert, ...]
    title: str
    terminals: str
    specification: str
    value: LargeValue
    phase: PhaseLine
    verdict: VerdictLine
    gauge: Gauge | None
    points: tuple[PointRow, ...]
    meters: tuple[MeterRow, ...]
    failed_derived: str
    advice: str
    cautions: tuple[str, ...]
    active_point: ActivePoint | None


def compose_scene(
    latest: LatestMessages, age: float | None, disconnect_reason: str | None, command_error: Alert | None = None
) -> Scene:
    """Return what to show.

    ``age`` is how old the newest reading is, in seconds, None without one. ``gone`` is why the daemon is not there, or
    None while it is; ``said`` is the answer to the last key pressed.
    """
    visit, live, meters = latest.visit, latest.live, latest.meters
    fresh = live is not None and age is not None and age <= STALE_AFTER and disconnect_reason is None
    points = visit["points"] if visit else []
    focus = _by_key(points, visit["focus"] if visit else None)
    point = _displayed_point(points, focus, visit, live if fresh else None)
    held = _current_accepted(point, live if fresh else None)
    ruling = _verdict_line(point, held, live if fresh else None, visit)
    return Scene(
        site=_site(visit),
        tally=_tally(points, disconnect_reason),
        alerts=_alerts(disconnect_reason, latest.notice, meters, command_error),
        title=_clean_text(point["title"]) if point else "No test point",
        terminals=" to ".join(_clean_text(name) for name in point["terminals"]) if point else "",
        specification=_specification(point) if point else "",
        value=_number(live, held, fresh),
        phase=_phase(live, age, held, fresh=fresh),
        verdict=ruling,
        gauge=_gauge(point, held, live if fresh else None),
        points=tuple(_point_row(i, p, focus) for i, p in enumerate(points, 1)),
        meters=tuple(_meter_row(m) for m in meters["meters"]) if meters else (),
        failed_derived=_failed_derived(visit),
        advice=_advice(visit, disconnect_reason)
        if live
        else _teaching_advice(meters, disconnect_reason) or _advice(visit, disconnect_reason),
        cautions=_cautions(visit, point),
        active_point=_active_point(focus or point),
    )


def age_at_receipt(at: str, utc_ns: int) -> float:
    """Return how old a reading stamped ``at`` (RFC 3339) was when it came, in s; 0 when that cannot be told."""
    try:
        age = utc_ns / 1e9 - datetime.fromisoformat(at).timestamp()
    except (ValueError, OverflowError, OSError):
        return 0.0
    return max(0.0, age)


def format_age(seconds: float) -> str:
    """``12 s``, ``3 min``, ``2 h``."""
    for size, unit in ((3600, "h"), (60, "min")):
        if seconds >= size:
            return f"{int(seconds // size)} {unit}"
    return f"{int(seconds)} s"


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
    points: Sequence[PointView], focus: PointView | None, visit: VisitView | None, live: LiveView | None
) -> PointView | None:
    """While the probes are on something, what they are on; else the active point; else what was held last."""
    if live and live["phase"] != "idle":
        return _by_key(points, live["point"]) or focus
    return focus or _by_key(points, visit["last_accepted"] if visit else None)


def _current_accepted(point: PointView | None, live: LiveView | None) -> AcceptedView | None:
    """The held reading that stands: not while a newer one is settling at the same point."""
    if point is None or (live and live["phase"] == "settling"):
        return None
    return point["accepted"]


def _site(visit: VisitView | None) -> str:
    return (
        " · ".join(filter(None, (_clean_text(visit["site"]), _clean_text(visit["unit"])))) if visit else "No visit open"
    )


def _tally(points: Sequence[PointView], disconnect_reason: str | None) -> str:
    if disconnect_reason is not None:
        return "NOT CONNECTED"
    return f"{sum(point['accepted'] is not None for point in points)} of {len(points)} held" if points else ""


def _alerts(
    disconnect_reason: str | None, notice: NoticeView | None, meters: MetersView | None, command_error: Alert | None
) -> tuple[Alert, ...]:
    alerts = []
    if disconnect_reason is not None:
        alerts.append(
            Alert(
                "STOPPED",
                f"Readings are not being taken; trying to reach the daemon again. {_clean_text(disconnect_reason)}",
                Tone.BAD,
            )
        )
    if notice and (text := _clean_text(notice["text"])):
        tone = {"alarm": Tone.BAD, "warning": Tone.WARN}.get(notice["level"], Tone.PLAIN)
        alerts.append(Alert({"alarm": "ALARM", "warning": "WARNING"}.get(notice["level"], "NOTE"), text, tone))
    if meters and (text := _clean_text(meters["radio_error"])):
        alerts.append(Alert("BLUETOOTH", text, Tone.WARN))
    return (*alerts, command_error) if command_error else tuple(alerts)


def _specification(point: PointView) -> str:
    rating = _clean_text(point["rating"]) or (
        _clean_text(point["limits"]["basis"]) if point["limits"] else "rating not read yet"
    )
    return " · ".join(filter(None, (_clean_text(point["circuit"]), rating)))


def _split_unit(text: str) -> tuple[str, str]:
    digits, _, unit = _clean_text(text).partition(" ")
    return digits, unit


def _number(live: LiveView | None, accepted: AcceptedView | None, fresh: bool) -> LargeValue:  # noqa: FBT001  # a fact, not a mode
    if accepted and not (fresh and live and live["phase"] == "held"):
        return LargeValue(*_split_unit(accepted["text"]), dim=False)
    if live is None:
        return LargeValue("---", "", dim=True)
    return LargeValue(*_split_unit(live["text"]), dim=not fresh or live["phase"] == "idle")


def _phase(live: LiveView | None, age: float | None, accepted: AcceptedView | None, *, fresh: bool) -> PhaseLine:
    if live is None or age is None:
        return PhaseLine("NO READING YET", "", Tone.PLAIN)
    meter = f"on {_clean_text(live['meter'])}"
    if not fresh:
        old = f"last reading {format_age(age)} ago"
        return (
            PhaseLine("HELD EARLIER", f"{old}, {meter}", Tone.PLAIN)
            if accepted
            else PhaseLine(f"NOT LIVE · {old}", meter, Tone.WARN)
        )
    match live["phase"]:
        case _ if altered := live.get("altered"):
            showing = "ON HOLD · an old reading" if altered == "hold" else "RELATIVE · a difference"
            return PhaseLine(showing, f"{meter} · nothing is measured", Tone.WARN)
        case "settling":
            progress = min(1.0, max(0.0, live["progress"]))
            return PhaseLine(f"SETTLING {progress:.0%}", meter, Tone.PLAIN, progress)
        case "held":
            return PhaseLine("HELD", meter, Tone.PLAIN)
        case _ if accepted:
            return PhaseLine("HELD EARLIER", f"{meter} · nothing on the probes now", Tone.PLAIN)
        case _:
            return PhaseLine("NOTHING ON THE PROBES", meter, Tone.PLAIN)


def verdict_word(verdict: str) -> tuple[str, str, Tone]:
    """Return a verdict's word with its mark and its tone."""
    mark, tone = _VERDICTS.get(verdict, ("?", Tone.WARN))
    return _clean_text(verdict).upper(), mark, tone


def _verdict_line(
    point: PointView | None, accepted: AcceptedView | None, live: LiveView | None, visit: VisitView | None
) -> VerdictLine:
    if live and point and not live["function_matches"] and live["phase"] != "idle":
        wanted, got = _clean_text(point["quantity"]), _clean_text(live["quantity"])
        reason = f"The meter measures {got}; this test point wants {wanted}. Set the meter to {wanted}."
        return VerdictLine("NOT JUDGED", "?", Tone.WARN, "wrong function", reason=reason)
    if accepted:
        word, mark, tone = verdict_word(accepted["verdict"])
        close = accepted["margin"] == Margin.CLOSE_CALL
        deviation = _deviation(accepted["deviation_percent"])
        reason = _clean_text(accepted["reason"])
        if close and (probability := accepted.get("probability")) is not None:
            reason += f" {probability:.0%} probable to be within."
        return VerdictLine(word, mark, tone, ACCEPTED, close_call=close, deviation=deviation, reason=reason)
    if live and live["phase"] != "idle" and live["verdict"]:
        word, _, tone = verdict_word(live["verdict"])
        unrated = point is not None and point["limits"] is None
        reason = "Nothing to hold it against yet: type the rating off the part." if unrated else ""
        return VerdictLine(word, "…", tone, "so far", reason=reason)
    return VerdictLine(
        "",
        "",
        Tone.PLAIN,
        "no verdict yet",
        reason=_last_accepted(visit) or (_clean_text(point["why"]) if point else ""),
    )


def _last_accepted(visit: VisitView | None) -> str:
    point = _by_key(visit["points"], visit["last_accepted"]) if visit else None
    if point is None or point["accepted"] is None:
        return ""
    held = point["accepted"]
    close = " (close call)" if held["margin"] == Margin.CLOSE_CALL else ""
    return (
        f"Held last: {_clean_text(point['title'])} {_clean_text(held['text'])}, {_clean_text(held['verdict'])}{close}."
    )


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
    on_probes = live if live and live["phase"] != "idle" and live["function_matches"] else None
    reading = _decimal(on_probes["digits"] if on_probes else accepted["digits"] if accepted else None)
    overload = (
        on_probes["status"] == Status.OVERLOAD if on_probes else bool(accepted and accepted["text"].startswith("OL"))
    )
    nominal = _decimal(limits.get("nominal"))
    return Gauge(low, high, nominal, _clean_text(limits["unit"]), reading, overload=overload and reading is None)


def _point_row(number: int, point: PointView, focus: PointView | None) -> PointRow:
    held = point["accepted"]
    word, mark, tone = verdict_word(held["verdict"]) if held else ("", "·", Tone.PLAIN)
    return PointRow(
        key=point["key"],
        number=number,
        title=_clean_text(point["title"], 40),
        active=point is focus,
        accepted_text=_clean_text(held["text"], 20) if held else "",
        verdict=word,
        mark=mark,
        tone=tone,
        close_call=bool(held and held["margin"] == Margin.CLOSE_CALL),
        repeats=point["repeats"],
    )


_METER_MARKS = {
    "connected": ("●", Tone.GOOD),
    "searching": ("○", Tone.PLAIN),
    "connecting": ("○", Tone.PLAIN),
    "silent": ("?", Tone.WARN),
    "needs you": ("!", Tone.WARN),
    "lost": ("✗", Tone.BAD),
    "unusable": ("✗", Tone.BAD),
}


def _meter_row(meter: MeterView) -> MeterRow:
    mark, tone = _METER_MARKS.get(meter["state"], ("?", Tone.WARN))
    rssi, battery = meter["rssi"], meter["battery"]
    on_air = meter["state"] in {"connected", "silent"}
    bars, signal = (
        next((b, word) for least, b, word in _SIGNAL_WORDS if rssi >= least or b == 1) if rssi else (None, "")
    )
    return MeterRow(
        name=_clean_text(meter["name"] or meter["address"], 24),
        mark=mark,
        state=_clean_text(meter["state"], 16),
        tone=tone,
        signal_bars=bars if on_air else None,
        signal=signal if on_air else "",
        battery=f"battery {battery} %" if battery is not None else "",
        battery_low=meter["low_battery"] or (battery is not None and battery <= _WEAK_BATTERY),
        detail=_clean_text(meter["detail"]),
    )


def _failed_derived(visit: VisitView | None) -> str:
    """The first of what was worked out of several readings and is not within, in one line; empty when all is well."""
    derived = visit.get("derived", []) if visit else []
    failed = [view for view in derived if verdict_word(view["verdict"] or "")[2] is Tone.BAD]
    if not failed:
        return ""
    more = f" +{len(failed) - 1}" if len(failed) > 1 else ""
    word = _clean_text(failed[0]["verdict"]).upper()
    return (
        f"{word}: {_clean_text(failed[0]['title'], 60)} {_clean_text(failed[0]['value'], 40)}{more}".rstrip()
        + " (f says why)"
    )


def _advice(visit: VisitView | None, disconnect_reason: str | None) -> str:
    if disconnect_reason is not None:
        return "Keep your notes by hand until the station is back. What was held is in its database."
    return _clean_text(visit["advice"]) if visit else "Waiting for the station to open a visit."


def _teaching_advice(meters: MetersView | None, disconnect_reason: str | None) -> str:
    """What to do while no meter speaks and one is there that no driver fits; empty for nothing."""
    strange = (
        [_clean_text(meter["name"]) for meter in meters["meters"] if meter["state"] == "unusable"] if meters else []
    )
    if not strange or disconnect_reason is not None:
        return ""
    return f"No driver fits {strange[0]}. Press m to teach it from what its display shows."


def _cautions(visit: VisitView | None, point: PointView | None) -> tuple[str, ...]:
    """The active point's caution, and that of the one the probes are still on where it differs."""
    given = (_clean_text(visit["caution"] if visit else ""), _clean_text(point["caution"] if point else ""))
    return tuple(dict.fromkeys(filter(None, given))) or (GENERAL_CAUTION,)


# Shown while no test point is active. Common practice; the work practice itself is NFPA 70E's (from memory).
GENERAL_CAUTION = (
    "Treat every circuit as energized. Isolate it and lock it out; prove your tester on a known source before and"
    " after. Follow local codes; work for licensed or qualified people."
)


def _active_point(point: PointView | None) -> ActivePoint | None:
    if point is None:
        return None
    return ActivePoint(
        point["key"], _clean_text(point["title"]), _clean_text(point["quantity"]), _clean_text(point["rating"])
    )
