"""Lifted probes never become an open part, whatever bounces, drops out, or touches in between."""

import pytest

from meterlink.core.verdicts import Verdict
from studies.lifts import draw_lift, run_lift

SEED = 1


@pytest.mark.study(everyday=150, sample=500, full=10_000)  # lifts
def test_no_lift_is_accepted_as_open_shorted_or_anything_but_the_part(study_size: int) -> None:
    """On ohms the air and an open part are one circuit (common practice, no source): so a person says 'open'."""
    results = [run_lift(draw_lift(SEED, number)) for number in range(study_size)]
    assert [number for number, result in enumerate(results) if result.false_readings] == []
    verdicts = {judgement.verdict for result in results for _, judgement in result.accepted}
    assert verdicts == {Verdict.WITHIN}
    # The part itself is accepted, and the person is asked: the rule is not one that does nothing.
    assert sum(bool(result.accepted) for result in results) > study_size / 4
    assert sum(result.asked_open for result in results) > study_size / 4
    # The lifts deceive the rules that need no person: a proof of the leads alone, and one before and after.
    alone = sum(result.open_by_proof_alone for result in results)
    both = sum(result.open_by_proof_before_and_after for result in results)
    assert alone > study_size / 4
    assert both > study_size / 20
    if study_size == 10_000:  # the figures of docs/settling.md
        assert (alone, both) == (pytest.approx(4943, abs=20), pytest.approx(1815, abs=20))
