"""Names off the air: a sender chooses the bytes, and none of them may control a terminal or a screen."""

import unicodedata

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from meterlink.core.text import LONGEST_NAME, clean_text, without_piled_marks
from meterlink.publish.topics import topic_level
from meterlink.record.senml import name_part

untimed = settings(deadline=None)  # the speed of the machine proves nothing here

HOSTILE = st.text(
    st.one_of(
        st.characters(),
        st.sampled_from("\x1b[]()\x00\x07\x08\r\n\t\x85\x9b\x9d\u202e\u2066\u2069\u200b\u2028\u2029\ufeff\ue000\\/@="),
        st.sampled_from("\ud800\udfffe\u0301\u200d\u00a0 "),
    ),
    max_size=80,
)


@pytest.mark.fault("hostile-names")
@untimed
@given(HOSTILE, st.integers(0, 80))
def test_no_clean_text_controls_a_terminal(text: str, longest: int) -> None:
    name = clean_text(text, longest)
    assert len(name) <= longest
    assert all(unicodedata.category(char)[0] != "C" for char in name)  # control, format, surrogate, private
    assert not set(name) & set("[]\x1b\x9b\u202e\u2066\n\r\u2028\u2029")
    assert name == name.strip()
    assert clean_text(name, longest) == name
    name.encode()  # a lone surrogate would break a file or a socket


def test_a_letter_with_many_marks_is_cleaned_in_a_moment() -> None:
    """Python's normalization takes a time that grows with the square of the marks: with all 70,000, five seconds."""
    marks = "\u0301\u0315" * 35_000
    assert without_piled_marks(f"a{marks}b") == f"a{marks[:30]}b"
    assert clean_text(f"a{marks}b", 80) == unicodedata.normalize("NFC", f"a{marks[:30]}b")
    for written in (topic_level(marks), name_part(marks)):
        assert len(written) < 80
    assert without_piled_marks("é" * 100) == "é" * 100


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("Bench meter 1", "Bench meter 1"),
        ("\x1b[31mred\x1b[0m", "(31mred(0m"),
        ("[@click=app.quit]meter[/]", "(@click=app.quit)meter(/)"),
        ("a\u202ereversed", "areversed"),
        ("  two\n\n lines\t", "two lines"),
        ("x" * 41, "x" * 40),
        ("x" * 39 + " y", "x" * 39),
        ("e\u200d\u0301", "é"),
        ("Ω µ °", "Ω µ °"),
        ("", ""),
        (None, ""),
        ("\x00\x1b", ""),
    ],
)
def test_examples(text: str | None, name: str) -> None:
    assert clean_text(text) == name
    assert len(name) <= LONGEST_NAME
