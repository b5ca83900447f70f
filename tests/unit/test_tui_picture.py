"""A picture of the screen has no frame of a desktop window, loads no web font and keeps its blanks."""

import io
from xml.etree import ElementTree as ET

from rich.console import Console
from rich.text import Text

from meterlink_tui.lettering import DotSize, draw_text
from meterlink_tui.picture import plain_svg

SVG = "{http://www.w3.org/2000/svg}"
SPACE = "{http://www.w3.org/XML/1998/namespace}space"


def screen() -> str:
    """Return Rich's SVG of a console with large digits; Textual exports a screen in the same way."""
    console = Console(width=40, height=6, file=io.StringIO(), force_terminal=True, record=True, legacy_windows=False)
    for row in draw_text("43.7", DotSize(2, 1)):
        console.print(Text(row, style="bold white on black"))
    return console.export_svg(title="Meterlink")


def test_the_frame_and_the_web_font_are_left_out() -> None:
    before, after = screen(), plain_svg(screen())
    assert "<circle" in before
    assert "https://" in before
    root = ET.fromstring(after)  # noqa: S314  # made by this test
    assert not list(root.iter(f"{SVG}circle"))
    assert "Meterlink" not in after
    assert "@font-face" not in after
    assert "https://" not in after
    _, _, width, height = map(float, root.attrib["viewBox"].split())
    assert width < 40 * 12.3
    assert height > 60
    assert all("translate" not in element.attrib.get("transform", "") for element in root.iter())


def test_every_text_keeps_its_blanks() -> None:
    root = ET.fromstring(plain_svg(screen()))  # noqa: S314  # made by this test
    texts = list(root.iter(f"{SVG}text"))
    assert texts
    assert {text.attrib[SPACE] for text in texts} == {"preserve"}
    drawn = [row.rstrip() for row in draw_text("43.7", DotSize(2, 1))]
    exported = ["".join(text.itertext()).replace("\u00a0", " ").rstrip() for text in texts]
    assert [row for row in drawn if row] == [row for row in exported if row.strip()]
