"""The sweep of the limits of teaching: the limits as their module has them, and a small sweep."""

import pytest

from meterlink.teach import limits
from studies.teaching.sweep import (
    Limit,
    Outcome,
    Setting,
    SweepMeter,
    limit_at,
    noises,
    read_limits,
    study_meters,
    sweep,
    sweep_meters,
    sweep_table,
    teach_as_usual,
)


def limit(name: str) -> Limit:
    return next(one for one in read_limits() if one.name == name)


def test_every_limit_has_a_reason_and_a_module_that_uses_it() -> None:
    known = read_limits()
    assert [one.name for one in known] == [name for name in vars(limits) if name.isupper()]
    for one in known:
        assert len(one.reason.split()) > 2, one.name
        assert one.users, one.name


@pytest.mark.parametrize(
    ("value", "half", "double"),
    [
        (8, 4, 16),
        (3, 1, 6),
        (600.0, 300.0, 1200.0),
        (0.1, 0.05, 0.2),
        (0.9, pytest.approx(0.8), pytest.approx(0.95)),
        (0.5, 0.25, 0.75),
        ((0.8, 2.2), (0.4, 1.1), (1.6, 4.4)),
        ((6, 13), (3, 6), (12, 26)),
    ],
)
def test_the_settings_of_a_limit(value, half, double) -> None:
    assert Limit("X", value, "", ()).neighbours() == (half, double)


def test_a_limit_is_as_before_after_a_setting() -> None:
    usual = limits.FEWEST_ENTRIES
    with limit_at("FEWEST_ENTRIES", usual + 5):
        set_to = limits.FEWEST_ENTRIES
    assert (set_to, limits.FEWEST_ENTRIES) == (usual + 5, usual)


@pytest.fixture(scope="module")
def meters() -> list[SweepMeter]:
    return [*study_meters("prefixed lines", 1, few=True), next(noises(1))]


def test_a_sweep_shows_the_limit_that_refuses_a_meter(meters) -> None:
    taught = [teach_as_usual(meter) for meter in meters]
    assert [one.usual.accepted for one in taught] == [1, 1, 0]
    assert [one.usual.wrong for one in taught] == [0, 0, 0]
    # Lines are no frames: they never ask for the moves of a segment. Twice as many entries are more than six.
    less, more = sweep(taught, [limit("FEWEST_ENTRIES")])
    assert less.effect() == "same"
    assert more.effect().startswith("−1 profiles, −")
    table = sweep_table(taught, [less, more])
    assert table[0].startswith("As usual: 3 meters, 2 profiles, ")
    assert len(table) == 5
    assert table[-1].startswith("| `FEWEST_ENTRIES`: Entries that teaching needs")
    assert table[-1].endswith(f"| 2: same | 8: {more.effect()} |")


def test_a_wrong_value_is_named_with_its_meter() -> None:
    setting = Setting(limit("LEAST_YIELD"), 0.5, Outcome(2, 40, 1, 0, 2.0), Outcome(3, 60, 1, 4, 5.0), ("noise",))
    assert setting.effect() == "+1 profiles, +20 right, **+4 wrong** (noise), 2.5 times the time"


@pytest.mark.study(everyday=0, sample=1, full=3)
def test_no_meter_of_the_sweep_is_read_wrong_as_usual(study_seed: int) -> None:
    for meter in sweep_meters(study_seed + 1, quick=True):
        assert teach_as_usual(meter).usual.wrong == 0, meter.name
