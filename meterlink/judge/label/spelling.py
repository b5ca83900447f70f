"""One spelling for each sign, fraction and order on a label."""

import re
from decimal import Decimal

from meterlink.judge.label.usual_values import is_usual_rated_volts

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
        "\u2109": "°F",
        "\u00d7": "x",
        "\u2300": "Ø",  # the sign of a diameter
        "\u03c6": "Ø",
        "\u03a6": "Ø",
        "&": "+",
        "\u00b7": " . ",  # a point at mid height: a decimal sign, or a worn plus
        "\u2022": " . ",
        "\u2219": " . ",
        # Blocks and squares stand for glyphs that cannot be read, as a question mark does.
        **{chr(code): "?" for code in (*range(0x2580, 0x2600), 0xFFFD)},
        # Full-width forms, as on parts with Chinese or Japanese print: digits, letters and signs.
        **{chr(0xFEE0 + code): chr(code) for code in range(0x21, 0x7F)},
    }
)
# Abbreviations with points: V.A.C., V.AC., A.F.C.
_DOTTED = re.compile(r"(?<![A-Za-z.])(?:[A-Za-z]\.){2,}(?:[A-Za-z](?![A-Za-z0-9]))?|(?<![A-Za-z.])V\.AC\.?")
# Units in other languages, after a number: VCA and VCC are AC and DC volts in Spanish and Portuguese.
_FOREIGN_UNITS = (
    (re.compile(r"(?<=[0-9])(\s*)V\s?CA\b", re.IGNORECASE), r"\1VAC"),
    (re.compile(r"(?<=[0-9])(\s*)V\s?CC\b", re.IGNORECASE), r"\1VDC"),
    (re.compile(r"(?<=[0-9])(\s*)мкФ", re.IGNORECASE), r"\1µF"),
    (re.compile(r"(?<=[0-9])(\s*)В(?![^\W\d_])"), r"\1V"),
    (re.compile(r"(?<=[0-9])(\s*)Гц", re.IGNORECASE), r"\1Hz"),
    # The sign of direct current, IEC 60417-5031; in V = 450 it is an equals sign.
    (re.compile(r"(?<=[0-9])(\s*)(K?V)\s*(?:=|\u2393|\u2394)(?!\s*[0-9])", re.IGNORECASE), r"\1\2DC"),
    # A point that ends a unit: 50uF.440VAC.60Hz.
    (re.compile(r"(MFD|[uµ]F|VAC|V)\.(?=[0-9]{2,3}\s*(?:V|VAC|Hz)(?![A-Za-z]))", re.IGNORECASE), r"\1 "),
)
# Signs in words, as dictated between two numbers: 45 over 5, 7 point 5, 88 through 108, 7 and a half, plus or minus 6.
_SPOKEN_SIGNS = (
    (re.compile(r"\bplus[\s/-]+(?:or[\s/-]+|and[\s/-]+)?minus\b", re.IGNORECASE), "±"),
    (re.compile(r"(?<=[0-9])\s+and\s+(?:a|one)\s+half\b", re.IGNORECASE), ".5"),
    (re.compile(r"(?<=[0-9])\s+(?:point|dot)\s+(?=[0-9])", re.IGNORECASE), "."),
    (re.compile(r"(?<=[0-9])\s+(?:over|slash|stroke)\s+(?=[0-9])", re.IGNORECASE), "/"),
    (re.compile(r"(?<=[0-9])\s+(?:plus|and)\s+(?=[0-9])", re.IGNORECASE), "+"),
    (re.compile(r"(?<=[0-9])\s+(?:dash|through|thru)\s+(?=[0-9])", re.IGNORECASE), "-"),
)
# The unit of a number behind it, with a sign between (V: 450), unless the number has another unit.
_SIGNED_UNIT = r"(?:VAC|V|Hz|[uµ]F|MFD)"
_UNIT_FIRST = re.compile(
    rf"(?<![0-9A-Za-z])(?<![0-9]\s)({_SIGNED_UNIT})\s*[:=]\s*([0-9][0-9./+-]*)(?![0-9./+-]|\s*{_SIGNED_UNIT}\b(?!\s*[:=]))",
    re.IGNORECASE,
)
# Each unit stands before its number, throughout: MFD 30 VAC 370 HZ 60.
_UNIT_AND_NUMBER = r"(?:MFD|[uµ]F|VAC|V|Hz)\s+[0-9][0-9./+-]*"
_UNITS_FIRST = re.compile(
    rf"(?<![0-9A-Za-z]){_UNIT_AND_NUMBER}(?:[\s,;]+{_UNIT_AND_NUMBER})+(?![0-9./+-]|\s*{_SIGNED_UNIT}\b)", re.IGNORECASE
)
_NUMBER_BEHIND = re.compile(r"(MFD|[uµ]F|VAC|V|Hz)\s+([0-9][0-9./+-]*)", re.IGNORECASE)
# Two units in the order of their numbers: 7.5/440 MFD/VAC.
_UNITS_IN_PARALLEL = re.compile(r"([0-9.+]+)\s*/\s*([0-9]{3})\s*(MFD|[uµ]F)\s*/\s*(VAC|V)(?![A-Za-z])", re.IGNORECASE)
_FRACTIONS = {"½": ".5", "¼": ".25", "¾": ".75", "1/2": ".5", "1/4": ".25", "3/4": ".75"}
# 7 1/2 and 7-1/2: a whole number of one or two digits, no horsepower.
_MIXED_FRACTION = re.compile(
    r"(?<![0-9.,])([0-9]{1,2})(?:\s*([½¼¾])(?![0-9])|(?:\s+|-)(1/2|1/4|3/4)(?![0-9./]|\s*(?:HP|HORSE)))", re.IGNORECASE
)


def _as_decimal(mixed: re.Match[str]) -> str:
    return mixed[1] + _FRACTIONS[mixed[2] or mixed[3]]


def _put_units_behind(units_first: re.Match[str]) -> str:
    """Return ``30 MFD 370 VAC`` for ``MFD 30 VAC 370``; the text unchanged where the volts are not usual."""
    text = units_first[0]
    before = units_first.string[: units_first.start()].rstrip()[-1:]
    pairs = _NUMBER_BEHIND.findall(text)
    volts = [number.split("/")[-1] for unit, number in pairs if unit.upper()[0] == "V"]
    suits = all(number.isdigit() and is_usual_rated_volts(Decimal(number)) for number in volts)
    if before.isdigit() or not volts or not suits:
        return text
    return " ".join(f"{number} {unit}" for unit, number in pairs)


def normalize_label(text: str) -> str:
    """Return ``text`` with one spelling of each sign, decimals for mixed fractions, and ``V: 450`` as ``450 V``."""
    alike = re.sub(r"\+\s*/\s*-|\+-", "±", text.translate(_SPELLED_ALIKE))
    alike = _DOTTED.sub(lambda match: match[0].replace(".", ""), alike)
    for foreign, spelled in _FOREIGN_UNITS:
        alike = foreign.sub(spelled, alike)
    alike = re.sub(r"(?<![A-Za-z])(?:pct|percent)\b\.?", "%", alike, flags=re.IGNORECASE)
    alike = re.sub(r"\s-{2,}(?=\s)", " ;", alike)  # a dash as a comma
    for spoken, sign in _SPOKEN_SIGNS:
        alike = spoken.sub(sign, alike)
    alike = re.sub(r"micro[\s-]+farad", "microfarad", alike, flags=re.IGNORECASE)
    alike = _UNITS_IN_PARALLEL.sub(r"\1 \3 / \2 \4", alike)
    alike = _UNITS_FIRST.sub(_put_units_behind, alike)
    alike = _MIXED_FRACTION.sub(_as_decimal, alike)
    while _UNIT_FIRST.search(alike):  # one by one: after the first, the next unit stands behind no number
        alike = _UNIT_FIRST.sub(r"\2 \1 ", alike, count=1)
    return alike
