import tomllib
from collections import Counter
from decimal import Decimal
from pathlib import Path

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.core.errors import InputError
from meterlink.judge.label.ratings import parse_rating
from meterlink.judge.label.replacement import (
    ReplacementMethod,
    ReplacementOption,
    ReplacementResult,
    StockEntry,
    find_replacements,
)
from meterlink.judge.label.usual_values import CapacitorKind
from meterlink.settings import load_stock, stock_schema
from meterlink.settings.stock import STOCK
from meterlink.tomlfile.documents import check_document


def stock(*ratings: str, count: int = 1) -> list[StockEntry]:
    return [StockEntry(parse_rating(rating), count) for rating in ratings]


def replacements(part: str, *ratings: str, count: int = 1, kind: CapacitorKind | None = None) -> ReplacementResult:
    return find_replacements(parse_rating(part, kind=kind), stock(*ratings, count=count))


def offered(answer: ReplacementResult) -> list[tuple[str, str]]:
    return [(str(option), option.method) for option in answer.options]


def reasons(answer: ReplacementResult) -> dict[str, str]:
    return {str(entry.part): reason for entry, reason in answer.excluded}


def test_same_rating_first_then_the_voltage_closest_above() -> None:
    answer = replacements(
        "45+5 uF 370 V", "45+5 uF 450 V", "45+5 uF 370 V", "45+5 uF 440 V", "40+5 uF 440 V", "45+5 uF 330 V"
    )
    assert offered(answer) == [
        ("45+5 µF 370 V", "same rating"),
        ("45+5 µF 440 V", "same rating"),
        ("45+5 µF 450 V", "same rating"),
    ]
    assert not any(option.is_temporary or option.remarks for option in answer.options)
    assert reasons(answer) == {
        "40+5 µF 440 V": "Not the rating that is wanted.",
        "45+5 µF 330 V": "330 V is below 370 V.",
    }


def test_a_part_marked_for_two_voltages_may_be_used_at_both() -> None:
    assert [str(option) for option in replacements("45 uF 440 V", "45 uF 370/440 V").options] == ["45 µF 370/440 V"]
    # An original marked 370/440 V may have been used at 440 V.
    assert reasons(replacements("45 uF 370/440 V", "45 uF 370 V")) == {"45 µF 370 V": "370 V is below 440 V."}


def test_both_sections_have_to_fit() -> None:
    answer = replacements("45+7.5 uF 440 V", "45+5 uF 440 V", "40+7.5 uF 440 V")
    assert answer.options == ()


def test_two_singles_may_replace_a_dual_with_a_remark() -> None:
    answer = replacements("45+5 uF 440 V", "5 uF 440 V", "45 uF 440 V", "45+5 uF 440 V")
    assert offered(answer) == [
        ("45+5 µF 440 V", "same rating"),
        ("45 µF 440 V and 5 µF 440 V", "two singles for a dual"),
    ]
    (remark,) = answer.options[1].remarks
    assert "C" in remark
    assert not answer.options[1].is_temporary


def test_one_section_of_a_dual_may_replace_a_single_with_a_remark() -> None:
    (option,) = replacements("5 uF 370 V", "45+5 uF 440 V").options
    assert option.method is ReplacementMethod.ONE_SECTION
    assert option.remarks == ("Connect C and FAN only, and insulate the terminal that is left over.",)


def test_another_rated_value_within_the_tolerance_is_temporary() -> None:
    answer = replacements("12.5 uF ±6 % 440 V", "12 uF 440 V", "13.5 uF 440 V as printed")
    assert offered(answer) == [("12 µF 440 V", "another rated value")]
    assert answer.options[0].is_temporary
    assert answer.options[0].remarks[0].startswith("Temporary: not the same rating")


def test_a_pair_in_parallel_is_temporary_and_needs_the_voltage_on_each() -> None:
    answer = replacements("45 uF 440 V", "40 uF 440 V", "5 uF 440 V", "5 uF 370 V")
    assert offered(answer) == [("40 µF 440 V and 5 µF 440 V", "in parallel")]
    assert answer.options[0].is_temporary
    assert "Temporary" in answer.options[0].remarks[0]


def test_two_of_one_kind_need_two_in_stock() -> None:
    assert replacements("10 uF 440 V", "5 uF 440 V", count=1).options == ()
    assert offered(replacements("10 uF 440 V", "5 uF 440 V", count=2)) == [("2 x 5 µF 440 V", "in parallel")]
    assert offered(replacements("5+5 uF 440 V", "5 uF 440 V", count=2)) == [
        ("2 x 5 µF 440 V", "two singles for a dual")
    ]
    assert replacements("5+5 uF 440 V", "5 uF 440 V", count=1).options == ()


def test_a_dual_from_three_singles_is_temporary() -> None:
    answer = replacements("45+7.5 uF 440 V", "40 uF 440 V", "5 uF 440 V", "7.5 uF 440 V")
    assert offered(answer) == [("40 µF 440 V and 5 µF 440 V and 7.5 µF 440 V", "in parallel")]
    assert answer.options[0].is_temporary


def test_a_wider_tolerance_and_another_frequency_are_remarked_on() -> None:
    answer = replacements("45 uF ±5 % 440 V 60 Hz", "45 uF ±10 % 440 V 50 Hz", "45 uF ±5 % 440 V 50/60 Hz")
    assert offered(answer)[0][0] == "45 µF ±5 % 440 V 50/60 Hz"
    assert answer.options[0].remarks == ()
    wider, frequency = answer.options[1].remarks
    assert "wider" in wider
    assert "50 Hz only" in frequency


def test_a_tolerance_that_is_wider_below_only_is_wider() -> None:
    """A capacitor 10 % below its rating starts the motor worse, whatever it is above. Common practice."""
    answer = replacements("45 uF ±5 % 440 V", "45 uF -10/+5 % 440 V", "45 uF ±5 % 440 V")
    assert offered(answer)[0][0] == "45 µF ±5 % 440 V"
    (wider,) = answer.options[1].remarks
    assert "wider" in wider


def test_start_and_run_capacitors_are_kept_apart() -> None:
    answer = replacements("50 uF 250 V run", "50 uF -0/+20 % 250 V", "43-53 uF 330 V", "50 uF 330 V")
    assert offered(answer) == [("50 µF 330 V", "same rating")]
    assert "run or start" in answer.options[0].remarks[0]
    assert set(reasons(answer).values()) == {"A start capacitor stands only the seconds of a start."}
    unknown = replacements("50 uF 250 V", "50 uF -0/+20 % 250 V")  # the stricter rule for an unknown kind
    assert unknown.options == ()
    known = replacements("50 uF 250 V", "50 uF -0/+20 % 250 V", kind=CapacitorKind.START)
    assert offered(known) == [("50 µF -0/+20 % 250 V", "same rating")]


def test_a_start_capacitor_by_its_range() -> None:
    answer = replacements(
        "88-106 uF 250 V", "90-104 uF 330 V as printed", "88-106 uF 250 V", "86-104 uF 330 V", "88-106 uF 110-125 V"
    )
    assert offered(answer) == [
        ("88 to 106 µF 250 V", "same rating"),
        ("90 to 104 µF 330 V as printed", "inside the marked range"),
    ]
    pair = replacements("88-106 uF 250 V", "43-53 uF 250 V", "45-52 uF 250 V as printed")
    assert offered(pair) == [("43 to 53 µF 250 V and 45 to 52 µF 250 V as printed", "in parallel")]


def test_without_the_voltage_nothing_is_offered() -> None:
    with pytest.raises(InputError, match="voltage rating"):
        replacements("45 uF", "45 uF 440 V")
    answer = replacements("45 uF 370 V", "45 uF", "45 uF 600 VDC")
    assert answer.options == ()
    assert {reason for _, reason in answer.excluded} == {"It has no AC voltage rating."}


def test_a_part_out_of_stock_is_not_offered() -> None:
    answer = find_replacements(parse_rating("45 uF 440 V"), stock("45 uF 440 V", count=0))
    assert answer.options == ()
    assert reasons(answer) == {"45 µF 440 V": "None left."}


def test_at_most_ten_options_and_a_reason_for_the_rest() -> None:
    answer = find_replacements(parse_rating("45 uF 370 V"), stock(*["45 uF 440 V"] * 12))
    assert len(answer.options) == 10
    assert {reason for _, reason in answer.excluded} == {"It would do, after those listed."}


STOCK_LIST = """
[[part]]
rating = "45+5 MFD 440V"
count = 2
note = "left\\nbin"

[[part]]
rating = "5 uF 370 V"
"""


def test_reads_a_stock_list() -> None:
    first, second = check_document(STOCK_LIST, STOCK).require("truck.toml")
    assert (str(first.part), first.count, first.note) == ("45+5 µF 440 V", 2, "left bin")
    assert (second.count, second.note) == (1, "")
    jsonschema.validate(tomllib.loads(STOCK_LIST), stock_schema())


PART = '[[part]]\nrating = "45 uF"\n'


@pytest.mark.parametrize(
    ("text", "line", "schema_refuses"),
    [
        ("", "1:1: part is missing. Write each as [[part]].", True),
        ("part = []", "1:1: part: it has no tables, not 1 to 200. Write each as [[part]].", True),
        (
            "[part]\nrating = '45 uF'",
            "1:1: part: {'rating': '45 uF'} is not a list of tables.",
            True,
        ),
        (f"bin = 1\n{PART}", "1:1: bin: 'bin' is not a field here. Use: part.", True),
        ("part = ['45 uF']", "1:9: part 1: '45 uF' is not a table. Write it as [[part]].", True),
        (f"{PART}[[part]]\nrating = 45", '4:1: part 2, rating: 45 is not text. Write rating = "45+5 uF 440 V".', True),
        (f"{PART}[[part]]\ncount = 3", '3:1: part 2: rating is missing. Write rating = "45+5 uF 440 V".', True),
        (f"{PART}number = 2", "3:1: part 1, number: 'number' is not a field here. Use: rating, count, note.", True),
        (f"{PART}counts = 2", "3:1: part 1, counts: 'counts' is not a field here. Did you mean count?", True),
        (
            f"{PART}count = -1",
            "3:1: part 1, count: -1 is not from 0 to 9999. Write count = a whole number",
            True,
        ),
        (f"{PART}count = 10000", "3:1: part 1, count: 10000 is not from 0 to 9999.", True),
        (f"{PART}count = true", "3:1: part 1, count: true is not a whole number.", True),
        (f"{PART}count = '2'", "3:1: part 1, count: '2' is not a whole number.", True),
        (f"{PART}note = 3", '3:1: part 1, note: 3 is not text. Write note = "left bin".', True),
        (f"{PART}note = '{'n' * 41}'", "3:1: part 1, note: 'nnn", True),
        ("[[part]]\nrating = '45'", "2:1: part 1, rating: '45': '45' has no unit. Is it '45 µF'?", False),
        (PART * 201, "1:1: part: it has 201 tables, not 1 to 200.", True),
    ],
)
def test_errors_in_a_stock_list(tmp_path: Path, text: str, line: str, schema_refuses: bool) -> None:
    path = tmp_path / "truck.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as raised:
        load_stock(path)
    assert raised.value.message.startswith(f"{path}:{line}")
    assert "\n" not in raised.value.message
    assert jsonschema.Draft202012Validator(stock_schema()).is_valid(tomllib.loads(text)) is not schema_refuses


def test_every_error_of_a_stock_list_in_one_go() -> None:
    text = "[[part]]\nrating = '45'\ncount = -1\n[[part]]\nnote = 3\n"
    lines = [problem.position.line for problem in check_document(text, STOCK).problems]
    assert lines == [2, 3, 4, 5]


# --- properties ------------------------------------------------------------------------------------------------------

ratings = st.builds(
    lambda sections, volts, tolerance: f"{'+'.join(sections)} uF {tolerance} {volts} V as printed",
    st.lists(st.sampled_from(["5", "7.5", "10", "35", "40", "45", "45.5", "50"]), min_size=1, max_size=2),
    st.sampled_from(["330", "370", "440", "370/440"]),
    st.sampled_from(["", "±5 %", "±10 %"]),
)
entries = st.builds(StockEntry, ratings.map(parse_rating), st.integers(0, 3))


def capacitance(option: ReplacementOption) -> Decimal:
    return sum((value.digits for entry in option.parts for value in entry.part.sections), Decimal(0))


@given(ratings, st.lists(entries, max_size=7))
def test_every_option_may_be_fitted(part: str, entries: list[StockEntry]) -> None:
    original = parse_rating(part)
    answer = find_replacements(original, entries)
    for option in answer.options:
        assert all(max(entry.part.volts) >= max(original.volts) for entry in option.parts)
        used_parts = Counter(id(entry) for entry in option.parts)
        assert all(used_parts[id(entry)] <= entry.count for entry in option.parts)
        wanted = sum((value.digits for value in original.sections), Decimal(0))
        if option.method in {ReplacementMethod.SAME_RATING, ReplacementMethod.TWO_SINGLES}:
            assert capacitance(option) == wanted
        elif option.method is not ReplacementMethod.ONE_SECTION:
            assert option.is_temporary
            assert sum(limits.low or 0 for limits in original.limits()) <= capacitance(option)
            assert sum(limits.high or 0 for limits in original.limits()) >= capacitance(option)
    # Permanent options precede temporary ones, and every entry is either used or excluded with a reason.
    assert [option.is_temporary for option in answer.options] == sorted(
        option.is_temporary for option in answer.options
    )
    used = {id(entry) for option in answer.options for entry in option.parts}
    assert used | {id(entry) for entry, _ in answer.excluded} == {id(entry) for entry in entries}
    assert all(reason for _, reason in answer.excluded)


@given(ratings, st.lists(entries, max_size=6), st.integers(1, 3))
def test_the_same_part_in_stock_is_always_the_best(part: str, entries: list[StockEntry], count: int) -> None:
    original = parse_rating(part)
    answer = find_replacements(original, [*entries, StockEntry(original, count)])
    best = answer.options[0]
    assert best.method is ReplacementMethod.SAME_RATING
    assert best.parts[0].part.sections == original.sections
    assert max(best.parts[0].part.volts) == max(original.volts)


def test_a_pair_in_parallel_for_one_section_is_wired_by_name() -> None:
    """Three cans for one dual: both of the pair go to HERM, so 'the others' would not say where. Textbook: in parallel
    values add, 35 + 10 µF are 45 µF.
    """
    answer = replacements("45+5 uF 440 V", "35 uF 440 V", "10 uF 440 V", "5 uF 440 V")
    (option,) = [option for option in answer.options if len(option.parts) == 3]
    assert option.remarks[0] == (
        "Separate parts for one dual: tie one terminal of each together as C; the other terminals of 35 µF 440 V and"
        " 10 µF 440 V together are HERM; the other terminal of 5 µF 440 V is FAN."
    )
