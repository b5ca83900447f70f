"""Plots in character cells: each value in a row between its limits, each shape where it belongs, at any size."""

from math import inf

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.cells import cell_len

from meterlink_tui.plot import BandEdge, Break, Level, Mark, Plot, draw_plot
from support.examples import examples

VALUES = st.one_of(st.floats(-1e6, 1e6, allow_nan=False), st.sampled_from([inf, -inf, 42.3, 47.7]))
LEVELS = (Level(42.3, 0, 10, "low 42.3"), Level(47.7, 0, 10, "high 47.7"))


def rows(plot: Plot, width: int = 60, height: int = 14) -> list[str]:
    return draw_plot(plot, width, height).plain.split("\n")


@examples(100)
@given(
    marks=st.lists(st.tuples(st.floats(0, 10), VALUES), max_size=20),
    width=st.integers(0, 120),
    height=st.integers(0, 50),
    edges=st.lists(VALUES.filter(lambda value: abs(value) < inf), max_size=4),
)
def test_a_plot_fits_its_size(marks: list[tuple[float, float]], width: int, height: int, edges: list[float]) -> None:
    plot = Plot(
        0, 10, [Mark(x, y, "•") for x, y in marks], LEVELS, (Break(5, "new part"), Break(5.1, "accepted", "┃")),
        [BandEdge(index, edge, edge + 1) for index, edge in enumerate(edges)], "2022-05-05", "2027-07-14",
    )  # fmt: skip
    drawn = rows(plot, width, height)
    if width < 20 or height < 5:
        assert drawn == ["The screen is too small for the plot."]
    else:
        assert len(drawn) == height
        assert all(cell_len(row) <= width for row in drawn)


@pytest.mark.parametrize("height", [7, 9, 14, 40])
@pytest.mark.parametrize(("value", "side"), [(42.29, -1), (42.31, 1), (47.69, -1), (47.71, 1), (42.3, 0), (47.7, 0)])
def test_rounding_puts_no_value_on_a_limit_that_it_is_beside(value: float, side: int, height: int) -> None:
    """A reading on a limit is within; the first count beyond it is not, and must be seen beside it."""
    drawn = rows(Plot(0, 10, [Mark(0, 44, "•"), Mark(5, value, "✗"), Mark(9, 46, "•")], LEVELS), height=height)
    limit = next(index for index, row in enumerate(drawn) if ("low" if value < 45 else "high") in row)
    mark = next(index for index, row in enumerate(drawn) if "✗" in row)
    assert (limit > mark) - (limit < mark) == side


def test_what_has_no_value_has_a_row_of_its_own() -> None:
    drawn = rows(Plot(0, 10, [Mark(1, inf, "▲"), Mark(2, -inf, "▼"), Mark(3, 42.0, "•"), Mark(4, 48.0, "•")], LEVELS))
    body = [row.partition("│")[2] for row in drawn[1:-1]]
    assert body[0].strip() == "▲"
    assert body[-1].strip() == "▼"
    assert "•" in body[1]
    assert "•" in body[-2]


def test_one_value_stands_in_the_middle() -> None:
    body = [row.partition("│")[2] for row in rows(Plot(0, 0, [Mark(0, 5.0, "•")]), height=13)[1:-1]]
    assert [index for index, row in enumerate(body) if "•" in row] == [5]
