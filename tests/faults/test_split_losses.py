"""Taught meters whose number and range come in two packets: no harm on the link makes a wrong value with status ok.

A technician moves the probes from 24 V to 240 V, and the meter changes its range. The number of one with the range of
the other is a wrong value of a live circuit. Common practice, no source.
"""

import pytest

from meterlink.teach import teach
from studies.teaching.split_losses import HARMS, decode_harmed, decode_naively
from support.split_meters import SplitMeter

FORMS = [(channels, order) for channels in (1, 2) for order in ("number first", "range first")]
ENTRIES = 30
DISPLAYS = 300  # of each harm
# Of displays that last for one refresh and change their range at every third, a good link shows three of four: beside
# a change nothing is read. Here every eighth packet does harm, and each harm costs two or three frames.
# The least of 200 meters is 46 %: its overloads are states of their own.
LEAST_READ = {"none": 0.4, "all": 0.15}


@pytest.mark.fault("cut-packets")
@pytest.mark.study(everyday=4, sample=12, full=200)
def test_no_number_meets_the_range_of_another(study_seed: int) -> None:
    channels, order = FORMS[study_seed % len(FORMS)]
    seed = study_seed // len(FORMS)
    meter = SplitMeter(channels, order, seed)
    report = teach(meter.capture(ENTRIES, seed))
    assert report.profile is not None, report.reason
    assert report.profile.framing is not None
    assert report.profile.framing.parts
    for kind in HARMS:
        tally = decode_harmed(meter, report.profile, kind, seed, DISPLAYS)
        assert tally.wrong == ()
        # A meter whose counter has not rolled over, or with a bit that no entry showed, is read less, and says so.
        if all(function.settled for function in report.functions):
            assert tally.right >= LEAST_READ.get(kind, LEAST_READ["all"]) * tally.displays, kind


def test_the_harm_makes_wrong_values_where_nothing_guards() -> None:
    meter = SplitMeter(2, "number first", 0)
    profile = teach(meter.capture(ENTRIES, 0)).profile
    assert profile is not None
    assert decode_naively(meter, profile, "none", 0, DISPLAYS) == 0
    for kind in ("lost", "rows", "swapped", "stalled"):
        assert decode_naively(meter, profile, kind, 0, DISPLAYS) > 3, kind
