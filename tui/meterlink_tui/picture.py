"""A picture of the dashboard as SVG, taken without a terminal: for a record, a bug report or the documents."""

import asyncio
import re
from xml.etree import ElementTree as ET

from meterlink.core.key_actions import DEFAULT_KEYS, Keys
from meterlink_tui.app import Dashboard
from meterlink_tui.connection import Connector
from meterlink_tui.themes import LIGHT

_WEB_FONT = re.compile(r"@font-face \{.*?\}\s*", re.DOTALL)
_VISIT_TIMEOUT = 5.0  # s; a running station sends every view at once
_CHECK_PERIOD = 0.1  # s
_SVG = "{http://www.w3.org/2000/svg}"
_SPACE = "{http://www.w3.org/XML/1998/namespace}space"


async def take_picture(
    connector: Connector, width: int, height: int, *, light: bool = False, keys: Keys = DEFAULT_KEYS
) -> str:
    """Return a picture of ``width``×``height`` cells, taken once a visit is displayed, or after 5 s without a visit."""
    app = Dashboard(connector, keys=keys)
    if light:
        app.theme = LIGHT.name
    async with app.run_test(size=(width, height)) as pilot:
        for _ in range(round(_VISIT_TIMEOUT / _CHECK_PERIOD)):
            if app.scene is not None and app.scene.points:
                break
            await asyncio.sleep(_CHECK_PERIOD)
        app.draw()
        await pilot.pause()
        return plain_svg(app.export_screenshot())


def plain_svg(svg: str) -> str:
    """Return Textual's SVG of a screen without the frame of a desktop window around it and without a web font.

    The picture then looks the same without a network and makes no request. ``xml:space`` keeps the runs of blanks in
    the large digits; without it librsvg merges them.
    """
    ET.register_namespace("", _SVG[1:-1])
    root = ET.fromstring(_WEB_FONT.sub("", svg))  # noqa: S314  # Textual wrote this text
    screen = next(child for child in root if "clip-path" in child.attrib)
    for child in list(root):
        if child is not screen and child.tag not in {f"{_SVG}style", f"{_SVG}defs"}:
            root.remove(child)
    bounds = next(iter(root.iter(f"{_SVG}clipPath")))[0]
    root.set("viewBox", f"0 0 {bounds.get('width')} {bounds.get('height')}")
    del screen.attrib["transform"]
    for text in root.iter(f"{_SVG}text"):
        text.set(_SPACE, "preserve")
    return ET.tostring(root, encoding="unicode") + "\n"
