"""The meters of the sheet, derived from the newest messages: pure, without a screen library.

Three messages tell of a meter: the facts in the data folder, its state on the radio, and the devices on the air.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from enum import StrEnum

from meterlink.core.equipment import ConnectionState, DriverFit
from meterlink.core.text import clean_text
from meterlink.link.messages import DeviceView, DiscoveryView, KnownMetersView, KnownMeterView, MetersView, MeterView
from meterlink_tui.scene import MeterLine, QuestionChoice, Tone, age_at_receipt, format_age, meter_row

_LONGEST = 200  # characters of a fact; an accuracy of many lines is cut
# A bound meter in one of these states says nothing.
_SAYS_NOTHING = {ConnectionState.SEARCHING, ConnectionState.LOST, ConnectionState.NEEDS_ATTENTION}


@dataclass(frozen=True, slots=True)
class MeterEntry:
    """One meter. ``line`` is its line in the list; the facts are texts, cleaned, each may be empty.

    ``details`` are sentences with their tones. ``age`` is that of its newest reading, ``3 min``.
    """

    address: str
    line: MeterLine
    age: str
    bound: bool
    has_radio: bool
    name: str
    test_point: str
    driver: str
    accuracy: str
    calibration: str
    details: tuple[tuple[Tone, str], ...]

    @property
    def title(self) -> str:
        """The name, else the address."""
        return self.name or clean_text(self.address)


def compose_meter_entries(
    known: KnownMetersView | None,
    meters: MetersView | None,
    discovery: DiscoveryView | None,
    titles: Mapping[str, str],
    utc_ns: int,
) -> tuple[MeterEntry, ...]:
    """Return the meters: bound ones first, then others that the station knows, then devices on the air.

    ``titles`` is ``{key of a test point: its title}``; ``utc_ns`` is now.
    """
    states = {view["address"].upper(): view for view in meters["meters"]} if meters else {}
    devices = {view["address"].upper(): view for view in discovery["devices"]} if discovery else {}
    facts = {
        key: view
        for view in (known["meters"] if known else ())
        if (key := view["address"].upper()) in states or key in devices or _is_kept(view)
    }
    entries = (
        _entry(facts.get(key), states.get(key), devices.get(key), titles, utc_ns)
        for key in dict.fromkeys([*facts, *states, *devices])
    )
    return tuple(sorted(entries, key=lambda entry: (not entry.bound, not entry.has_radio)))


def _is_kept(view: KnownMeterView) -> bool:
    """Return whether a meter that is not on the air is listed: not one that was met once, and never set up."""
    entered = view["name"] or view["test_point"] or view["driver"] or view["accuracy"] or view["calibration"]
    return view["bound"] or not view["has_radio"] or bool(entered)


def _entry(
    fact: KnownMeterView | None,
    state: MeterView | None,
    device: DeviceView | None,
    titles: Mapping[str, str],
    utc_ns: int,
) -> MeterEntry:
    address = next(view["address"] for view in (state, fact, device) if view is not None)
    name = next((view["name"] for view in (state, fact, device) if view is not None and view["name"]), "")
    bound = (fact is not None and fact["bound"]) or (fact is None and device is not None and device["bound"])
    has_radio = fact is None or fact["has_radio"]
    used = state["driver"] if state else device["driver"] if device else ""
    view = state or _silent_view(name, address, device)
    line = replace(meter_row(view), detail="")
    if state is None:
        line = replace(line, mark="·", state=_word(device, has_radio=has_radio, bound=bound), tone=Tone.PLAIN)
    at = view.get("at")
    return MeterEntry(
        address=address,
        line=line,
        age="" if at is None else format_age(age_at_receipt(at, utc_ns)),
        bound=bound,
        has_radio=has_radio,
        name=clean_text(name),
        test_point=clean_text(fact["test_point"]) if fact else "",
        driver=clean_text(fact["driver"]) if fact else "",
        accuracy=clean_text(fact["accuracy"], _LONGEST) if fact else "",
        calibration=clean_text(fact["calibration"], _LONGEST) if fact else "",
        details=tuple(_details(fact, state, device, used, titles, has_radio=has_radio, bound=bound)),
    )


def _silent_view(name: str, address: str, device: DeviceView | None) -> MeterView:
    """Return the view of a meter that the station does not try to connect, with the signal of its advertisement."""
    return MeterView(
        name=name,
        address=address,
        state=ConnectionState.CONNECTED,  # only then a line has a signal
        detail="",
        driver="",
        rssi=device["rssi"] if device else None,
        battery=None,
        low_battery=False,
        readings=0,
        dropped_packets=0,
        at=None,
    )


def _word(device: DeviceView | None, *, has_radio: bool, bound: bool) -> str:
    """Return the state of a meter that the station does not try to connect."""
    if not has_radio:
        return "by hand"
    if device is not None and device["rssi"] is not None:
        return "no driver fits" if device["fit"] == DriverFit.NO else "on the air"
    return "bound" if bound else "not heard"


def _details(
    fact: KnownMeterView | None,
    state: MeterView | None,
    device: DeviceView | None,
    used: str,
    titles: Mapping[str, str],
    *,
    has_radio: bool,
    bound: bool,
) -> Iterator[tuple[Tone, str]]:
    if state is not None and state["state"] != ConnectionState.CONNECTED:
        word = "Says nothing: " if state["state"] in _SAYS_NOTHING else ""
        yield Tone.WARN, clean_text(f"{word}{state['detail'] or state['state']}", _LONGEST)
    elif state is None and device is not None and device["unusable_reason"]:
        yield Tone.WARN, clean_text(device["unusable_reason"], _LONGEST)
    if has_radio:
        address = next(view["address"] for view in (state, fact, device) if view is not None)
        serial = (fact["serial"] if fact else "") or (device["serial"] if device else "")
        serial_text = f", serial number {serial}" if serial else ""
        yield Tone.PLAIN, clean_text(f"{address}{serial_text}, {'bound' if bound else 'not bound'}", _LONGEST)
        chosen = fact["driver"] if fact else ""
        fits = "" if used or (device and device["fit"] == DriverFit.NO) else "the one that fits best"
        driver = f"{chosen}, chosen" if chosen else used or fits or "none fits"
        yield Tone.PLAIN, clean_text(f"Driver: {driver}", _LONGEST)
        point = fact["test_point"] if fact else ""
        yield Tone.PLAIN, clean_text(f"Measures: {titles.get(point, point) or 'the active test point'}", _LONGEST)
    yield Tone.PLAIN, clean_text(f"Accuracy: {(fact and fact['accuracy']) or 'assumed, as for any meter'}", _LONGEST)
    calibration = (fact["calibration_state"] or fact["calibration"]) if fact else ""
    overdue = fact is not None and fact["overdue"]
    text = calibration.removeprefix("calibration ") or "unknown"
    yield (Tone.WARN if overdue else Tone.PLAIN), clean_text(f"Calibration: {text}", _LONGEST)
    for remark in fact["remarks"] if fact else ():
        yield Tone.WARN, clean_text(remark, _LONGEST)


class MeterAction(StrEnum):
    """An action on a meter, by its word on the screen."""

    BIND = "bind"
    UNBIND = "unbind"
    NAME = "name"
    TEST_POINT = "test point"
    DRIVER = "driver"
    ACCURACY = "accuracy"
    CALIBRATION = "calibration"
    TEACH = "teach"


_WITHOUT_RADIO = {MeterAction.NAME, MeterAction.ACCURACY, MeterAction.CALIBRATION}


def meter_actions(entry: MeterEntry, titles: Mapping[str, str]) -> tuple[QuestionChoice, ...]:
    """Return the actions on a meter in the order of their digits, which is always the same, with the present facts."""
    pinned = titles.get(entry.test_point, entry.test_point)
    actions = {
        MeterAction.NAME: entry.title,
        MeterAction.ACCURACY: entry.accuracy or "assumed",
        MeterAction.CALIBRATION: entry.calibration or "unknown",
        MeterAction.TEST_POINT: clean_text(pinned) or "the active one",
        MeterAction.DRIVER: entry.driver or "the one that fits best",
        MeterAction.TEACH: "if no driver fits it",
    }
    if entry.bound:
        actions[MeterAction.UNBIND] = "the station connects it no more"
    else:
        actions[MeterAction.BIND] = "connect it from now on"
    return tuple(
        QuestionChoice(action, action, words, usual=False)
        for action, words in actions.items()
        if entry.has_radio or action in _WITHOUT_RADIO
    )
