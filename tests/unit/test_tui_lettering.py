import pytest

from meterlink.core.units import BASE_UNIT
from meterlink.core.verdicts import Verdict
from meterlink_tui.lettering import _GLYPHS, DOTS_TALL, DotSize, can_draw, dot_sizes, draw_text, text_width
from meterlink_tui.scene import LargeValue, Tone, VerdictLine
from meterlink_tui.widgets.live import LetterSizes, choose_sizes


@pytest.mark.parametrize("char", _GLYPHS)
def test_every_glyph_is_five_rows_of_one_width(char: str) -> None:
    rows = _GLYPHS[char].split("/")
    assert len(rows) == DOTS_TALL
    assert len({len(row) for row in rows}) == 1
    assert set("".join(rows)) <= {"#", "."}


def test_every_digit_is_equally_wide_so_a_value_does_not_dance() -> None:
    assert len({text_width(digit, DotSize(1, 1)) for digit in "0123456789"}) == 1


def test_no_two_characters_look_alike_where_it_matters() -> None:
    drawn = ["\n".join(draw_text(char, DotSize(1, 1))) for char in "0123456789.-+?✓✗…"]
    assert len(set(drawn)) == len(drawn)


@pytest.mark.parametrize("verdict", Verdict)
def test_every_verdict_can_be_drawn(verdict: Verdict) -> None:
    assert can_draw(verdict.upper())


@pytest.mark.parametrize("unit", [*BASE_UNIT.values(), "mV", "µA", "mA", "kΩ", "MΩ", "µF", "nF", "kHz", "°F"])
def test_every_unit_a_meter_shows_can_be_drawn(unit: str) -> None:
    assert can_draw(unit)


def test_a_one_is_drawn_dot_by_dot() -> None:
    assert draw_text("1", DotSize(1, 1)) == ["▄█ ", " █ ", "▀▀▀"]
    assert draw_text("1", DotSize(2, 2)) == ["  ██  ", "████  ", "  ██  ", "  ██  ", "██████"]


@pytest.mark.parametrize("size", [DotSize(1, 1), DotSize(1, 2), DotSize(2, 2), DotSize(3, 3), DotSize(4, 4)])
def test_lettering_has_the_given_size(size: DotSize) -> None:
    rows = draw_text("-42.31", size)
    assert len(rows) == size.rows
    assert {len(row) for row in rows} == {text_width("-42.31", size)}


def _verdict_line(word: str) -> VerdictLine:
    return VerdictLine(word, "✗", Tone.BAD, "accepted")


def _columns(number: LargeValue, size: DotSize) -> int:
    return text_width(number.digits, size) + 1 + text_width(number.unit, DotSize(max(1, size.columns // 2), 1))


@pytest.mark.parametrize("word", [verdict.upper() for verdict in Verdict])
@pytest.mark.parametrize("digits", ["OL", "4.7", "42.31", "-123.45", "19999.9"])
def test_number_and_verdict_never_overlap_at_80_columns(digits: str, word: str) -> None:
    chosen = choose_sizes(
        LargeValue(digits, "µF", dim=False), _verdict_line(word), 77, (5, 3), stacked=False, outlined=True
    )
    assert chosen.number is not None
    assert chosen.number.rows <= 5
    drawn = text_width(f"✗\u2009{word}", chosen.verdict) if chosen.verdict else len(word) + 2
    assert _columns(LargeValue(digits, "µF", dim=False), chosen.number) + drawn + 4 <= 77


def test_a_usual_reading_gets_square_lettering_beside_its_verdict() -> None:
    for word in ("WITHIN", "OUTSIDE", "OPEN"):
        sizes = choose_sizes(
            LargeValue("42.31", "µF", dim=False), _verdict_line(word), 77, (5, 3), stacked=False, outlined=True
        )
        assert sizes[:2] == (DotSize(2, 2), DotSize(1, 1))


def test_characters_the_font_lacks_are_plain_text() -> None:
    chosen = choose_sizes(
        LargeValue("漢字", "µF", dim=False), _verdict_line("ЧТО"), 77, (5, 3), stacked=False, outlined=True
    )
    assert chosen[:2] == (None, None)


def stacked_sizes(digits: str, word: str, width: int, rows: tuple[int, int]) -> LetterSizes:
    return choose_sizes(
        LargeValue(digits, "µF", dim=False), _verdict_line(word), width, rows, stacked=True, outlined=False
    )


def test_one_column_takes_the_largest_that_fits() -> None:
    assert stacked_sizes("42.31", "WITHIN", 37, (3, 3)) == (DotSize(1, 1), DotSize(1, 1), ("✗\u2009WITHIN",))


@pytest.mark.parametrize("width", [38, 78, 118, 198])
def test_the_size_stays_when_a_value_gets_another_digit(width: int) -> None:
    # A value that wanders from 9.99 to 10.01 µF must not jump under the eye.
    sizes = {stacked_sizes(digits, "WITHIN", width, (25, 5)).number for digits in ("OL", "9.99", "10.01", "-1.2")}
    assert len(sizes) == 1


def test_a_long_verdict_has_two_lines_where_one_does_not_fit() -> None:
    assert stacked_sizes("42.31", "CANNOT TELL", 38, (5, 6))[1:] == (DotSize(1, 1), ("✗\u2009CANNOT", "TELL"))
    assert stacked_sizes("42.31", "CANNOT TELL", 38, (5, 5))[1:] == (None, ("✗\u2009CANNOT TELL",))
    assert stacked_sizes("42.31", "CANNOT TELL", 78, (5, 5))[1:] == (DotSize(1, 2), ("✗\u2009CANNOT TELL",))


def test_a_dot_is_at_least_half_as_wide_as_high() -> None:
    assert list(dot_sizes(10, 25, 12)) == [DotSize(2, 4), DotSize(2, 3), DotSize(2, 2), DotSize(1, 1)]
    assert list(dot_sizes(10, 9, 12)) == []
