"""Markings on capacitors, drawn at random from the things that ordinary cans carry, each with its right readings.

Written from a list of those things (common practice, no source), not from the reader: it imports nothing of it. The
numbers are drawn first, then their spelling, then the rest of the can. No maker's name, no model's name.
"""

from dataclasses import dataclass
from decimal import Decimal
from random import Random

from studies.labels.markings import Marking, RightReading

RUN_VALUES = ("2", "2.5", "3", "4", "5", "6", "7.5", "10", "12.5", "15", "17.5", "20", "25", "30", "35", "40", "45",
              "50", "55", "60", "70", "80")  # fmt: skip
HERM_VALUES = ("20", "25", "30", "35", "40", "45", "50", "55", "60", "70", "80")
FAN_VALUES = ("3", "4", "5", "6", "7.5", "10")
START_RANGES = (
    ("21", "25"), ("30", "36"), ("43", "53"), ("53", "64"), ("72", "88"), ("88", "108"), ("108", "130"),
    ("130", "156"), ("145", "174"), ("161", "193"), ("189", "227"), ("216", "259"), ("233", "280"), ("270", "324"),
    ("340", "408"), ("378", "440"), ("460", "552"), ("590", "708"), ("815", "970"),
)  # fmt: skip
MICROFARAD = ("MFD", " MFD", " µF", "µF", " uF", "uF", " mfd", " M.F.D.", " UF", " MICROFARAD")
PLUS_MINUS = ("±", "+/-", "+-", "± ", "+/- ")


@dataclass(slots=True)
class _Part:
    """The numbers of a part, before they are spelled; ``sections`` or ``span`` in µF."""

    sections: tuple[str, ...] = ()
    span: tuple[str, str] | None = None
    tolerance: tuple[str, str] | None = None
    volts: int | None = None

    def reading(self) -> RightReading:
        return RightReading(
            tuple(Decimal(value) for value in self.sections),
            None if self.span is None else (Decimal(self.span[0]), Decimal(self.span[1])),
            None if self.tolerance is None else (Decimal(self.tolerance[0]), Decimal(self.tolerance[1])),
            None if self.volts is None else Decimal(self.volts),
        )


def draw_marking(random: Random) -> Marking:
    """Return a marking: three of five have one reading, the others have several or carry a number unexplained."""
    return _draw_clear(random) if random.random() < 0.6 else random.choice(_UNCLEAR)(random)


# --- spelling ---------------------------------------------------------------------------------------------------------


def _number(random: Random, value: str) -> str:
    """Spell a value; half values also as mixed fractions and with a decimal comma."""
    if not value.endswith(".5"):
        return value
    whole = value.removesuffix(".5")
    return random.choice([value, value, value, f"{whole} 1/2", f"{whole}-1/2", f"{whole}½", f"{whole},5"])


def _capacitance(random: Random, part: _Part) -> str:
    unit = random.choice(MICROFARAD)
    if part.span is not None:
        return random.choice(["{}-{}", "{} - {}", "{} to {}", "{}–{}"]).format(*part.span) + unit  # as printed
    if len(part.sections) == 1:
        return _number(random, part.sections[0]) + unit
    herm, fan = part.sections
    if random.random() < 0.15:
        named = [f"HERM {herm}{unit}", f"FAN {_number(random, fan)}{unit}"]
        return " ".join(named if random.random() < 0.7 else reversed(named))
    # A slash before a mixed fraction stands between two numbers as well as inside one: cans put a plus there.
    spelled = _number(random, fan)
    separator = "+" if "/" in spelled else random.choice(["/", "+", " + ", " / "])
    return f"{herm}{separator}{spelled}{unit}"


def _volts(random: Random, part: _Part) -> str:
    assert part.volts is not None
    unit = random.choice(["V", " V", "VAC", " VAC", " V.A.C.", "V~", " V~", " VOLTS AC", "V AC", " volts"])
    if part.volts == 440 and random.random() < 0.4:
        return random.choice(["370/440", "440/370", "370 / 440"]) + unit
    if part.volts in {125, 250} and part.span is not None and random.random() < 0.5:
        return {125: "110-125", 250: "220-250"}[part.volts] + unit
    if part.volts >= 370 and random.random() < 0.15:
        return f"{part.volts} VAC / {random.choice(['1000', '1200', '630'])} VDC"
    return f"{part.volts}{unit}"


def _tolerance(random: Random, tolerance: tuple[str, str]) -> str:
    minus, plus = tolerance
    if minus != plus:
        return random.choice([f"-{minus}/+{plus} %", f"-{minus} +{plus}%", f"+{plus}/-{minus}%", f"-{minus}%+{plus}%"])
    spelled = f"{random.choice(PLUS_MINUS)}{plus}{random.choice(['%', ' %'])}"
    return random.choice([spelled, spelled, spelled, f"{plus}%", f"TOL {spelled}", f"({spelled})"])


# --- the rest of the can ----------------------------------------------------------------------------------------------


def _fault_current(random: Random) -> str:
    amperes = random.choice(["10,000", "10000", "10 000", "5000", "5,000"])
    return random.choice([f"{amperes} AFC", f"{amperes}AFC", f"AFC {amperes}", f"{amperes} A FAULT CURRENT", "10K AFC"])


def _protection(random: Random) -> str:
    return random.choice(["P0", "P1", "P2", "S0", "S1", "S2", "S3", "CLASS P2", "PROTECTED", "PROTECTION P2"])


def _temperatures(random: Random) -> str:
    low, high = random.choice(["25", "40"]), random.choice(["65", "70", "85"])
    return random.choice(
        [f"-{low}/+{high} °C", f"-{low}°C TO +{high}°C", f"-{low}...+{high}°C", f"-{low}/{high}C",
         f"-{low} to {high} °C", f"{low}/{high}/21", f"{low}/0{high}/21", f"MAX {high}°C", f"{high}°C",
         f"TEMP -{low}/+{high}C"]
    )  # fmt: skip


def _standard(random: Random) -> str:
    return random.choice(
        ["IEC 60252-1", "IEC60252-1", "EN 60252-1", "EN 60252-1:2011", "IEC 252", "UL 810", "UL810", "EIA-456-A",
         "CSA C22.2 NO. 190", "CSA C22.2 No.190", "VDE 0560-8", "VDE 0560", "GB/T 3667.1", "IS 2993",
         "IEC 60252-1:2013"]
    )  # fmt: skip


def _life(random: Random) -> str:
    hours = random.choice(["1000", "3000", "10000", "30000", "10,000", "60000"])
    letter = random.choice("ABCD")
    return random.choice(
        [f"{hours} h", f"{hours} HRS", f"CLASS {letter}", f"CLASS {letter} {hours}h", f"LIFE {hours} H"]
    )


def _terminals(random: Random) -> str:
    return random.choice(["C HERM FAN", "C-HERM-FAN", "HERM C FAN", "C H F", "HERM FAN COM", "(C) (HERM) (FAN)"])


def _date(random: Random) -> str:
    month, year = random.randint(1, 12), random.randint(2009, 2026)
    spelled = random.choice(
        [f"{month:02}/{year % 100:02}", f"{month:02}/{year}", f"{year}-{month:02}-15", f"{month:02}{year % 100:02}",
         f"{month:02}-{year}", f"{month:02}/15/{year}"]
    )  # fmt: skip
    return f"{random.choice(['DATE', 'DATE CODE', 'MFG DATE', 'MADE', 'DATE:', 'MFG.'])} {spelled}"


def _part_number(random: Random) -> str:
    number = random.choice(
        [f"{random.randint(10, 99)}-{random.randint(10000, 99999)}-{random.randint(10, 99):02}",
         f"{random.randint(1000, 9999)}-{random.choice('ABX')}{random.randint(1, 99)}",
         f"{random.choice(['HX', 'QA', 'ZB'])}{random.randint(1000, 9999)}{random.choice('ABC')}",
         f"{random.randint(100000, 999999)}"]
    )  # fmt: skip
    return (
        f"{random.choice(['P/N', 'PN', 'PART NO.', 'PART NO', 'S/N', 'LOT', 'SERIAL NO.', 'LOT NO.', 'P/N:'])} {number}"
    )


def _size(random: Random) -> str:
    return random.choice(["2.5 x 4.75 IN", "Ø45x95 mm", "Ø50 x 105 mm", "45 x 95 mm", '2" x 3.5"'])


def _words(random: Random) -> str:
    return random.choice(
        ["RUN CAPACITOR", "MOTOR RUN", "NO PCB", "NO PCB'S", "OVAL", "ROUND", "DISCHARGE BEFORE HANDLING", "SH",
         "CBB65", "CBB60", "CBB65A-1", "UL", "CSA", "CE", "DUAL"]
    )  # fmt: skip


def _motor(random: Random) -> str:
    return random.choice(
        ["1/2 HP", "3/4HP", "1 1/2 HP", "1-1/2 HP", "HP 1/3", "HP: 1 1/2", "5 HP", "1 PH", "3PH", "1-PHASE", "1075 RPM",
         "RPM 1075", "1/4 HP 1075/825 RPM 3 SPEED", "1 1/2 HP 1 PH 3450 RPM", "1.5 KW", "FRAME 48Y", "S.F. 1.15"]
    )  # fmt: skip


_FREQUENCIES = ("60 Hz", "50/60 Hz", "50/60HZ", "50 Hz", "60 CYCLES", "60HZ")
_EXTRAS = (_fault_current, _protection, _temperatures, _standard, _life, _date, _part_number, _size, _words, _motor)


# --- one reading ------------------------------------------------------------------------------------------------------


def _draw_run(random: Random) -> _Part:
    sections = (
        (random.choice(HERM_VALUES), random.choice(FAN_VALUES))
        if random.random() < 0.6
        else (random.choice(RUN_VALUES),)
    )
    tolerance = random.choice([None, None, ("5", "5"), ("6", "6"), ("6", "6"), ("10", "10"), ("5", "10")])
    return _Part(sections, None, tolerance, random.choice([370, 440, 440, 400, 450]))


def _draw_start(random: Random) -> _Part:
    return _Part((), random.choice(START_RANGES), None, random.choice([125, 165, 250, 330]))


def _spell(random: Random, part: _Part) -> list[str]:
    """Return the pieces of a can in their order; the capacitance is the first or the second."""
    pieces = [_capacitance(random, part)]
    if part.tolerance is not None:
        pieces.append(_tolerance(random, part.tolerance))
    if part.volts is not None:
        position = 0 if random.random() < 0.15 else random.randint(1, len(pieces))
        pieces.insert(position, _volts(random, part))
    if random.random() < 0.5:
        pieces.append(random.choice(_FREQUENCIES))
    if len(part.sections) == 2 and random.random() < 0.5 and "HERM" not in pieces[0]:
        pieces.insert(random.choice([0, len(pieces)]), _terminals(random))
    if part.span is not None and random.random() < 0.3:
        pieces.append(random.choice(["15K OHM 2W", "15K OHM", "15 KΩ 2 W", "BLEEDER 15000 OHM"]))
    return pieces


def _draw_clear(random: Random) -> Marking:
    part = _draw_run(random) if random.random() < 0.75 else _draw_start(random)
    pieces = _spell(random, part)
    for extra in random.sample(_EXTRAS, random.randint(0, 4)):
        piece = extra(random)
        if part.span is None or "RUN" not in piece:
            pieces.insert(random.choice([0, len(pieces), len(pieces)]), piece)
    separator = random.choice([" ", " ", " ", ", ", "  "])
    return Marking(separator.join(pieces), (part.reading(),), is_clear=True)


# --- several readings, or a number that nothing explains --------------------------------------------------------------


def _with_a_stray_number(random: Random) -> Marking:
    """A date code, a stamp, a lot: four or five digits that stand alone."""
    part = _draw_run(random)
    stray = random.choice(
        [f"{random.randint(1, 52):02}{random.randint(9, 26):02}", f"{random.randint(2009, 2026)}",
         f"{random.randint(1000, 9999)}", f"{random.randint(10000, 99999)}", "10,000", f"0{random.randint(100, 999)}"]
    )  # fmt: skip
    pieces = _spell(random, part)
    pieces.insert(random.choice([0, len(pieces)]), stray)
    return Marking(" ".join(pieces), (part.reading(),), is_clear=False)


def _with_a_code(random: Random) -> Marking:
    part = _draw_run(random)
    code = random.choice(
        [f"A{random.randint(100, 9999)}", f"{random.choice(['GT', 'XR', 'QX'])}-{random.randint(100, 9999)}-B",
         f"{random.randint(10, 52)}W{random.randint(10, 26)}", f"E{random.randint(100000, 999999)}",
         f"X{random.randint(10, 99)}Y"]
    )  # fmt: skip
    pieces = _spell(random, part)
    pieces.insert(random.choice([0, len(pieces)]), code)
    return Marking(" ".join(pieces), (part.reading(),), is_clear=False)


def _with_glued_letters(random: Random) -> Marking:
    part = _Part(
        (random.choice(HERM_VALUES), random.choice(("3", "4", "5", "6", "10"))), None, None, random.choice([370, 440])
    )
    glued = (
        f"{random.choice(['QX', 'B', 'KT', 'X', 'TR'])}{'/'.join(part.sections)}{random.choice([' MFD', ' uF', 'MFD'])}"
    )
    return Marking(f"{glued} {part.volts}V", (part.reading(),), is_clear=False)


def _without_separator(random: Random) -> Marking:
    part = _Part(
        (random.choice(HERM_VALUES), random.choice(("3", "4", "5", "6", "10"))), None, None, random.choice([370, 440])
    )
    return Marking(f"{' '.join(part.sections)} MFD {part.volts} VAC", (part.reading(),), is_clear=False)


def _without_unit(random: Random) -> Marking:
    part = _Part((random.choice(HERM_VALUES), random.choice(("5", "10"))), None, None, random.choice([370, 440]))
    herm, fan = part.sections
    text = random.choice([f"{herm} {fan} {part.volts}V", f"{herm}/{fan} {part.volts}V", f"{herm}+{fan} {part.volts}"])
    return Marking(text, (part.reading(),), is_clear=False)


def _run_or_start(random: Random) -> Marking:
    part = _Part((), random.choice(START_RANGES), None, random.choice([370, 440]))
    pieces = _spell(random, part)
    return Marking(" ".join(pieces), (part.reading(),), is_clear=False)


def _with_an_unusual_range(random: Random) -> Marking:
    """A range as start capacitors have it, a fifth above its beginning, of values that few parts have."""
    low = random.choice([random.randint(12, 20), random.randint(1200, 2500)])
    part = _Part((), (str(low), str(low * 6 // 5 + random.randint(1, 40 if low > 1000 else 1))), None, 330)
    return Marking(" ".join(_spell(random, part)), (part.reading(),), is_clear=False)


def _with_a_loose_letter(random: Random) -> Marking:
    letter, percent = random.choice([("J", "5"), ("K", "10")])
    plain = _Part((random.choice(RUN_VALUES),), None, None, random.choice([370, 440]))
    marked = _Part(plain.sections, None, (percent, percent), plain.volts)
    text = f"{letter} {plain.sections[0]} µF {plain.volts} VAC"
    return Marking(text, (marked.reading(), plain.reading()), is_clear=False)


def _with_percent_missing(random: Random) -> Marking:
    percent = random.choice(["5", "6", "10"])
    plain = _Part((random.choice(HERM_VALUES),), None, None, random.choice([370, 440]))
    marked = _Part(plain.sections, None, (percent, percent), plain.volts)
    text = f"{plain.sections[0]} MFD {plain.volts} VAC {percent}"
    return Marking(text, (marked.reading(), plain.reading()), is_clear=False)


def _with_two_tolerances(random: Random) -> Marking:
    first, second = random.sample(["5", "6", "10"], 2)
    value, volts = random.choice(HERM_VALUES), random.choice([370, 440])
    readings = tuple(_Part((value,), None, (percent, percent), volts).reading() for percent in (first, second))
    return Marking(f"{value} MFD ±{first}% {volts} VAC ±{second}%", readings, is_clear=False)


def _with_two_classes(random: Random) -> Marking:
    value = random.choice(RUN_VALUES)
    low, high = random.choice([(400, 450), (450, 500), (400, 420)])
    readings = tuple(_Part((value,), None, None, volts).reading() for volts in (low, high))
    return Marking(f"{value} µF CLASS B {low} V CLASS C {high} V", readings, is_clear=False)


def _with_a_comma(random: Random) -> Marking:
    part = _Part(
        (random.choice(HERM_VALUES), random.choice(("4", "5", "6", "10"))), None, None, random.choice([370, 440])
    )
    return Marking(f"{','.join(part.sections)} MFD {part.volts} VAC", (part.reading(),), is_clear=False)


_UNCLEAR = (
    _with_a_stray_number, _with_a_stray_number, _with_a_stray_number, _with_a_code, _with_a_code,
    _with_glued_letters, _with_glued_letters, _without_separator, _without_unit, _run_or_start, _run_or_start,
    _with_an_unusual_range, _with_a_loose_letter, _with_percent_missing, _with_two_tolerances, _with_two_classes,
    _with_a_comma,
)  # fmt: skip
