"""Taught meters over a link that loses, joins and delays packets: no wrong value with status ok."""

import pytest

from studies.teaching.losses import METERS, decode_lossy, teach_meter

# A number that may begin a line, without a sign and with any count of digits, in lines that are cut anywhere: a line
# that lost its beginning looks like a whole one. Such a meter may end without a profile, never with a wrong value. So
# may lines that run on over short packets, where an end and a beginning in other packets make a line of two.
MAY_BE_REFUSED = {
    "prefixed, split sometimes",
    *(f"{lines}, stream" for lines in ("prefixed", "scientific", "headed", "json")),
}
# Losses are far more frequent here than on any link: most frames of several packets lose one.
LEAST_READ = 0.05  # share of displays
DISPLAYS = 1_000
STEP = 7  # has no divisor in common with the number of meters: neighbouring seeds differ in form and in packets


@pytest.mark.fault("cut-packets")
@pytest.mark.study(everyday=6, sample=len(METERS) // 3, full=20 * len(METERS))
def test_a_lost_packet_makes_no_value(study_seed: int) -> None:
    meter, seed = METERS[study_seed * STEP % len(METERS)], study_seed // len(METERS)
    report = teach_meter(meter, seed)
    if report.profile is None:
        assert meter.name in MAY_BE_REFUSED, (meter.name, report.reason)
        assert "lost its beginning" in report.reason
        return
    tally = decode_lossy(meter, report.profile, seed, DISPLAYS)
    assert tally.wrong == ()
    assert tally.right > LEAST_READ * tally.displays
