"""The demo in a real terminal: tmux runs it, types keys and reads the screen."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from support.terminals import TMUX, Terminal
from support.tools import skip_without_tool


@pytest.fixture
def terminals(tmp_path: Path) -> Iterator[list[Terminal]]:
    """Terminals of 80x24 and 120x40."""
    if TMUX is None:
        skip_without_tool("tmux")
    opened = []
    for columns, rows in ((80, 24), (120, 40)):
        folder = tmp_path / f"{columns}x{rows}"
        folder.mkdir()
        opened.append(Terminal(folder, columns, rows))
    yield opened
    for terminal in opened:
        terminal.close()


def test_the_demo_in_two_terminals(terminals: list[Terminal]) -> None:
    # Both play at the same time: a demo takes half a minute to its third reading.
    for terminal in terminals:
        terminal.run("demo")
    for terminal in terminals:
        screen = terminal.until("1 of 8 accepted", "WITHIN", "234.8 V")
        assert "CAUTION" in screen
        assert "NEXT" in screen
    for terminal in terminals:
        terminal.press("c")
        terminal.until("Causes the readings point to")
        terminal.press("c")  # not Escape: a terminal reads Escape and a key soon after it as Alt and that key
        terminal.until("of 8 accepted", "NEXT")
        terminal.press("?")
        terminal.until("Keys (Esc closes)")
        terminal.press("?")
    for terminal in terminals:
        screen = terminal.until("43.72 µF", "OUTSIDE", "3 of 8 accepted")
        shown = " ".join(screen.split())
        assert "Follow local codes" in shown or "i more" in shown  # short after the first reading of its kind
    for terminal in terminals:
        terminal.press("q")
        assert terminal.status() == "0"
        # The program restores the terminal's own screen.
        assert "CAUTION" not in terminal.screen()
