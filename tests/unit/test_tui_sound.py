"""Bells, speech and the moments that are heard, by a clock of the test."""

import asyncio
import itertools
import os
import signal
import sys
from pathlib import Path
from typing import Any

import pytest

from meterlink.core.verdicts import Margin, Verdict
from meterlink_simulators.virtual_time import run_in_virtual_time
from meterlink_tui.sound.announcer import Announcer, SoundMode
from meterlink_tui.sound.bells import PATTERNS, BellRinger
from meterlink_tui.sound.moments import HeardMoment, Moment, MomentFinder, moment_of
from meterlink_tui.sound.voice import PROGRAM, SpeechProgram, find_voice
from support.dashboard_views import GHOST, STOP, accepted, live, visit


class RecordedVoice:
    """A voice that keeps the words; ``works`` says whether it can speak."""

    def __init__(self, *, works: bool = True) -> None:
        self.said: list[str] = []
        self.works = works
        self.silenced = 0

    def say(self, words: str) -> bool:
        self.said.append(words)
        return self.works

    def silence(self) -> None:
        self.silenced += 1

    def close(self) -> None:
        self.silence()


# Patterns


def rung(*moments: tuple[float, Moment]) -> list[tuple[float, str]]:
    """Return the time and the bytes of each bell when ``moments`` are rung at their times."""

    async def body() -> list[tuple[float, str]]:
        loop = asyncio.get_running_loop()
        start, written = loop.time(), list[tuple[float, str]]()
        ringer = BellRinger(lambda text: written.append((round(loop.time() - start, 3), text)))
        for at, moment in moments:
            await asyncio.sleep(start + at - loop.time())
            ringer.ring(moment)
        await asyncio.sleep(10)
        return written

    return run_in_virtual_time(body())


@pytest.mark.parametrize("moment", Moment)
def test_a_moment_writes_its_bells_at_the_times_of_its_pattern(moment: Moment) -> None:
    assert rung((0.0, moment)) == [(pytest.approx(time), "\a") for time in PATTERNS[moment]]


def test_patterns_are_told_apart_by_count_or_by_a_rhythm_three_times_as_slow() -> None:
    for one, other in itertools.combinations(PATTERNS.values(), 2):
        if len(one) == len(other):
            gaps = [[b - a for a, b in itertools.pairwise(pattern)] for pattern in (one, other)]
            assert any(max(a, b) >= 3 * min(a, b) for a, b in zip(*gaps, strict=True))
    # Terminals join bells that follow within about a tenth of a second. Common practice, no source.
    assert all(b - a >= 0.2 for pattern in PATTERNS.values() for a, b in itertools.pairwise(pattern))
    assert len(PATTERNS[Moment.STOP]) == max(map(len, PATTERNS.values()))


def test_a_new_pattern_replaces_the_one_that_sounds() -> None:
    assert [time for time, _ in rung((0.0, Moment.STOP), (0.5, Moment.WITHIN))] == [0.0, 0.3, 0.5]


# Moments


@pytest.mark.parametrize("verdict", Verdict)
def test_each_verdict_is_heard_once_with_its_words(verdict: Verdict) -> None:
    finder = MomentFinder()
    assert finder.in_visit(visit()) is None
    view = visit(accepted("5.1 µF", "5.1", verdict, margin=None), advice="Replace the part: two readings agree.")
    heard = finder.in_visit(view)
    assert heard is not None
    expected = {Verdict.WITHIN: Moment.WITHIN, Verdict.OUTSIDE: Moment.OUTSIDE, Verdict.OPEN: Moment.OUTSIDE,
                Verdict.SHORTED: Moment.OUTSIDE}  # fmt: skip
    assert heard.moment is expected.get(verdict, Moment.NO_VERDICT)
    step = "" if verdict is Verdict.WITHIN else ", replace"
    assert heard.words == f"five point one microfarad, {verdict}{step}"
    assert finder.in_visit(view) is None


def test_a_close_call_is_heard_as_neither_pass_nor_fail() -> None:
    for verdict in (Verdict.WITHIN, Verdict.OUTSIDE):
        assert moment_of(verdict, Margin.CLOSE_CALL) is Moment.CLOSE_CALL


def test_readings_that_were_there_before_are_not_heard() -> None:
    finder = MomentFinder()
    assert finder.in_visit(visit(accepted())) is None
    other = visit(accepted(id=7), site="another")
    assert finder.in_visit(other) is None
    judged_again = visit(accepted(id=7, verdict="outside", revision=2), site="another")
    assert finder.in_visit(judged_again) is None
    assert finder.in_visit(visit(None, site="another")) is None  # voided
    assert finder.in_visit(other) is None  # and un-voided


def test_the_advice_for_the_next_point_is_not_said_for_a_typed_reading() -> None:
    finder = MomentFinder()
    finder.in_visit(visit())
    typed = visit(
        accepted("3.9 µF", "3.9", "outside", margin=None), focus="fan", advice="Replace the part: two readings agree."
    )
    heard = finder.in_visit(typed)
    assert heard is not None
    assert heard.words == "three point nine microfarad, outside"


def test_a_wrong_function_is_heard_once_until_it_was_right() -> None:
    finder, points = MomentFinder(), visit()["points"]

    def moments(*lives: Any) -> list[str | None]:
        found = [finder.in_live(view, points) for view in lives]
        return [heard.words if heard else None for heard in found]

    wrong = live(function_matches=False, quantity="voltage")
    words = "wrong function, set the meter to capacitance"
    assert moments(wrong, wrong, live(function_matches=False, phase="idle"), wrong) == [words, None, None, None]
    assert moments(live(), wrong) == [None, words]


def test_a_stop_is_heard_once_and_again_when_it_gets_surer_or_comes_back() -> None:
    finder = MomentFinder()
    stop = live("241.3 V AC", stop=STOP)
    heard = finder.in_live(stop, [])
    words = "Stop. voltage where there must be none. Alder reads two four one point three volt A C."
    assert heard == HeardMoment(Moment.STOP, words)
    other_value = live("241.4 V AC", stop=STOP | {"text": "Alder reads 241.4 V AC. Keep your hands off."})
    assert finder.in_live(other_value, []) is None
    assert finder.in_live(live(stop=GHOST), []) is not None
    assert finder.in_live(stop, []) is not None
    assert finder.in_live(live(stop=None), []) is None
    assert finder.in_live(stop, []) is not None


def test_a_verdict_does_not_silence_a_stop() -> None:
    finder = MomentFinder()
    finder.in_visit(visit())
    finder.in_live(live(stop=STOP), [])
    assert finder.in_visit(visit(accepted())) is None


# Announcing


def announced(mode: SoundMode, voice: RecordedVoice | None, *moments: Moment, toggles: int = 0) -> str:
    async def body() -> str:
        written: list[str] = []
        announcer = Announcer(written.append, mode, voice)
        for _ in range(toggles):
            announcer.toggle()
        for moment in moments:
            announcer.announce(HeardMoment(moment, f"words of {moment}"))
            await asyncio.sleep(10)
        announcer.close()
        return "".join(written)

    return run_in_virtual_time(body())


@pytest.mark.parametrize("moment", Moment)
def test_the_bytes_and_the_words_of_each_moment(moment: Moment) -> None:
    bells = "\a" * len(PATTERNS[moment])
    assert announced(SoundMode.BELL, None, moment) == bells
    voice = RecordedVoice()
    assert announced(SoundMode.SPEECH, voice, moment) == (bells if moment is Moment.STOP else "")
    assert voice.said == [f"words of {moment}"]
    assert announced(SoundMode.OFF, RecordedVoice(), moment) == ""


def test_one_key_turns_the_sound_off_and_on() -> None:
    for mode in (SoundMode.BELL, SoundMode.SPEECH):
        voice = RecordedVoice()
        assert announced(mode, voice, Moment.STOP, toggles=1) == ""
        assert voice.said == []
        assert announced(mode, voice, Moment.STOP, toggles=2) == "\a" * 7
    assert announced(SoundMode.OFF, None, Moment.WITHIN, toggles=1) == "\a"


@pytest.mark.parametrize("voice", [None, RecordedVoice(works=False)], ids=["no program", "it fails"])
def test_speech_that_cannot_be_becomes_bells(voice: RecordedVoice | None) -> None:
    assert announced(SoundMode.SPEECH, voice, Moment.OUTSIDE) == "\a\a"


# The speech program, with a stand-in that keeps its arguments and its input


def stand_in(folder: Path, end: str) -> SpeechProgram:
    script = folder / "speaker"
    script.write_text(
        f"#!{sys.executable}\n"
        "import os, signal, sys\n"
        f"words = sys.stdin.read()\n"
        f"open({str(folder / 'said')!r}, 'a').write(f'{{os.getpid()}} {{sys.argv[1:]}} {{words}}\\n')\n"
        f"{end}\n"
    )
    script.chmod(0o755)
    return SpeechProgram(str(script))


def said(folder: Path, count: int) -> list[str]:
    """Wait until ``count`` sayings have begun; a process of their own says them."""
    while not (folder / "said").exists() or (folder / "said").read_text().count("\n") < count:
        os.sched_yield()
    return (folder / "said").read_text().splitlines()


pytestmark = pytest.mark.skipif(os.name != "posix", reason="the stand-in is a script with an interpreter line")


def is_running(pid: str) -> bool:
    try:
        os.kill(int(pid), 0)
    except ProcessLookupError:
        return False
    return True


def test_a_saying_goes_through_standard_input_and_a_new_one_replaces_it(tmp_path: Path) -> None:
    voice = stand_in(tmp_path, "signal.pause()")
    assert voice.say("-x --option five point one")
    first = said(tmp_path, 1)[0]
    assert first.endswith("['-v', 'en', '-s', '150', '--stdin'] -x --option five point one")
    assert voice.say("another")
    second = said(tmp_path, 2)[1]
    voice.close()
    assert not is_running(first.split()[0])
    assert not is_running(second.split()[0])


def test_a_program_that_fails_is_given_up(tmp_path: Path) -> None:
    voice = stand_in(tmp_path, "sys.exit(1)")
    assert voice.say("one")
    process = voice._process
    assert process is not None
    assert process.wait(60) == 1
    assert not voice.say("two")
    assert not voice.say("three")
    voice.close()


def test_a_program_that_is_gone_is_given_up(tmp_path: Path) -> None:
    assert not SpeechProgram(str(tmp_path / "none")).say("one")


def test_a_process_that_is_killed_from_outside_is_no_crash(tmp_path: Path) -> None:
    voice = stand_in(tmp_path, "signal.pause()")
    assert voice.say("one")
    os.kill(int(said(tmp_path, 1)[0].split()[0]), signal.SIGKILL)
    voice.silence()
    voice.close()


def test_the_voice_of_a_machine_without_the_program_is_none(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    assert find_voice() is None
    program = tmp_path / PROGRAM
    program.write_text("")
    program.chmod(0o755)
    assert find_voice() is not None
