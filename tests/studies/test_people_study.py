"""People in a hurry teach a meter: slips, a flickering last digit, seconds of typing."""

import pytest

from meterlink_simulators.encoders.catalogue import ENCODER_FAMILIES
from meterlink_simulators.ranges import MeterFunction
from studies.teaching.people import PeopleResult, Slip, people_table, record_hasty_session, teach_in_haste
from studies.teaching.study import DisplayTally

FAMILIES = tuple(ENCODER_FAMILIES)


@pytest.mark.study(everyday=0, sample=3, full=10 * len(FAMILIES))
def test_a_meter_taught_in_haste_is_never_read_wrong(study_seed: int) -> None:
    family = FAMILIES[study_seed % len(FAMILIES)]
    result = teach_in_haste(family, study_seed // len(FAMILIES))
    assert result.tally.errors == []
    assert result.tally.wrong == 0
    assert result.innocent <= 1
    assert 2 * result.named >= result.slips


def test_one_person_teaches_a_meter_of_lines() -> None:
    # Lines are the quickest to teach: the everyday run keeps the study itself working.
    result = teach_in_haste("lines", 0)
    assert result.entries is not None
    assert (result.tally.wrong, result.innocent) == (0, 0)
    assert result.tally.right > 100


def test_a_hasty_session_has_slips_and_times_of_keys() -> None:
    hasty = record_hasty_session("counted", 0, [MeterFunction.DC_VOLTS], 3, 25)
    entries = hasty.session.capture.entries
    assert set(hasty.slips.values()) <= set(Slip)
    assert 1 <= len(hasty.slips) <= 3
    for entry in entries:
        assert entry.first_key is not None
        assert 3.0 <= entry.seconds - entry.first_key <= 6.0


def test_a_row_has_the_share_accepted_and_the_slips_named() -> None:
    results = [
        PeopleResult("lines", 0, 20, 3, 3, 0, DisplayTally(100, 2, 0)),
        PeopleResult("lines", 1, None, 2, 1, 1, DisplayTally(0, 0, 0)),
    ]
    assert people_table(results)[-1] == "| lines | 2 | 1 | 20 to 20 | 5 | 4 | 1 | 100 | 2 | 0 |"
