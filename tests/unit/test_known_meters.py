"""One home for each fact about a meter: the newer of two entries counts, and the other is named."""

from datetime import UTC, date, datetime

import pytest

from meterlink.core.calibration import Calibration
from meterlink.core.equipment import Meter
from meterlink.core.errors import InputError
from meterlink.core.meter_facts import Fact, FactName
from meterlink.core.readings import MANUAL_ENTRY
from meterlink.core.units import Quantity
from meterlink.judge.accuracy import AccuracyRange, AccuracySheet
from meterlink.judge.uncertainty import parse_accuracy
from meterlink.settings import MeterSettings, Settings
from meterlink.station.known_meters import KnownMeters
from meterlink.store.rows import MeterRow

A, B, C = (f"C0:00:5E:00:53:0{n}" for n in (1, 2, 3))
SHEET = AccuracySheet((AccuracyRange(Quantity.CAPACITANCE, parse_accuracy("2 % + 5 digits")),))
IN_SETTINGS = MeterSettings(
    A, "clamp", "line-volts", SHEET, "yard-meter", Calibration(date(2025, 3, 1), date(2026, 3, 1), "K-1047")
)


def noon(month: int, day: int) -> int:
    """Return noon UTC of a day of 2026 in ns: the same day in nearly every time zone."""
    return int(datetime(2026, month, day, 12, tzinfo=UTC).timestamp()) * 10**9


def settings(*meters: MeterSettings, month: int = 11, day: int = 20) -> Settings:
    return Settings("van", meters=meters, changed_utc_ns=noon(month, day))


def row(
    address: str = A,
    facts: dict[FactName, Fact] | None = None,
    *,
    bound: bool = True,
    name: str = "Alder",
    aliases: tuple[str, ...] = (),
) -> MeterRow:
    current = aliases[-1] if aliases else address
    return MeterRow(1, Meter(address, name, "presented"), bound, 0, 0, current, aliases, facts or {})


def test_the_settings_count_where_nobody_entered_anything() -> None:
    meter = KnownMeters(settings(IN_SETTINGS), [row()]).at(A)
    assert (meter.name, meter.test_point, meter.driver) == ("clamp", "line-volts", "yard-meter")
    assert meter.sheet is not None
    assert meter.sheet.ranges == SHEET.ranges
    assert meter.calibration == IN_SETTINGS.calibration
    assert meter.remarks == ()


def test_a_newer_entry_counts_and_the_screen_says_that_the_settings_are_older() -> None:
    newer = noon(11, 25)
    entered = {
        FactName.NAME: "my clamp",
        FactName.TEST_POINT: "",
        FactName.DRIVER: "",
        FactName.ACCURACY: "good",
        FactName.CALIBRATION: "2026-11-01",
    }
    facts = {name: Fact(text, newer) for name, text in entered.items()}
    known = KnownMeters(settings(IN_SETTINGS), [row(facts=facts, name="my clamp", aliases=(B,))])
    meter = known.at(B.lower())  # any of its addresses, in any case
    assert (meter.name, meter.test_point, meter.driver) == ("my clamp", "", "")
    assert str(meter.accuracy) == "good"
    assert meter.calibration == Calibration(date(2026, 11, 1))
    assert meter.remarks[0] == "settings.toml of 2026-11-20 is older: it is not used for the name."
    assert [remark.rpartition("the ")[2] for remark in meter.remarks] == [
        "name.", "test point.", "driver.", "accuracy.", "calibration.",
    ]  # fmt: skip
    assert known.pins() == {}
    # Once in the log, not at each change.
    assert known.new_remarks()[0] == f"my clamp: {meter.remarks[0]}"
    known.load([])
    assert known.new_remarks() == []


def test_newer_settings_count_and_the_entry_is_named() -> None:
    meter = KnownMeters(settings(IN_SETTINGS), [row(A, {FactName.ACCURACY: Fact("lab", noon(11, 3))})]).at(A)
    assert meter.sheet is not None
    assert meter.sheet.ranges == SHEET.ranges
    assert meter.remarks == (
        "settings.toml of 2026-11-20 is newer than the accuracy entered on 2026-11-03, which is not used.",
    )


def test_settings_that_say_nothing_leave_an_older_entry_alone() -> None:
    """A file that was saved for another reason, without this fact, takes nothing away."""
    meter = KnownMeters(settings(MeterSettings(A)), [row(A, {FactName.ACCURACY: Fact("lab", noon(1, 1))})]).at(A)
    assert (str(meter.accuracy), meter.remarks) == ("lab", ())


def test_two_equal_entries_need_no_remark() -> None:
    meter = KnownMeters(settings(IN_SETTINGS), [row(A, {FactName.DRIVER: Fact("yard-meter", noon(11, 25))})]).at(A)
    assert (meter.driver, meter.remarks) == ("yard-meter", ())


def test_a_bound_meter_keeps_its_name_and_another_has_its_own() -> None:
    known = KnownMeters(
        settings(), [row(), row(B, bound=False, name="Birch"), row(MANUAL_ENTRY, bound=False, name="x")]
    )
    assert [known.name_at(address) for address in (A, B, C, MANUAL_ENTRY)] == ["Alder", "", "", "typed in"]


def test_a_meter_of_the_settings_needs_no_row() -> None:
    known = KnownMeters(settings(IN_SETTINGS))
    assert [(meter.address, meter.name, meter.bound) for meter in known] == [(A, "clamp", False)]
    assert known.pins() == {A: "line-volts"}


@pytest.mark.fault("changed-address")
def test_a_meter_that_was_recognised_at_a_new_address_keeps_its_facts() -> None:
    known = KnownMeters(
        settings(), [row(A, {FactName.ACCURACY: Fact("lab", noon(1, 1)), FactName.TEST_POINT: Fact("fan", noon(1, 1))})]
    )
    assert known.at(C).sheet is None
    known.link(C, A)
    assert known.at(C) is known.at(A)
    assert known.pins() == {A: "fan", C: "fan"}
    known.load([row()])
    assert known.at(C).accuracy is None


def test_a_name_that_two_meters_have_names_none() -> None:
    known = KnownMeters(settings(), [row(), row(B)])
    assert known.find(A.lower()) is known.at(A)
    assert known.find("nobody") is None
    with pytest.raises(InputError, match=f"2 meters have the name 'Alder'. Give one address: {A}, {B}."):
        known.find("Alder")


def test_an_entry_of_another_version_is_left_out_and_named() -> None:
    meter = KnownMeters(
        settings(), [row(A, {FactName.ACCURACY: Fact("superb", 1), FactName.CALIBRATION: Fact("2026-11-01", 1)})]
    ).at(A)
    assert meter.sheet is None
    assert meter.remarks[0].startswith("An entry in the database cannot be used: 'superb' is neither a class")
