"""The plan of a scenario as the text of a plan file, with which a visit is begun."""

import json
from collections.abc import Mapping
from decimal import Decimal
from typing import Any


def plan_file_text(table: Mapping[str, Any]) -> str:
    """Return the ``[plan]`` table of a scenario, as read from TOML, as a TOML file of its own."""
    return "".join(f"{json.dumps(key)} = {_inline(value)}\n" for key, value in table.items())


def _inline(value: Any) -> str:
    """Return a value on one line: TOML writes strings, numbers, true and false as JSON does."""
    if isinstance(value, Mapping):
        return f"{{ {', '.join(f'{json.dumps(key)} = {_inline(each)}' for key, each in value.items())} }}"
    if isinstance(value, list):
        return f"[{', '.join(map(_inline, value))}]"
    if isinstance(value, Decimal):
        return f"{value:f}"
    return json.dumps(value, ensure_ascii=False)
