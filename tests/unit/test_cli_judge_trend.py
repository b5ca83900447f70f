"""``meterlink judge trend`` as a shell sees it."""

from functools import partial
from pathlib import Path

import pytest

from support.commands import run_command, run_for_json

VISITS = {
    "2025-05-01": "45.0uF",
    "2025-05-31": "44.6uF",
    "2025-06-30": "44.3uF",
    "2025-07-30": "43.8uF",
    "2025-08-29": "43.5uF",
}
POINTS = [part for date, value in VISITS.items() for part in ("--point", f"{date}={value}")]
RATED = ["--rated", "45 uF 6 % 440 V"]


run = partial(run_command, "judge", "trend")
printed_json = partial(run_for_json, "judge", "trend")


def test_a_trend_as_json() -> None:
    fields = printed_json(*POINTS, *RATED, "--on", "2025-11-27")
    assert fields["answer"] == "DRIFTING DOWN, 4.72 µF a year"
    assert (fields["has_enough_visits"], fields["is_significant"], fields["exact"]) == (True, True, True)
    assert fields["visit_count"] == 5
    assert (fields["first_time"], fields["last_time"]) == ("2025-05-01T00:00:00Z", "2025-08-29T00:00:00Z")
    assert (fields["s"], fields["tau"], fields["p_value"]) == (-10, -1, 0.016666667)
    assert (fields["slope_per_day"], fields["intercept"]) == (-0.012916667, 45.075)
    assert fields["low_slope_per_year"] < fields["slope_per_year"] < fields["high_slope_per_year"] < 0
    (crossing,) = fields["crossings"]
    assert (crossing["side"], crossing["limit"], crossing["already_crossed"]) == ("low", 42.3, False)
    assert crossing["earliest"] < "2025-11-30" < crossing["expected"] < crossing["latest"]
    (end,) = fields["end_of_life"]
    assert end["limit"] == 37.8
    assert fields["forecast"] == {"at": "2025-11-27T00:00:00Z", "value": 42.34, "half_width": 0.316116}
    assert set(fields) == {
        "answer", "has_enough_visits", "is_significant", "unit", "visit_count", "first_time", "last_time",
        "slope_per_year", "low_slope_per_year", "high_slope_per_year", "slope_per_day", "intercept", "s", "tau",
        "p_value", "exact", "least_squares_slope_per_year", "crossings", "end_of_life", "forecast", "replaced_on",
        "visits_before", "reasons",
    }  # fmt: skip


def test_a_trend_in_words() -> None:
    code, out, err = run(*POINTS, *RATED, "--on", "2025-11-27")
    assert (code, err) == (0, "")
    lines = out.splitlines()
    assert lines[0] == "DRIFTING DOWN, 4.72 µF a year"
    assert "Mann-Kendall p = 0.017 (exact)" in lines[1]
    assert "It crosses the low limit of 42.3 µF between 2025-10-08 and 2026-02-17, about 2025-12-01." in lines
    assert "A visit on 2025-11-27 should read 42.34 ± 0.32 µF (95 %)." in lines


def test_too_few_visits_are_an_answer_too() -> None:
    fields = printed_json(*POINTS[:6], *RATED, "--on", "2026-05-01")
    assert fields["answer"] == "NOT ENOUGH VISITS"
    assert (fields["has_enough_visits"], fields["is_significant"]) == (False, False)
    assert (fields["crossings"], fields["forecast"], fields["low_slope_per_year"]) == ([], None, None)
    code, out, _ = run(*POINTS[:6], *RATED, "--on", "2026-05-01")
    assert code == 0
    assert out.startswith("NOT ENOUGH VISITS\n3 visits")
    assert "Too few visits to predict" in out


def test_the_same_from_a_file(tmp_path: Path) -> None:
    plain, with_unit = tmp_path / "plain.csv", tmp_path / "unit.csv"
    plain.write_text("date,value\n" + "".join(f"{date},{value}\n" for date, value in VISITS.items()), encoding="utf-8")
    rows = "".join(f"meter 1,{value[:-2]},µF,{date}T00:00:00Z\n" for date, value in reversed(VISITS.items()))
    with_unit.write_text(f"meter,value,unit,date\n{rows}", encoding="utf-8-sig")  # as spreadsheets save it
    expected = printed_json(*POINTS, *RATED)
    assert printed_json("--csv", str(plain), *RATED) == expected
    assert printed_json("--csv", str(with_unit), *RATED) == expected
    assert printed_json("--csv", str(plain), *POINTS[:2], *RATED)["visit_count"] == 6


def test_limits_instead_of_a_rating_and_other_units() -> None:
    ohms = [
        part for day in range(1, 7) for part in ("--point", f"2025-06-0{day}T12:00:00+02:00={11.0 - day / 10:.1f}ohm")
    ]
    fields = printed_json(*ohms, "--low", "10 ohm", "--high", "18 ohm")
    assert (fields["unit"], fields["first_time"]) == ("Ω", "2025-06-01T10:00:00Z")
    assert [crossing["side"] for crossing in fields["crossings"]] == ["low"]
    assert fields["end_of_life"] == []
    assert printed_json(*ohms)["crossings"] == []
    mixed = printed_json("--point", "2025-06-01=45000 nF", "--point", "2025-06-02=44 uF", *RATED)
    assert (mixed["unit"], mixed["slope_per_day"]) == ("µF", -1)


def test_a_section_of_a_dual() -> None:
    dual = ["--rated", "45+5 uF 440 V"]
    assert printed_json(*POINTS, *dual, "--section", "herm")["crossings"][0]["limit"] == 42.3
    assert printed_json(*POINTS, *dual, "--section", "FAN")["crossings"][-1]["limit"] == 5.3
    for arguments in (dual, [*RATED, "--section", "FAN"], ["--section", "FAN"]):
        code, _, err = run(*POINTS, *arguments)
        assert (code, err.count("\n")) == (2, 1)


@pytest.mark.parametrize(
    "arguments",
    [
        [],
        ["--point", "45uF"],
        ["--point", "yesterday=45uF"],
        ["--point", "2025-13-01=45uF"],
        ["--point", "2025-05-01=45"],
        ["--point", "2025-05-01=OL"],
        ["--point", "2025-05-01=45 ohm", *RATED],
        ["--point", "2025-05-01=45 uF", "--point", "2025-06-01=45 V"],
        ["--point", "2025-05-01=45 uF", *RATED, "--low", "40 uF"],
        ["--point", "2025-05-01=45 uF", "--low", "50 uF", "--high", "40 uF"],
        ["--point", "2025-05-01=45 uF", "--rated", "45 V"],
        ["--point", "9999-12-31T23:59:59-10:00=45 uF"],
        ["--point", "2025-05-01=45 uF", "--on", "soon"],
        ["--csv", "no-such-file.csv"],
        ["--csv", "a\0b"],
    ],
)
def test_unusable_input_is_one_clear_line(arguments: list[str]) -> None:
    code, out, err = run(*arguments)
    assert (code, out, err.count("\n")) == (2, "", 1)


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "columns"),
        (b"day,value\n", "columns"),
        (b"date,value,price\n2025-05-01,45uF,3\n", "columns"),
        (b"date,value\n2025-05-01\n", "line 2"),
        (b"date,value\n2025-05-01,45uF,extra\n", "line 2"),
        (b"date,value\n2025-05-01,45uF\n2025-05-02,many\n", "line 3"),
        (b"date,value\nnever,45uF\n", "line 2"),
        (b"date,value\n\xff\xfe,45uF\n", "UTF-8"),
        (b'date,value\n"2025-05-01,45uF\n', "cannot be read"),
        (b"date,value\n" + b"2025-05-01,45uF\n" * 3000, "more than 1000"),
    ],
)
def test_an_unusable_file_is_one_clear_line(tmp_path: Path, content: bytes, words: str) -> None:
    file = tmp_path / "visits.csv"
    file.write_bytes(content)
    code, out, err = run("--csv", str(file))
    assert (code, out, err.count("\n")) == (2, "", 1)
    assert words in err


def test_visits_before_a_replacement_do_not_count() -> None:
    points = ["--point=2023-05-01=40.0uF", "--point=2024-05-01=45.0uF", "--point=2025-05-01=44.9uF"]
    fields = run_for_json("judge", "trend", *points, "--rated=45 uF 6 %", "--replaced=2023-11-05")
    assert (fields["visit_count"], fields["visits_before"]) == (2, 1)
    assert fields["replaced_on"] == "2023-11-05T00:00:00Z"
    assert "The part was replaced on 2023-11-05: the trend starts anew" in fields["reasons"][0]
    code, _, err = run_command("judge", "trend", *points, "--replaced=soon")
    assert code == 2
    assert "'soon' is not a date" in err
