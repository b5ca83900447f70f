"""A profile that Meterlink writes has a name that its reader accepts."""

from hypothesis import given
from hypothesis import strategies as st

from meterlink.core.text import KEY_PATTERN
from meterlink.profiles.model import LONGEST_PROFILE_NAME, is_profile_name, make_profile_name
from meterlink.settings.parser import SETTINGS
from meterlink.tomlfile.problems import PathProblem


def test_a_name_is_made_of_letters_and_digits() -> None:
    assert make_profile_name("Bench Meter (7)") == "bench-meter-7"
    assert make_profile_name("µΩ — ?") == "taught"


def test_a_long_name_is_cut_with_its_number_kept() -> None:
    long = "the-meter-of-the-second-workshop-on-the-left"
    first = make_profile_name(long)
    second = make_profile_name(long, {first})
    assert first == "the-meter-of-the-second-worksh"
    assert second == "the-meter-of-the-second-work-2"


@given(st.text(), st.integers(0, 12))
def test_every_name_that_is_made_is_accepted_and_new(text: str, others: int) -> None:
    taken: set[str] = set()
    for _ in range(others + 1):
        name = make_profile_name(text, taken)
        assert is_profile_name(name)
        assert name not in taken
        taken.add(name)


def test_other_names_are_refused() -> None:
    for name in ("", "A", "a b", "-a", "a-", "a--b", "a" * (LONGEST_PROFILE_NAME + 1)):
        assert not is_profile_name(name)
    assert is_profile_name("a" * LONGEST_PROFILE_NAME)


@given(st.text("abz019-A _", max_size=32) | st.from_regex(KEY_PATTERN, fullmatch=True))
def test_the_settings_can_name_every_profile(name: str) -> None:
    problems: list[PathProblem] = []
    SETTINGS.read({"meter": [{"address": "00:00:5E:00:53:0A", "profile": name}]}, (), problems)
    assert (not problems) is is_profile_name(name)
