"""The line that a person types while teaching a meter, as a command."""

import re

from meterlink.link.messages import CommandName

_DROP = re.compile(r"drop(?:[\s,]+(.*))?", re.IGNORECASE)
_REQUEST = re.compile(r"(write|read)(?:\s+(.+))?", re.IGNORECASE)
_WORDS = {"done": CommandName.TEACH_DONE, "stop": CommandName.TEACH_STOP}
_REQUESTS = {"write": CommandName.TEACH_WRITE, "read": CommandName.TEACH_READ}


def parse_teach_line(line: str) -> tuple[CommandName, dict[str, str | int]]:
    """Return ``(command, its arguments without the meter)`` of a line: done, stop, drop 3 7, write UUID=HEX, read UUID.

    Any other line is an entry: the value on the display.
    """
    text = line.strip()
    if word := _WORDS.get(text.lower()):
        return word, {}
    if drop := _DROP.fullmatch(text):
        numbers = " ".join((drop[1] or "").replace(",", " ").split())
        return CommandName.TEACH_DROP, {"text": numbers} if numbers else {}
    if request := _REQUEST.fullmatch(text):
        return _REQUESTS[request[1].lower()], {"text": request[2]} if request[2] else {}
    return CommandName.TEACH_ENTRY, {"text": text}
