"""The progress of teaching over simulated sessions: the end is reached, and no step goes back without a reason."""

import pytest

from meterlink.teach import find_progress, teach
from meterlink_simulators.encoders.catalogue import ENCODER_FAMILIES
from meterlink_simulators.ranges import MeterFunction
from studies.teaching.cases import record_session
from studies.teaching.study import shorten_capture
from support.teaching_progress import is_backwards

FAMILIES = tuple(ENCODER_FAMILIES)
MOST_ENTRIES = 30  # a display's segments need about 25


@pytest.mark.study(everyday=1, sample=3, full=len(FAMILIES))
def test_a_session_comes_to_its_end(study_seed: int) -> None:
    family = FAMILIES[study_seed]
    capture = record_session(family, 0, (MeterFunction.DC_VOLTS,), 1, MOST_ENTRIES).capture
    before, reached = None, 0
    for number in range(1, MOST_ENTRIES + 1):
        some = shorten_capture(capture, number)
        now = find_progress(some.entries, teach(some), before)
        assert before is None or now.reason or not is_backwards(now, before)
        reached = reached or (number if now.missing == 0 else 0)
        before = now
    # Eight entries of a function make it sure.
    assert 8 <= reached <= MOST_ENTRIES, str(before)
