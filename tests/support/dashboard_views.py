"""Views of a station for tests of the dashboard, and the states of the screen that they make."""

from typing import Any

from meterlink.core.clock import format_rfc3339
from support.dashboards import START

ADVICE = "Put one probe on C and the other on HERM, wires off the capacitor, and keep them still."
ISOLATED = (
    "Isolate the unit and lock it out. Prove your tester on a known live source, verify absence of voltage, prove it "
    "again. Discharge the capacitor through a resistor before touching its terminals. Follow local codes; work for "
    "licensed or qualified people."
)
ENERGIZED = "This circuit is energized. Wear what local codes ask for; work for licensed or qualified people."


def display_parts(text: str) -> dict[str, str]:
    """Return the fields of a view that belong to the meter's display ``text``."""
    number, _, unit = text.partition(" ")
    status = "overload" if number == "OL" else "ok"
    return {"text": text, "number_text": number, "unit_text": unit, "status": status, "display_mode": "normal"}


def accepted(
    text: str = "43.31 µF", digits: str | None = "43.31", verdict: str = "within", **more: Any
) -> dict[str, Any]:
    return {
        "id": 1, "uid": "r1", **display_parts(text), "digits": digits, "verdict": verdict, "margin": "clear",
        "deviation_percent": "-3.76", "reason": f"{text} is within 45 µF ±6 %.",
        "accuracy": "", "meter": "Alder", "at": format_rfc3339(START),
        "settled_in": 1.4,
    } | more  # fmt: skip


def point(key: str, title: str, **more: Any) -> dict[str, Any]:
    return {
        "key": key, "title": title, "circuit": "compressor", "component": title, "section": "",
        "terminals": ["C", "HERM"], "quantity": "capacitance", "state": "isolated and discharged",
        "limits": {"low": "42.3", "high": "47.7", "nominal": "45", "unit": "µF", "basis": "45 µF ±6 %"},
        "rating": "45 µF ±6 %",
        "why": "A weak section keeps the compressor from starting.", "caution": ISOLATED, "brief_caution": "",
        "accepted": None, "repeats": 0, "kind": "capacitor", "label": "45+5 µF 440 V", "old_part": None, "last": None,
        "voided": [],
    } | more  # fmt: skip


def visit(first: dict[str, Any] | None = None, **more: Any) -> Any:
    points = [
        point("herm", "run capacitor HERM", accepted=first),
        point("fan", "run capacitor FAN", accepted=accepted("3.91 µF", "3.91", "outside", id=2, margin="close call"),
              limits={"low": "4.7", "high": "5.3", "nominal": "5", "unit": "µF", "basis": "5 µF ±6 %"},
              rating="5 µF ±6 %", repeats=2),
        point("coil", "contactor coil", terminals=["A1", "A2"], quantity="resistance", rating=None, kind="coil",
              label="", limits={"low": "10", "high": "18", "nominal": "14", "unit": "Ω", "basis": "10 to 18 Ω"}),
        point("supply", "supply", terminals=["L1", "L2"], quantity="voltage", limits=None, rating=None,
              caution=ENERGIZED, state="energized"),
    ]  # fmt: skip
    return {
        "topic": "visit", "site": "Corner bakery", "unit": "condenser, north roof", "plan": "split", "opened": "",
        "points": points, "focus": "herm", "last_accepted": None, "next_point": None, "advice": ADVICE,
        "caution": ISOLATED,
    } | more  # fmt: skip


def live(text: str = "43.05 µF", digits: str | None = "43.05", **more: Any) -> Any:
    return {
        "topic": "live", "meter": "Alder", **display_parts(text), "digits": digits, "unit": "µF",
        "quantity": "capacitance", "phase": "settling", "progress": 0.62, "point": "herm", "function_matches": True,
        "verdict": "within", "at": format_rfc3339(START),
    } | more  # fmt: skip


def meter(name: str, **more: Any) -> dict[str, Any]:
    return {
        "name": name, "address": "00:00:5E:00:53:01", "state": "connected", "detail": "", "driver": "presented",
        "rssi": -55, "battery": 83, "low_battery": False, "readings": 5, "dropped_packets": 0,
    } | more  # fmt: skip


def meters(*rows: dict[str, Any], radio_error: str = "") -> Any:
    lost = {"state": "lost", "detail": "Not heard for 40 s: out of range, or switched off.", "rssi": None}
    usual = (meter("Alder"), meter("Birch", rssi=-80, battery=12), meter("Cedar", battery=None, **lost))
    return {"topic": "meters", "meters": list(rows or usual), "radio_error": radio_error}


CLOSE_REASON = (
    "42.1 µF is below the low limit of 42.3 µF, but the meter may be off by 0.5 µF: measure again on another range."
)
CLOSE = accepted("42.1 µF", "42.1", "outside", margin="close call", deviation_percent="-6.44", reason=CLOSE_REASON)
OPEN = accepted("OL Ω", None, "open", deviation_percent=None, reason="Overload on ohms: nothing conducts here.")
NOTICE: Any = {"topic": "notice", "level": "alarm", "text": "The disk is full: readings are not being kept."}


def derived(key: str, title: str, verdict: str | None = None, **more: Any) -> dict[str, Any]:
    return {
        "key": key, "title": title, "kind": "unbalance", "verdict": verdict, "margin": "clear" if verdict else None,
        "value": "", "text": "Needs L2–L3.", "basis": "at most 2 %; largest deviation from the mean, by the mean",
        "missing": [],
    } | more  # fmt: skip


DERIVED = [
    derived("loaded", "supply voltage unbalance, loaded", missing=["L2–L3"]),
    derived("found", "supply voltage unbalance, as found", "outside", value="2.61 %", margin="close call",
            text="2.61 % is above the high limit of 2 %. Mean 230.1 V. [@click=app.quit]"),
    derived("windings", "compressor motor windings", "open", kind="windings", value="OPEN TO S", margin=None,
            text="C–R reads, and every path to S is open."),
    derived("amps", "compressor motor current unbalance", "within", value="1.2 %", text="1.2 % is within the limit."),
]  # fmt: skip

STEPS: Any = {
    "question": "Did the display show 5, 5.0 or 5.00 µF?",
    "choices": [
        {"key": "5", "words": "CANNOT TELL"},
        {"key": "5.0", "words": "WITHIN, close call"},
        {"key": "5.00", "words": "or more zeros: WITHIN"},
    ],
    "usual": None,
}
OHMS: Any = {
    "question": "Isolated, discharged and verified, with every lead off: what do ohms across it show?",
    "choices": [
        {"key": "almost zero", "words": "below 10 Ω and steady, as with the probes touching: SHORTED"},
        {"key": "steady", "words": "a steady value up to 1 MΩ: CANNOT TELL"},
        {"key": "overload", "words": "they rise above 1 MΩ or to overload: OVER RANGE"},
    ],
    "usual": "almost zero",
}
ASKED = accepted(
    "5 µF",
    "5",
    "cannot tell",
    margin=None,
    id=3,
    question=STEPS,
    reason="5 µF was typed: the verdict depends on the decimals that the display showed.",
)
SHORT = accepted(
    "OL µF",
    None,
    "over range",
    margin=None,
    id=4,
    question=OHMS,
    deviation_percent=None,
    reason="Overload on capacitance: above the meter's range, shorted, or still charging. Read ohms.",
)

STATES: dict[str, list[Any]] = {
    "settling": [visit(), meters(), live()],
    "within": [visit(accepted(), focus="fan", last_accepted="herm"), meters(),
               live("43.31 µF", "43.31", phase="accepted")],
    "close": [visit(CLOSE), meters(), live("42.1 µF", "42.1", phase="accepted", verdict="outside")],
    "open": [visit() | {"points": [point("herm", "contactor coil", accepted=OPEN, quantity="resistance")]}, meters(),
             live("OL Ω", None, phase="accepted", status="overload", quantity="resistance", verdict="open")],
    "idle": [visit(), meters(), live("0.02 µF", "0.02", phase="idle", verdict=None, point=None)],
    "wrong-function": [visit(), meters(), live("241.3 V AC", "241.3", quantity="voltage", function_matches=False)],
    "alarm": [visit(), meters(radio_error="Bluetooth is switched off. Switch it on."), NOTICE, live()],
    "derived": [visit(derived=DERIVED), meters(), live()],
    "asked": [visit(ASKED, last_accepted="herm"), meters(), live("5 µF", "5", phase="accepted", meter="typed in")],
    "asked-ohms": [visit(SHORT, last_accepted="herm"), meters(), live("OL µF", None, phase="accepted")],
    "no-points": [visit(points=[], focus=None, advice="Open a visit with a plan.", caution=""), meters()],
    "no-visit": [meters()],
}  # fmt: skip

SHORTED = accepted("0.1 Ω", "0.1", "shorted", deviation_percent=None, reason="Less than 1 Ω: the coil is shorted.")
NO_METER: Any = {"topic": "meters", "meters": [], "radio_error": ""}
STOP_TEXT = "Alder reads 241.3 V AC. Keep your hands off: isolate the circuit, and verify."
STOP: Any = {"level": "voltage", "title": "VOLTAGE WHERE THERE MUST BE NONE", "text": STOP_TEXT}
GHOST: Any = STOP | {"level": "voltage or ghost", "title": "VOLTAGE, OR A GHOST"}
MORE_STATES: dict[str, list[Any]] = {
    "waiting": [visit(), meters()],
    "outside": [visit(accepted("39.0 µF", "39.0", "outside")), meters(),
                live("39.0 µF", "39.0", phase="accepted", verdict="outside")],
    "shorted": [visit() | {"points": [point("herm", "contactor coil", accepted=SHORTED, quantity="resistance")]},
                meters(), live("0.1 Ω", "0.1", phase="accepted", quantity="resistance", verdict="shorted")],
    "stop": [visit(), meters(), live("241.3 V AC", None, quantity="voltage", function_matches=False, stop=STOP)],
    "no-meter": [visit(), NO_METER],
}  # fmt: skip
