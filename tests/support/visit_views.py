"""Views of a visit at one test point, for dashboards that the test feeds."""

from typing import Any, cast

from meterlink.link.messages import Message

CAUTION = "Disconnect every source. Discharge the capacitor through a resistor before touching its terminals."


def accepted(text: str = "43.31 µF") -> dict[str, Any]:
    number, _, unit = text.partition(" ")
    return {
        "id": 1, "uid": "r1", "revision": 1, "text": text, "number_text": number, "unit_text": unit, "status": "ok",
        "digits": number, "verdict": "within", "margin": "clear", "deviation_percent": None, "reason": "It is within.",
        "accuracy": "", "calibration": "", "next_measurement": "", "probability": None, "rule": "", "question": None,
        "answer": "", "meter": "Alder", "at": "2026-07-14T15:04:05.000Z", "settled_in": 1.4,
    }  # fmt: skip


def point(key: str, title: str, **more: Any) -> dict[str, Any]:
    return {
        "key": key, "title": title, "circuit": "compressor", "component": title, "section": "",
        "terminals": ["C", "HERM"], "quantity": "capacitance", "kind": "capacitor", "state": "isolated and discharged",
        "limits": None, "label": "45+5 µF 440 V", "rating": "45 µF ±6 %", "why": "", "caution": CAUTION,
        "accepted": None, "old_part": None, "last": None, "voided": [], "repeats": 0,
    } | more  # fmt: skip


def at(first: dict[str, Any]) -> Message:
    message: Any = {
        "topic": "visit", "site": "Corner bakery", "unit": "condenser", "plan": "split", "opened": "",
        "points": [first], "focus": first["key"], "last_accepted": None, "next_point": None,
        "advice": "Hold still.", "caution": CAUTION,
        "questions": [], "causes": [], "summary": "", "replacements": [], "derived": [],
    }  # fmt: skip
    return cast("Message", message)


HERM = point("herm", "run capacitor HERM")
COIL = point("coil", "contactor coil", quantity="resistance", kind="coil", label="", rating=None)
