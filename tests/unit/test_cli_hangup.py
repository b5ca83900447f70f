"""A SIGHUP is the terminal's, or that of a person who wants the settings read again."""

import pytest

from meterlink.cli.hangup import TerminalWatch


class Terminal:
    def __init__(self, *, there: bool) -> None:
        self.there = there

    def __call__(self) -> bool:
        return self.there


def test_a_daemon_in_the_foreground() -> None:
    terminal = Terminal(there=True)
    watch = TerminalWatch(terminal, ignores_hangups=False)
    assert not watch.has_hung_up(), "kill -HUP, with the terminal open"
    terminal.there = False
    assert watch.has_hung_up()


@pytest.mark.parametrize("there", [True, False])
def test_nohup_means_that_the_daemon_outlives_its_terminal(there: bool) -> None:
    terminal = Terminal(there=True)
    watch = TerminalWatch(terminal, ignores_hangups=True)
    terminal.there = there
    assert not watch.has_hung_up()


def test_a_service_has_no_terminal() -> None:
    watch = TerminalWatch(Terminal(there=False), ignores_hangups=False)
    for _ in range(3):
        watch.look()
        assert not watch.has_hung_up()


def test_a_job_that_its_shell_disowned_runs_on() -> None:
    terminal = Terminal(there=True)
    watch = TerminalWatch(terminal, ignores_hangups=False)
    watch.look()
    terminal.there = False
    watch.look()
    assert watch.has_hung_up(), "the signal may be on its way"
    watch.look()
    assert not watch.has_hung_up()
