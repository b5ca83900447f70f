"""The depth of JSON from outside: Python reads a thousand lists within each other, and fails on them later."""

DEEPEST = 32
"""Lists and objects within each other. The deepest place of anything that Meterlink writes as JSON has 10."""


def is_too_deep(value: object) -> bool:
    """Return whether lists and objects are nested more than `DEEPEST` deep in a JSON value."""
    level = [value]
    for _ in range(DEEPEST + 1):
        level = [
            part
            for parent in level
            if isinstance(parent, dict | list)
            for part in (parent.values() if isinstance(parent, dict) else parent)
        ]
        if not level:
            return False
    return True
