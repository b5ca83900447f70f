"""The windings of a three-phase motor: three equal windings in star or in delta, and their faults."""

from dataclasses import replace
from decimal import Decimal

import pytest

from meterlink.core.equipment import CircuitState, PointKind
from meterlink.core.units import Quantity, resolution_of
from meterlink.diagnosis.causes import Cause, Confidence
from meterlink.diagnosis.engine import diagnose
from meterlink.diagnosis.observations import Case, PointReadings, observe
from meterlink.judge.judging import MeasuredValue
from meterlink.judge.uncertainty import parse_accuracy
from meterlink.station.rules import shipped_rules
from support.points import point

R, OFF = Quantity.RESISTANCE, CircuitState.ISOLATED
PAIRS = ("T1-T2", "T2-T3", "T1-T3")


def causes(*texts: str, pairs: tuple[str, ...] = PAIRS, times: int = 1) -> dict[str, Cause]:
    """Return ``{rule: cause}`` for readings in Ω of the three pairs, each read ``times`` times; OL is an overload."""
    entries, number = [], 0
    for pair, text in zip(pairs, texts, strict=True):
        test_point = replace(point("compressor", "compressor motor", pair, R, OFF, PointKind.RANGE), key=pair)
        readings = []
        for _ in range(times):
            number += 1
            digits = None if text == "OL" else Decimal(text)
            step = Decimal(0) if digits is None else resolution_of(digits)
            measured = MeasuredValue(R, digits, "MΩ" if digits is None else "Ω", step)
            readings.append(
                replace(observe(test_point, measured, number, parse_accuracy("0.5 % + 2 digits")), meter="meter")
            )
        entries.append(PointReadings(test_point, tuple(readings)))
    return {cause.rule: cause for cause in diagnose(Case(tuple(entries)), shipped_rules()).causes}


def test_three_equal_windings_have_no_cause() -> None:
    assert causes("1.60", "1.61", "1.60") == {}
    assert causes("1.60", "1.63", "1.61") == {}  # within 5 % of their mean


def test_a_winding_open_in_star_leaves_the_pair_of_the_others() -> None:
    # With the winding of T2 open no current enters at T2: both pairs with T2 are open (textbook).
    for times, confidence in ((1, Confidence.LIKELY), (2, Confidence.VERY_LIKELY)):
        found = causes("OL", "OL", "1.60", times=times)
        assert set(found) == {"three-phase-winding-open"}
        cause = found["three-phase-winding-open"]
        assert "T2 conducts to neither of the others" in cause.title
        assert cause.confidence is confidence


def test_an_open_protector_opens_the_star_point() -> None:
    # Nothing conducts; probes in the air read the same, so one reading of each pair is not enough to be likely.
    once, twice = (causes("OL", "OL", "OL", times=times)["three-phase-all-open"] for times in (1, 2))
    assert once.confidence is Confidence.POSSIBLE
    assert twice.confidence is Confidence.LIKELY
    assert "let the compressor motor cool" in twice.next_measurement


def test_one_pair_alone_cannot_be_open() -> None:
    # T1–T2 and T2–T3 conduct, so T1 reaches T3 through T2: the probe was off (textbook).
    assert set(causes("1.60", "1.60", "OL")) == {"three-phase-probe-off"}


def test_shorted_turns_in_star_lower_both_pairs_with_that_terminal() -> None:
    # Windings of 0.8 Ω; a third of the turns of T1's bridged leaves 0.54 Ω: 1.34, 1.60 and 1.34 Ω.
    found = causes("1.34", "1.60", "1.34", times=2)
    assert set(found) == {"three-phase-unequal"}
    assert "T2–T3 reads unlike the others" in found["three-phase-unequal"].title
    assert found["three-phase-unequal"].confidence is Confidence.VERY_LIKELY


def test_a_winding_open_in_delta_reads_the_others_in_series() -> None:
    # Three windings of 2.4 Ω in delta: 2.4·4.8/7.2 = 1.6 Ω each. With T1–T3 open: 2.4, 2.4 and 4.8 Ω.
    found = causes("2.40", "2.40", "4.80")
    assert set(found) == {"three-phase-delta-open"}
    assert "T1–T3 reads the other two" in found["three-phase-delta-open"].title


def test_a_pair_that_reads_as_the_leads_is_shorted() -> None:
    assert set(causes("0.05", "1.60", "1.60")) == {"three-phase-shorted"}


def test_a_display_too_coarse_accuses_nobody() -> None:
    # Steps of 0.1 Ω: 1.6 and 1.5 Ω differ by one count.
    assert causes("1.6", "1.5", "1.6") == {}


@pytest.mark.parametrize("pairs", [("U-V", "V-W", "U-W")])
def test_other_marks_of_three_phases(pairs: tuple[str, ...]) -> None:
    assert set(causes("OL", "1.20", "OL", pairs=pairs)) == {"three-phase-winding-open"}


def test_a_single_phase_motor_and_two_pairs_are_no_subject() -> None:
    assert "three-phase-unequal" not in causes("0.90", "2.90", "3.80", pairs=("C-R", "C-S", "R-S"))
    assert causes("OL", "1.60", pairs=PAIRS[:2]) == {}
