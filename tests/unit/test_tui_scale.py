from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink_tui.scene import Gauge
from meterlink_tui.widgets.scale import draw_scale

D = Decimal


def gauge(reading: str | None, low: str | None = "42.3", high: str | None = "47.7", **more: bool) -> Gauge:
    low_, high_ = (D(limit) if limit is not None else None for limit in (low, high))
    nominal = (low_ + high_) / 2 if low_ is not None and high_ is not None else None
    return Gauge(low_, high_, nominal, "µF", D(reading) if reading is not None else None, **more)


@pytest.mark.parametrize("width", [37, 77, 120])
@pytest.mark.parametrize(
    ("reading", "side"),
    [
        ("42.3", "within"),
        ("42.29", "below"),
        ("47.7", "within"),
        ("47.71", "above"),
        ("45", "within"),
        ("44.9", "within"),
    ],
)
def test_a_reading_on_the_limit_is_drawn_within_and_one_count_beyond_outside(
    reading: str, side: str, width: int
) -> None:
    above, bar, labels = draw_scale(gauge(reading), width)
    column = bar.index("█")
    within = "━" in bar[:column] and "━" in bar[column:]
    on_mark = ("┣" not in bar and bar[column + 1] == "━") or ("┫" not in bar and bar[column - 1] == "━")
    assert {"within": within or on_mark, "below": "┣" in bar[column:], "above": "┫" in bar[:column]}[side]
    assert above[column] == "▼"
    assert {len(above), len(bar), len(labels)} == {width}


def test_the_scale_has_marks_and_values_of_both_limits_and_the_nominal() -> None:
    above, bar, labels = draw_scale(gauge("43.05"), 77)
    assert bar.index("┣") < bar.index("█") < bar.index("┿") < bar.index("┫")
    assert "low 42.3" in labels
    assert "45.0" in labels
    assert "high 47.7 µF" in labels
    assert "▼ 43.05" in above


def test_off_the_scale_is_an_arrow_at_the_end_with_the_value() -> None:
    above, bar, _ = draw_scale(gauge("3.91"), 77)
    assert bar[0] == "◄"
    assert above.startswith("◄ 3.91 µF, off the scale")
    above, bar, _ = draw_scale(gauge("123"), 77)
    assert bar[-1] == "►"
    assert above.endswith("123 µF, off the scale ►")
    above, bar, _ = draw_scale(gauge(None, overload=True), 77)
    assert bar[-1] == "►"
    assert above.endswith("OL, off the scale ►")


def test_without_a_reading_the_scale_has_no_arrow() -> None:
    above, bar, _ = draw_scale(gauge(None), 77)
    assert above.strip() == ""
    assert not {"█", "◄", "►"} & set(bar)


def test_an_open_side_runs_to_the_end_of_the_scale() -> None:
    _, bar, labels = draw_scale(gauge("3", None, "4"), 40)
    assert bar[0] == "━"
    assert bar[-1] == "·"
    assert "low" not in labels
    _, bar, labels = draw_scale(gauge("7", "4", None), 40)
    assert bar[-1] == "►"
    assert "high" not in labels


_AMOUNT = st.decimals(min_value=-10_000, max_value=10_000, places=3)


@given(_AMOUNT, _AMOUNT, _AMOUNT, st.integers(20, 200))
def test_no_reading_is_drawn_on_the_wrong_side_of_a_limit(a: D, b: D, reading: D, width: int) -> None:
    low, high = sorted((a, b))
    above, bar, labels = draw_scale(Gauge(low, high, None, "V", reading), width)
    assert {len(above), len(bar), len(labels)} == {width}
    inside = bar.strip("·")
    if low <= reading <= high:
        assert "█" in inside
        assert bar.count("·") == sum(char == "·" for char in bar.replace(inside, ""))
    elif "█" in bar:
        column = bar.index("█")
        assert ("┣" in bar[column:]) if reading < low else ("┫" in bar[:column])
    else:
        assert bar[0 if reading < low else -1] in "◄►"
