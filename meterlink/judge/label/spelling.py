"""One spelling for each sign, fraction and order on a label."""

import re

_SPELLED_ALIKE = str.maketrans(
    {
        "\u03bc": "µ",  # Greek mu looks like the micro sign
        "\u2126": "Ω",
        "\u2212": "-",
        "\u2010": "-",
        "\u2011": "-",
        "\u2013": "-",
        "\u2014": "-",
        "\u223c": "~",
        "\u00ba": "°",
        "\u2103": "°C",
        "\u00d7": "x",
        "\u2300": "Ø",  # the sign of a diameter
        "\u03c6": "Ø",
        "\u03a6": "Ø",
        "&": "+",
        "％": "%",
    }
)
# The unit of a number behind it, with a sign between (V: 450), unless the number has another unit.
_SIGNED_UNIT = r"(?:VAC|V|Hz|[uµ]F|MFD)"
_UNIT_FIRST = re.compile(
    rf"(?<![0-9A-Za-z])(?<![0-9]\s)({_SIGNED_UNIT})\s*[:=]\s*([0-9][0-9./+-]*)(?![0-9./+-]|\s*{_SIGNED_UNIT}(?!\s*[:=]))",
    re.IGNORECASE,
)
_FRACTIONS = {"½": ".5", "¼": ".25", "¾": ".75", "1/2": ".5", "1/4": ".25", "3/4": ".75"}
# 7 1/2 and 7-1/2: a whole number of one or two digits, no horsepower.
_MIXED_FRACTION = re.compile(
    r"(?<![0-9.])([0-9]{1,2})(?:\s*([½¼¾])|(?:\s+|-)(1/2|1/4|3/4)(?![0-9./]|\s*HP))", re.IGNORECASE
)


def normalize_label(text: str) -> str:
    """Return ``text`` with one spelling of each sign, decimals for mixed fractions, and ``V: 450`` as ``450 V``."""
    alike = re.sub(r"\+\s*/\s*-|\+-", "±", text.translate(_SPELLED_ALIKE))
    alike = re.sub(r"(?<![A-Za-z])(?:pct|percent)\b\.?", "%", alike, flags=re.IGNORECASE)
    alike = re.sub(r"micro[\s-]+farad", "microfarad", alike, flags=re.IGNORECASE)
    alike = _MIXED_FRACTION.sub(lambda match: match[1] + _FRACTIONS[match[2] or match[3]], alike)
    while _UNIT_FIRST.search(alike):  # one by one: after the first, the next unit stands behind no number
        alike = _UNIT_FIRST.sub(r"\2 \1 ", alike, count=1)
    return alike
