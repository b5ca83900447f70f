"""The display of open leads, few counts, and the rise that proves a contact, one reading at a time.

The limits are common practice, no source, where a test names none; `docs/settling.md` has the reasons.
"""

import math
from collections.abc import Iterable
from decimal import Decimal

import pytest

from meterlink.core.clock import Timestamp
from meterlink.core.readings import Reading, Status
from meterlink.core.units import Quantity
from meterlink.settling.open_leads import FewCounts, is_few_counts, is_idle, is_nothing

QUANTITIES = {
    "V": Quantity.VOLTAGE,
    "mV": Quantity.VOLTAGE,
    "A": Quantity.CURRENT,
    "µF": Quantity.CAPACITANCE,
    "nF": Quantity.CAPACITANCE,
    "Hz": Quantity.FREQUENCY,
    "Ω": Quantity.RESISTANCE,
    "°C": Quantity.TEMPERATURE,
}


def shown(text: str, step: str | None = None) -> Reading:
    """Return a reading as a person says it, ``0.3 V``; ``OL V`` is an overload, ``- V`` no value."""
    digits, unit = text.split()
    value = None if digits in {"OL", "-"} else Decimal(digits)
    status = {"OL": Status.OVERLOAD, "-": Status.INVALID}.get(digits, Status.OK)
    resolution = None if step is None else Decimal(step)
    return Reading(QUANTITIES[unit], value, unit, Timestamp(0, 0), status, resolution=resolution)


@pytest.mark.parametrize(
    ("step", "nothing", "something"),
    [
        # Half the digits of an accuracy line: three counts on a display of tenths.
        ("0.1", ["0.0 V", "0.3 V", "-0.3 V"], ["0.4 V", "-0.4 V", "240.0 V", "OL V", "- V"]),
        ("0.1", ["0.3 A", "-0.3 A"], ["0.4 A", "-0.4 A", "1.0 A", "OL A"]),
        # A finer display shows more pick-up: ten counts, below a tenth of a volt.
        ("0.01", ["0.09 V", "-0.09 V"], ["0.10 V", "-0.10 V"]),
        ("0.001", ["0.010 V"], ["0.011 V"]),
        ("0.1", ["1.0 mV", "-1.0 mV"], ["1.1 mV"]),
        ("0.01", ["0.03 A"], ["0.04 A"]),
        # A pair of leads has less than 5 nF, and after zeroing less than nothing; every part has more.
        ("0.01", ["0.03 µF", "-4.00 µF"], ["0.04 µF", "OL µF"]),
        ("0.01", ["4.99 nF"], ["5.00 nF"]),
        ("0.1", ["0.0 Hz"], ["0.1 Hz"]),
        # A short is no open lead, and freezing is a temperature.
        ("0.1", ["OL Ω"], ["0.0 Ω", "- Ω", "0.0 °C"]),
        # A meter that sends no step.
        (None, ["0.09 V", "-0.09 V", "0.09 A", "4.9 nF"], ["0.1 V", "-0.1 V", "0.1 A", "5 nF", "0.0 Ω", "0.0 °C"]),
        (None, ["99 mV"], ["100 mV"]),
    ],
)
def test_nothing_is_the_display_of_open_leads(step: str | None, nothing: list[str], something: list[str]) -> None:
    assert [text for text in (*nothing, *something) if is_nothing(shown(text, step))] == nothing
    assert all(is_idle(shown(text, step)) for text in nothing)


@pytest.mark.parametrize(
    ("step", "few", "more"),
    [
        # A lead beside a live wire (3 pF, 240 V, 60 Hz) drives 0.27 µA, into 10 MΩ 2.7 V: on any range.
        ("0.1", ["0.0 V", "3.0 V", "-3.0 V"], ["3.1 V", "-3.1 V", "OL V", "- V"]),
        ("0.001", ["3.000 V"], ["3.001 V"]),
        ("1", ["3000 mV"], ["3001 mV"]),
        ("1", ["10 V", "-10 V"], ["11 V"]),
        ("0.1", ["1.0 A", "-1.0 A"], ["1.1 A", "-1.1 A", "OL A"]),
        ("0.01", ["0.10 A"], ["0.11 A"]),
        (None, ["3 V", "0 A"], ["3.1 V", "0.01 A"]),
        ("0.1", [], ["0.0 Ω", "OL Ω", "0.1 µF", "0.1 Hz"]),
    ],
)
def test_few_counts_are_those_that_leads_in_the_air_may_show(step: str | None, few: list[str], more: list[str]) -> None:
    assert [text for text in (*few, *more) if is_few_counts(shown(text, step))] == few
    assert all(is_idle(shown(text, step)) for text in few)


def test_what_is_neither_is_a_value() -> None:
    assert not is_idle(shown("240.0 V", "0.1"))
    assert not is_idle(shown("45.0 µF", "0.1"))


# The rise from the leads in the air to a contact. Steps of half a volt: their sums are exact.


def fed(few: FewCounts, begin: float, texts: Iterable[str], step: str | None = "0.5") -> list[bool]:
    """Add displays at four readings a second; return the answers."""
    return [few.add(shown(text, step), begin + number / 4) for number, text in enumerate(texts)]


def after(air: Iterable[str], step: str | None = "0.5") -> FewCounts:
    """Return what has followed leads in the air that showed ``air`` until 10 s."""
    few, displays = FewCounts(), list(air)
    assert all(fed(few, 10 - len(displays) / 4, displays, step))
    assert few.risen_at is None
    return few


@pytest.mark.parametrize(
    ("air", "not_yet", "risen"),
    [
        ("0.0 V", "1.5 V", "2.0 V"),  # 1.5 V is nothing on this display
        ("0.5 V", "2.0 V", "2.5 V"),  # three counts more …
        ("1.0 V", "3.0 V", "3.5 V"),  # … or three times as much
    ],
)
def test_a_display_has_risen_by_three_counts_and_to_three_times(air: str, not_yet: str, risen: str) -> None:
    """A lead that comes nearer to a live wire shows a little more; a contact shows much more."""
    few = after([air] * 4)
    assert fed(few, 10, [not_yet]) == [True]
    assert few.risen_at is None
    few = after([air] * 4)
    assert fed(few, 10, [risen]) == [True]
    assert few.risen_at == 10
    assert few.is_proven(shown(risen, "0.5"))


def test_a_meter_without_a_step_rises_to_three_times() -> None:
    few = after(["0.25 V"] * 4, None)
    fed(few, 10, ["0.75 V"], None)
    assert few.risen_at is None
    few = after(["0.25 V"] * 4, None)
    fed(few, 10, ["0.8 V"], None)
    assert few.risen_at == 10


def test_leads_that_were_hardly_in_the_air_have_not_risen() -> None:
    """Between two touches of one part the display falls for a moment: the second touch proves nothing new."""
    few = after(["0.0 V"] * 2)
    fed(few, 10, ["3.0 V"])
    assert few.risen_at is None


def test_a_refresh_half_way_is_not_taken_for_the_leads_in_the_air() -> None:
    few = after(["0.0 V"] * 4 + ["1.0 V"])
    fed(few, 10, ["3.0 V"])
    assert few.risen_at == 10


def test_only_the_last_second_in_the_air_counts() -> None:
    """The lead lay on a cable, then on the truck: its readings then are of no account."""
    few = after(["1.5 V"] + ["0.0 V"] * 7)
    fed(few, 10, ["3.0 V"])
    assert few.risen_at == 10
    few = after(["1.5 V"] + ["0.0 V"] * 3)  # a second ago: the hand sways
    fed(few, 10, ["3.0 V"])
    assert few.risen_at is None


def test_a_contact_may_vary_by_three_counts_and_a_fifth_on_volts() -> None:
    few = after(["0.0 V"] * 4)
    assert fed(few, 10, ["5.0 V", "3.5 V", "3.0 V", "3.5 V"]) == [True, True, False, True]
    # A slow slide is no contact either: the highest level counts.
    assert fed(few, 11, ["2.0 V"]) == [False]
    fine = after(["0.0 V"] * 4, "0.1")
    assert fed(fine, 10, ["3.0 V", "2.5 V", "2.3 V"], "0.1") == [True, True, False]


def test_a_clamp_on_a_motor_may_fall_to_a_tenth() -> None:
    """A motor starts with four to six times its running current; below a tenth the clamp was taken off."""
    few = after(["0.0 A"] * 4, "0.1")
    assert fed(few, 10, ["1.0 A", "0.4 A", "0.3 A"], "0.1") == [True, True, False]


def test_half_a_second_without_contact_is_the_air_again() -> None:
    few = after(["0.0 V"] * 4)
    fed(few, 10, ["3.0 V"])
    assert fed(few, 10.25, ["0.0 V", "0.0 V"]) == [False, False]
    assert few.risen_at == 10
    assert fed(few, 10.75, ["0.0 V"]) == [False]
    assert few.risen_at is None
    assert math.isinf(few.fallen_from)
    fed(few, 11.5, ["3.0 V"])  # the reading at 10.75 s was that of the air
    assert few.risen_at == 11.5


def test_a_bounce_is_not_added_to_the_next_one() -> None:
    few = after(["0.0 V"] * 4)
    assert fed(few, 10, ["3.0 V", "0.0 V", "3.0 V", "0.0 V", "0.0 V"]) == [True, False, True, False, False]
    assert few.risen_at == 10


@pytest.mark.parametrize(
    ("text", "step", "settles"),
    [
        ("0.3 V", "0.1", False),  # nothing
        ("0.9 V", "0.1", True),
        ("0.099 V", "0.001", False),  # a millivolt range always shows some
        ("0.100 V", "0.001", True),
        ("99.0 mV", "0.1", False),
        ("100.0 mV", "0.1", True),
        ("0.5 A", "0.1", True),
        ("0.2 A", "0.1", False),
    ],
)
def test_few_counts_may_settle_without_a_rise(text: str, step: str, settles: bool) -> None:
    assert FewCounts().may_settle(shown(text, step)) is settles


def test_after_a_rise_some_millivolts_may_settle() -> None:
    few = after(["0.000 V"] * 4, "0.001")
    fed(few, 10, ["0.050 V"], "0.001")
    assert few.may_settle(shown("0.050 V", "0.001"))


@pytest.mark.parametrize(
    ("fallen_from", "text", "is_proven"),
    [
        (0.0, "0.04 A", True),
        (3.0, "0.50 A", True),  # a fan that has started
        (5.0, "0.50 A", True),
        (5.5, "0.50 A", False),  # a clamp that was taken off and picks up its neighbour
        (math.inf, "0.50 A", False),
        (0.0, "0.90 V", False),  # leads beside a live wire
    ],
)
def test_few_counts_without_a_rise_prove_a_contact_on_a_clamp_only(
    fallen_from: float, text: str, is_proven: bool
) -> None:
    assert FewCounts(fallen_from).is_proven(shown(text, "0.01")) is is_proven


def test_a_new_contact_has_fallen_from_nothing() -> None:
    assert FewCounts().is_proven(shown("0.04 A", "0.01"))
