"""A picture of the dashboard as SVG, taken without a terminal: for a record, a bug report or the documents."""

import asyncio
import re

from meterlink_tui.app import FRAME, Dashboard
from meterlink_tui.connection import Connect
from meterlink_tui.themes import LIGHT

_WEB_FONT = re.compile(r"@font-face \{.*?\}\s*", re.DOTALL)
_WITHIN = 5.0  # s; a running station tells everything it knows at once


async def take_picture(connect: Connect, width: int, height: int, *, light: bool = False) -> str:
    """Return one picture of ``width``×``height`` cells, taken when a visit is shown, or after 5 s without one."""
    app = Dashboard(connect)
    if light:
        app.theme = LIGHT.name
    async with app.run_test(size=(width, height)) as pilot:
        for _ in range(round(_WITHIN / FRAME)):
            if app.scene is not None and app.scene.points:
                break
            await asyncio.sleep(FRAME)
        app.draw()
        await pilot.pause()
        # The template asks the web for a font: a picture must show the same without a network, and tell nobody.
        return _WEB_FONT.sub("", app.export_screenshot())
