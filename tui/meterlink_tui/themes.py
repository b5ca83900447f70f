"""A dark and a light theme.

``good`` is a blue-green and ``bad`` an orange-red: people with a common colour-vision deficiency can tell them apart.
A word and a shape repeat each colour's meaning. Every text colour has at least 7:1 against its background (WCAG 2.2,
1.4.6), the outlines have 3:1 (1.4.11); a test computes both.
"""

from textual.theme import Theme

DARK = Theme(
    name="meterlink-dark",
    primary="#9fd0ff",
    foreground="#f4f6f7",
    background="#0b0f12",
    surface="#0b0f12",
    panel="#1b2329",
    warning="#ffd447",
    error="#ff9a73",
    success="#5fe3c4",
    accent="#9fd0ff",
    dark=True,
    variables={
        "good": "#5fe3c4",
        "bad": "#ff9a73",
        "warn": "#ffd447",
        "faint": "#aab6be",
        "line": "#6e7f8a",
        "on-strong": "#0b0f12",
        "strong": "#f4f6f7",
        "hint": "#9fd0ff",
    },
)
LIGHT = Theme(
    name="meterlink-light",
    primary="#0a3d75",
    foreground="#0b0f12",
    background="#fbfbf8",
    surface="#fbfbf8",
    panel="#e6e8e4",
    warning="#5c4200",
    error="#8a1f00",
    success="#00493c",
    accent="#0a3d75",
    dark=False,
    variables={
        "good": "#00493c",
        "bad": "#8a1f00",
        "warn": "#5c4200",
        "faint": "#3c464c",
        "line": "#6a757b",
        "on-strong": "#fbfbf8",
        "strong": "#0b0f12",
        "hint": "#0a3d75",
    },
)
