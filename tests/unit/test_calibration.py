"""The calibration of a meter: it stands with a verdict and never changes one."""

from datetime import UTC, date, datetime, timedelta
from functools import partial
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.core.calibration import Calibration, local_day, overdue_part, parse_calibration
from meterlink.core.errors import InputError
from support.commands import run_command, run_for_json

JUDGE = ("judge", "capacitor", "--rated", "45uF", "--reading", "43.10uF", "--meter", "clamp meter")
METER = """
[[meter]]
address = "00:00:5E:00:53:0A"
name = "clamp meter"
{dates}
[[meter.accuracy]]
quantity = "capacitance"
line = "2 % + 5 digits"
"""

year = partial(date, 2026)


@pytest.mark.parametrize(
    ("calibration", "day", "text"),
    [
        (Calibration(), year(3, 1), ""),
        # A certificate without a date says nothing about a day.
        (Calibration(certificate="K-1047"), year(3, 1), ""),
        # The due date is the last day on which it counts.
        (Calibration(date(2025, 3, 1), year(3, 1)), year(3, 1), "calibrated 2025-03-01, due 2026-03-01"),
        (Calibration(date(2025, 3, 1), year(3, 1)), year(3, 2), "calibration overdue since 2026-03-01"),
        (Calibration(due=year(3, 1)), year(2, 1), "calibration due 2026-03-01"),
        (Calibration(date(2025, 3, 1), None, "K-1047"), year(2, 1), "calibrated 2025-03-01, certificate K-1047"),
        (
            Calibration(due=year(3, 1), certificate="K-1047"),
            year(6, 1),
            "calibration overdue since 2026-03-01, certificate K-1047",
        ),
        # A board without a battery starts in 1970: such a day proves nothing.
        (
            Calibration(date(2025, 3, 1), year(3, 1)),
            date(1970, 1, 1),
            "calibrated 2025-03-01, after this reading: check the clock of the station",
        ),
    ],
)
def test_words(calibration: Calibration, day: date, text: str) -> None:
    assert calibration.describe(day) == text


days = st.dates(date(2000, 1, 1), date(2060, 1, 1))


@given(days, days, st.integers(1, 4000), st.sampled_from(["", "K-1047", "overdue, since"]))
def test_overdue_means_after_the_due_date_and_nothing_else(day: date, calibrated: date, span: int, number: str) -> None:
    due = calibrated + timedelta(days=span)
    part = overdue_part(Calibration(calibrated, due, number).describe(day))
    assert part == (f"calibration overdue since {due}" if day > due else "")


def test_the_day_is_that_of_the_place() -> None:
    noon = datetime(2026, 3, 1, 12, tzinfo=UTC)
    assert local_day(int(noon.timestamp()) * 1_000_000_000) == noon.astimezone().date()
    assert local_day(2**63 - 1) >= date(2200, 1, 1)
    assert local_day(-(2**63)) <= date(1700, 1, 1)


def test_the_commands_say_that_it_is_overdue_and_judge_alike(tmp_path: Path) -> None:
    verdicts = []
    for dates, printed in (
        ("", None),
        ('calibration_due = "2001-03-01"', "calibration overdue since 2001-03-01"),
        ('calibrated = "2001-03-01"', "calibrated 2001-03-01"),
    ):
        (tmp_path / "settings.toml").write_text(METER.format(dates=dates), encoding="utf-8")
        fields = run_for_json(*JUDGE, "--data", str(tmp_path))
        assert fields.pop("calibration") == printed
        verdicts.append(fields)
        overdue = bool(printed) and "overdue" in str(printed)
        assert (
            ", calibration overdue since 2001-03-01; " in run_command(*JUDGE, "--data", str(tmp_path)).out
        ) is overdue
    assert verdicts[0] == verdicts[1] == verdicts[2]


@pytest.mark.parametrize(
    ("text", "understood"),
    [
        ("", ""),
        ("2026-03-01", "2026-03-01"),
        ("2026-03-01, 2027-03-01", "2026-03-01, due 2027-03-01"),
        ("2026-03-01, due 2027-03-01, certificate K-1047", "2026-03-01, due 2027-03-01, certificate K-1047"),
        ("due 2027-03-01", "due 2027-03-01"),
        ("calibrated 2026-03-01 , certificate  K-1, sheet 2", "2026-03-01, certificate K-1, sheet 2"),
        ("certificate K-1047", "certificate K-1047"),
    ],
)
def test_a_typed_calibration_is_shown_as_it_was_understood(text: str, understood: str) -> None:
    calibration = parse_calibration(text)
    assert str(calibration) == understood
    assert parse_calibration(understood) == calibration


@pytest.mark.parametrize(
    ("text", "error"),
    [
        ("1 March", "'1 March' is not a date. Write it as 2026-03-01."),
        ("2026-02-30", "'2026-02-30' is not a date."),
        ("2026-03-01, due 2026-03-01", "It is due on 2026-03-01, not after it was calibrated on 2026-03-01."),
        ("2026-03-01, 2027-03-01, 2028-03-01", "'2028-03-01' is one date too many."),
        ("due 2027-03-01, due 2028-03-01", "'due 2028-03-01' is one date too many."),
        ("due", "'' is not a date."),
    ],
)
def test_a_typed_calibration_that_cannot_be_is_refused(text: str, error: str) -> None:
    with pytest.raises(InputError) as refused:
        parse_calibration(text)
    assert error in str(refused.value)
