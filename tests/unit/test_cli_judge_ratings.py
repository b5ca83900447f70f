"""``meterlink judge rating`` and ``replacement`` as a shell sees them."""

import json
from functools import partial
from pathlib import Path

import pytest

from support.commands import run_command, run_for_json

STOCK = """
[[part]]
rating = "45+7.5 uF ±6 % 440 V"
count = 2
note = "left bin"

[[part]]
rating = "45 MFD 440V"

[[part]]
rating = "7.5 MFD 440V J"

[[part]]
rating = "40/5 uF 370V"
"""


run = partial(run_command, "judge")
printed_json = partial(run_for_json, "judge")


def test_a_dual_capacitors_label() -> None:
    fields = printed_json("rating", "45+7.5 MFD ±6% 440 VAC 50/60 Hz CBB65")
    assert fields == {
        "rating": "45+7.5 µF ±6 % 440 V 50/60 Hz",
        "description": "dual run capacitor, HERM 45 µF, FAN 7.5 µF, ±6 %, up to 440 V, 50/60 Hz",
        "kind": "run",
        "sections": [
            {"name": "HERM", "rated": 45, "low": 42.3, "high": 47.7, "end_of_life_low": 37.8, "end_of_life_high": 52.2,
             "unit": "µF", "basis": "45 µF ±6 %"},
            {"name": "FAN", "rated": 7.5, "low": 7.05, "high": 7.95, "end_of_life_low": 6.3, "end_of_life_high": 8.7,
             "unit": "µF", "basis": "7.5 µF ±6 %"},
        ],
        "tolerance": "±6 %",
        "volts": [440],
        "hertz": [50, 60],
        "unused_words": ["CBB65"],
        "remarks": [],
    }  # fmt: skip


def test_a_label_in_words_begins_with_the_answer() -> None:
    code, out, err = run("rating", "45/5 MFD 440 VAC CBB65")
    assert (code, err) == (0, "")
    lines = out.splitlines()
    assert lines[0] == "45+5 µF 440 V"
    assert "HERM 42.3 to 47.7 µF (45 µF ±6 %)" in lines
    assert "No tolerance given: 6 % is assumed." in lines
    assert "Not used: CBB65." in lines
    assert any("common practice, no source" in line for line in lines)
    code, out, _ = run("rating", "88-106 MFD 250 VAC")
    assert out.splitlines()[0] == "88 to 106 µF 250 V"
    assert "IEC 60252-1" not in out  # a standard for run capacitors
    assert "-0/+20 % is assumed" in run("rating", "88 uF 250 V", "--kind", "start")[1]
    assert "unusual" in run("rating", "450 uF 370V as printed")[1]


def test_an_ambiguous_label_is_a_question() -> None:
    code, out, err = run("rating", "QX35/5 MFD 440V")
    assert (code, err) == (3, "")
    question, first, second, how = out.splitlines()
    assert question == "'QX35/5 MFD 440V': 'QX35' may be a code, or letters before a value."
    assert first == (
        "  1  35+5 µF 440 V: dual run capacitor, HERM 35 µF, FAN 5 µF, up to 440 V; leave 'QX' out (usual)"
    )
    assert second == "  2  5 µF 440 V: run capacitor, 5 µF, up to 440 V; leave 'QX35' out"
    assert "--answer" in how
    code, out, err = run("rating", "QX35/5 MFD 440V", "--json")
    assert (code, err) == (3, "")
    assert json.loads(out) == {
        "question": question,
        "choices": [
            {"key": "35+5 µF 440 V",
             "words": "dual run capacitor, HERM 35 µF, FAN 5 µF, up to 440 V; leave 'QX' out"},
            {"key": "5 µF 440 V", "words": "run capacitor, 5 µF, up to 440 V; leave 'QX35' out"},
        ],
        "usual": "35+5 µF 440 V",
    }  # fmt: skip
    assert printed_json("rating", "35J", "--unit", "µF")["rating"] == "35 µF ±5 %"


def test_an_answer_settles_the_question(stock: str) -> None:
    for answer in ("1", "35+5 µF 440 V"):
        fields = printed_json("rating", "QX35/5 MFD 440V", "--answer", answer)
        assert (fields["rating"], fields["unused_words"]) == ("35+5 µF 440 V", ["QX"])
    fields = printed_json("replacement", "--part", "45/7.5 MFD 440V 2319", "--stock", stock, "--answer", "1")
    assert fields["part"] == "45+7.5 µF 440 V"
    visits = [argument for day in range(1, 7) for argument in ("--point", f"2025-05-{day:02}=45.0uF")]
    code, out, _ = run("trend", *visits, "--rated", "45 MFD 440V 2319")
    assert code == 3
    assert "45 µF 440 V" in out
    assert run("trend", *visits, "--rated", "45 MFD 440V 2319", "--answer", "1")[0] == 0


def test_an_answer_that_answers_nothing_is_refused(stock: str) -> None:
    for arguments in (
        ["rating", "QX35/5 MFD 440V", "--answer", "3"],
        ["rating", "QX35/5 MFD 440V", "--answer", ""],
        ["rating", "35/5 MFD 440V", "--answer", "1"],
        ["replacement", "--part", "45 MFD 440V", "--stock", stock, "--answer", "1"],
        ["trend", "--point", "2025-05-01=45.0uF", "--answer", "1"],
    ):
        code, out, err = run(*arguments)
        assert (code, out, err.count("\n")) == (2, "", 1)


def test_an_unusable_rating_is_one_clear_line() -> None:
    for arguments in (["440 V"], ["45 uF", "--unit", "V"], ["x" * 300]):
        code, out, err = run("rating", *arguments)
        assert (code, out, err.count("\n")) == (2, "", 1)


@pytest.fixture
def stock(tmp_path: Path) -> str:
    file = tmp_path / "truck.toml"
    file.write_text(STOCK, encoding="utf-8")
    return str(file)


def test_a_replacement_off_the_truck(stock: str) -> None:
    fields = printed_json("replacement", "--part", "45+7.5 MFD 440V", "--stock", stock)
    assert fields["part"] == "45+7.5 µF 440 V"
    best, other = fields["options"]
    assert best == {
        "method": "same rating",
        "is_temporary": False,
        "parts": [{"rating": "45+7.5 µF ±6 % 440 V", "count": 2, "note": "left bin"}],
        "remarks": [],
    }
    assert (other["method"], len(other["parts"])) == ("two singles for a dual", 2)
    assert fields["excluded"] == [
        {"rating": "40+5 µF 370 V", "count": 1, "note": "", "reason": "370 V is below 440 V."}
    ]


def test_a_replacement_in_words(stock: str) -> None:
    code, out, err = run("replacement", "--part", "45+7.5 MFD 440V", "--stock", stock)
    assert (code, err) == (0, "")
    lines = out.splitlines()
    assert lines[0] == "USE 45+7.5 µF ±6 % 440 V: same rating, 2 in stock (left bin)"
    assert "not 40+5 µF 370 V: 370 V is below 440 V." in lines
    # The reader of these lines is about to touch the terminals.
    assert "Discharge the capacitor through a resistor" in lines[-1]
    assert "Follow local codes" in lines[-1]
    assert "safe" not in out
    code, out, _ = run("replacement", "--part", "52.5 uF 440V", "--stock", stock)
    assert code == 0
    assert out.startswith("TEMPORARY 45 µF 440 V and 7.5 µF ±5 % 440 V: in parallel")
    code, out, _ = run("replacement", "--part", "60 uF 440V", "--stock", stock)
    assert code == 0
    assert out.startswith("NOTHING IN STOCK replaces 60 µF 440 V\n")


def test_a_stock_list_that_cannot_be_used(tmp_path: Path) -> None:
    wrong = {
        "none.toml": None,
        "binary.toml": b"\xff\xfe",
        "broken.toml": b"[[part]\n",
        "empty.toml": b"",
        "rating.toml": b'[[part]]\nrating = "45"\n',
        "large.toml": b"#" * 1_000_001,
    }
    for name, content in wrong.items():
        file = tmp_path / name
        if content is not None:
            file.write_bytes(content)
        code, out, err = run("replacement", "--part", "45 uF 440V", "--stock", str(file))
        assert (code, out, err.count("\n")) == (2, "", 1), name
        assert name in err
    for name in (str(tmp_path), "a\0b"):
        code, out, err = run("replacement", "--part", "45 uF 440V", "--stock", name)
        assert (code, out, err.count("\n")) == (2, "", 1)


def test_the_voltage_of_the_part_is_needed(stock: str) -> None:
    code, _, err = run("replacement", "--part", "45 uF", "--stock", stock)
    assert code == 2
    assert "voltage rating of 45 µF is missing" in err


def test_a_question_with_one_choice_says_what_else_to_do() -> None:
    """'mF' on a can means µF, but a meter's mF is a thousand of them: the technician confirms, or types it again."""
    status, out, _ = run("rating", "5 mF 440 V")
    assert status == 3
    assert out.splitlines()[-1].startswith("If that is right, answer with --answer 1.")
