"""A picture of the dashboard as SVG, taken without a terminal: for a record, a bug report or the documents."""

import asyncio
import re

from meterlink_tui.app import DRAW_INTERVAL, Dashboard
from meterlink_tui.connection import Connector
from meterlink_tui.themes import LIGHT

_WEB_FONT = re.compile(r"@font-face \{.*?\}\s*", re.DOTALL)
_VISIT_TIMEOUT = 5.0  # s; a running station tells everything it knows at once


async def take_picture(connector: Connector, width: int, height: int, *, light: bool = False) -> str:
    """Return one picture of ``width``×``height`` cells, taken when a visit is shown, or after 5 s without one."""
    app = Dashboard(connector)
    if light:
        app.theme = LIGHT.name
    async with app.run_test(size=(width, height)) as pilot:
        for _ in range(round(_VISIT_TIMEOUT / DRAW_INTERVAL)):
            if app.scene is not None and app.scene.points:
                break
            await asyncio.sleep(DRAW_INTERVAL)
        app.draw()
        await pilot.pause()
        # The template asks the web for a font: a picture must show the same without a network, and tell nobody.
        return _WEB_FONT.sub("", app.export_screenshot())
