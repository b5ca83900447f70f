import io
import os
import subprocess
import sys

import pytest

from meterlink.core.errors import MeterlinkError
from meterlink_tui.terminal import NoTerminalError, check_terminal


class Screen(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_a_terminal_that_can_draw_is_fine() -> None:
    screen = Screen()
    check_terminal(Screen(), screen, {"TERM": "xterm-256color"})
    assert screen.getvalue() == ""


@pytest.mark.fault("no-terminal")
@pytest.mark.parametrize(
    ("stdin", "stdout", "message"),
    [
        (io.StringIO(), Screen(), "its input is not a terminal"),
        (Screen(), io.StringIO(), "its output is not a terminal"),
    ],
)
def test_without_a_terminal_at_either_end_an_error_is_raised(
    stdin: io.StringIO, stdout: io.StringIO, message: str
) -> None:
    with pytest.raises(NoTerminalError, match=message) as caught:
        check_terminal(stdin, stdout, {"TERM": "xterm"})
    assert "meterlink history" in caught.value.remedy
    assert "meterlink demo --headless" in caught.value.remedy
    assert isinstance(caught.value, MeterlinkError)
    assert stdout.getvalue() == ""


@pytest.mark.fault("no-terminal")
@pytest.mark.parametrize("term", ["dumb", "unknown"])
def test_a_terminal_that_cannot_draw_raises_an_error(term: str) -> None:
    with pytest.raises(NoTerminalError, match=f"TERM is {term}"):
        check_terminal(Screen(), Screen(), {"TERM": term})


def test_no_term_is_fine_on_windows_only(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.platform", "linux")
    with pytest.raises(NoTerminalError, match="TERM is not set"):
        check_terminal(Screen(), Screen(), {})
    monkeypatch.setattr("sys.platform", "win32")
    check_terminal(Screen(), Screen(), {})


def test_the_dashboard_paints_soon_after_a_change() -> None:
    program = (
        "import meterlink_tui.app, meterlink_tui, textual.constants\n"
        "assert textual.constants.MAX_FPS == meterlink_tui.PAINTINGS"
    )
    environment = {name: value for name, value in os.environ.items() if name != "TEXTUAL_FPS"}
    subprocess.run([sys.executable, "-c", program], check=True, env=environment)
