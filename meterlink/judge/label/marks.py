"""Marks on a can that have numbers in them and say nothing about its rating: dates, standards, temperatures, sizes.

Each pattern needs its own word, unit or form: digits alone are never taken for a mark. All from common practice, no
source, but for the standards' own: IEC 60252-1 (protection classes, life classes), IEC 60068-1 (climatic categories),
UL 810 (fault current), GB/T 2470 (CBB, CD); all from memory.
"""

import re

# Four digits or more, which no capacitance of these parts has. With a space only whole thousands: 10 000, not 10 590.
_LARGE = r"(?:[0-9]{1,3}[,.][0-9]{3}|[0-9]{1,3} 000|[0-9]{4,6})"
_DEGREES = r"(?:°\s*[CF]?|DEG\.?\s*[CF]?)"
_TO = r"\s*(?:/|TO|\.\.+|…|~)\s*"
_MONTH = r"(?:JAN|FEB|MAR|APR|MAY|JUN|JUL|AUG|SEP|OCT|NOV|DEC)[A-Z]*\.?"
_YEAR = r"(?:19[89]|20[0-4])[0-9]"
_LENGTH = r"(?:MM|CM|INCH(?:ES)?|IN\.?|\")"
_DECIMAL = r"[0-9]+(?:[.,][0-9]+)?"
# Inches in halves to sixty-fourths: 2 1/8, 7/16.
_INCHES = r"(?:[0-9]{1,2}[\s-]+)?[0-9]{1,2}/(?:2|4|8|16|32|64)"
_HP = r"(?:HP|HORSE\s?POWER)"
# Whole horsepower and a fraction. With a space it may be a section of 5 µF before 1/2 HP, unless volts stand before it:
# no section is 1 µF. With a dash it is one of the usual motors, 1-1/2, 2-1/2 and 7-1/2 HP (common practice, no source).
_MIXED_HORSEPOWER = (
    r"(?<![0-9./+-])(?:1\s+|[127]-|(?:(?<=V\s)|(?<=V,\s)|(?<=VAC\s)|(?<=VAC,\s)|(?<=HZ\s)|(?<=HZ,\s))1?[0-9]\s+)"
    r"(?:1/[2-4]|3/4)"
)
# Of a motor: 1075/825, 1075/3; but 370/1075 are volts and a speed.
_SPEEDS = r"(?![1-4][0-9][05]\s?/)[0-9]{3,4}(?:\s?/\s?(?:[0-9]{3,4}|[2-5]))*"

_PATTERNS = {
    "protection class": r"[PS][0-3]\b",
    "fault current": rf"(?:{_LARGE}|[0-9]{{1,2}}\s?K)\s*(?:A(?:MPS?)?\s*)?(?:A?FC|FAULT\s+CURRENT)\b"
    rf"|(?:AFC|FAULT\s+CURRENT)\W{{0,2}}(?:{_LARGE}|[0-9]{{1,2}}\s?K)\b(?:\s*A(?:MPS?)?\b)?",
    "climatic category": r"(?<![0-9])-?(?:10|25|40|55)/0?[0-9]{2,3}/(?:04|10|21|56)\b(?:/[A-D]\b)?",
    "temperatures": rf"(?:TEMP(?:ERATURE)?S?\W{{0,2}})?(?<![0-9])(?:[+-]?[0-9]{{1,3}}\s*(?:{_DEGREES}|[CF])?(?:{_TO}|-)"
    rf"[+-]?[0-9]{{1,3}}\s*{_DEGREES}|[+-][0-9]{{1,3}}\s*[CF]?{_TO}[+-]?[0-9]{{1,3}}\s*[CF]\b)",
    # Without degrees only the limits that are usual on cans.
    "usual temperatures": rf"(?<![0-9])-\s?(?:10|20|25|30|40|55){_TO}\+?(?:55|60|65|70|75|80|85|90|100|105)\b"
    # Alone only those that are no usual section at a terminal C.
    r"|(?<![0-9])(?:85|90|100|105)C\b",
    "temperature": rf"[+-]?[0-9]{{1,3}}\s*{_DEGREES}|(?:TEMP(?:ERATURE)?|T\.?\s?MAX|AMBIENT)\W{{0,2}}(?:MAX\W{{0,2}})?"
    rf"[0-9]{{2,3}}\s*(?:{_DEGREES}|[CF]\b)?|MAX\W{{0,2}}[0-9]{{2,3}}\s*{_DEGREES}",
    "standard": r"(?:IEC|EN|BS|DIN|VDE|UL|CSA|EIA|IS|GB(?:/T)?|JIS|NEMA|ANSI|ISO|AS|NF)(?:[\s/-]+(?:EN|IEC|STD\.?|C))?"
    r"[\s-]*(?:[0-9]{4,5}|810|456|463|252)(?:[-.][0-9]{1,2}\b|-[A-Z]\b)*(?:[:-](?:19|20)[0-9]{2})?"
    r"(?:\s?[+/]\s?A[0-9]{1,2}(?::(?:19|20)[0-9]{2})?)*",
    "Canadian standard": r"(?:CAN/)?(?:CSA[\s-]*)?C22\.2\s*(?:NO\.?|#)?\s*[0-9]{1,3}(?:\.[0-9]+)?\b",
    "flammability": r"(?:UL\s?)?94\s?-?\s?V-?[0-2]\b",
    "directive": r"20[0-9]{2}/[0-9]{1,3}/E[UC]\b",
    "patent": r"PAT(?:ENT)?S?\b[\s.:#]*(?:NOS?\b[\s.:#]*)?[0-9][0-9,]{5,}",
    "life": rf"{_LARGE}\s*(?:H(?:OU)?R?S?|STD|STUNDEN|HEURES|HORAS|ORE)\b\.?",
    "life class": r"(?:CLASS|CLASSE?|CLASE|CL\.?|KLASSE|KL\.?)\s*[A-D]\b",
    "date": rf"(?:(?:(?:MFG|PROD)\.?\s*)?DATE(?:\s*CODE)?|MFG|MADE(?:\s+IN(?:\s+[A-Z]{{2,}}){{0,2}})?|MANUFACTURED|D/C|"
    rf"WEEK|WK)[\s.:#]*"
    rf"(?:[0-9]{{4}}-[0-9]{{2}}-[0-9]{{2}}|[0-9]{{1,2}}[/.-][0-9]{{1,2}}[/.-][0-9]{{2,4}}|[0-9]{{1,2}}[/.-](?:{_YEAR}|"
    rf"[0-9]{{2}})|{_YEAR}[/-][0-9]{{1,2}}|[0-9]{{2}}\s?W\s?[0-9]{{2}}|[0-9]{{1,2}}\s+{_YEAR}|[0-9]{{8}}|[0-9]{{6}}|"
    rf"[0-9]{{4}}|{_MONTH}\s*[0-9]{{2,4}}|[0-3]?[0-9][\s-]{_MONTH}[\s-]?[0-9]{{2,4}})\b",
    # Without a word before it a date needs its year in full.
    "full date": rf"{_YEAR}-[01][0-9]-[0-3][0-9]\b|[0-3]?[0-9][/.-][0-3]?[0-9][/.-]{_YEAR}\b|"
    rf"(?:0?[1-9]|1[0-2])[/-]{_YEAR}\b|(?:[0-3]?[0-9][\s-])?{_MONTH}[\s-]*{_YEAR}\b",
    "article number": r"UPC\W{0,2}[0-9](?:[\s-]?[0-9]){11}(?![0-9])|(?:EAN|GTIN)\W{0,2}[0-9]{8,14}\b",
    "part number": r"(?:P/?N|PART|SKU|STOCK|CAT(?:ALOG)?|S/?N|SERIAL|LOT|BATCH|MODEL|REF|ITEM|DWG|FILE)\b[\s.:#]*"
    r"(?:(?:NO|NUMBER|NR|CODE)\b[\s.:#]*)?(?=[A-Z./-]*[0-9])[A-Z0-9][A-Z0-9./-]{2,}[A-Z0-9]\b",
    "dielectric": r"C(?:BB|D)[0-9]{2}[A-Z]?(?:-[0-9][A-Z]?)?\b",
    "size": rf"{_INCHES}\s*{_LENGTH}(?:\s*X\s*(?:{_INCHES}|{_DECIMAL})\s*{_LENGTH})?(?![A-Z])"
    rf"|{_DECIMAL}\s*{_LENGTH}\s*X\s*{_INCHES}\s*{_LENGTH}|Ø\s*{_DECIMAL}(?:\s*X\s*{_DECIMAL})?\s*{_LENGTH}?|{_DECIMAL}\s*{_LENGTH}?\s*X\s*{_DECIMAL}\s*{_LENGTH}"
    rf"|(?:[0-9]+/)?{_DECIMAL}\s*{_LENGTH}(?![A-Z])",
    "weight": rf"{_DECIMAL}\s*(?:KG|OZ|LBS?)\b",
    "bolt": rf"M(?:6|8|10|12)\b(?:\s*X\s*{_DECIMAL}\b)?",
    "duty": rf"{_DECIMAL}\s*%\s*(?:ED|DUTY|RH)\b|{_DECIMAL}\s*(?:(?:MIN|SEC)(?:UTES?|ONDS?|S)?|HRS?|HOURS?)\b\.?",
    # A test of seconds at DC or at more than 1000 V rates nothing.
    "test": rf"TEST(?:ED)?\W{{0,2}}(?:AT\s+)?"
    rf"(?:[0-9]{{3,4}}\s*VDC|[1-9][0-9]{{3}}\s*V(?:AC)?|{_DECIMAL}\s*KV(?:AC|DC)?)\b"
    r"(?:\W{1,2}[0-9]{1,2}\s*S(?:EC)?\b\.?)?",
    "resistor": rf"(?:BLEED(?:ER)?|RESISTOR)\W{{0,2}}(?:RESISTOR\W{{0,2}})?{_DECIMAL}\s*K\b"
    rf"(?:\s*OHMS?\b)?(?:\W{{0,2}}{_DECIMAL}\s*W(?:ATTS?)?\b)?|"
    rf"{_DECIMAL}\s*[KM]?\s*(?:OHMS?\b|Ω)(?:\W{{0,2}}{_DECIMAL}\s*W(?:ATTS?)?\b)?",
    "resistor of": rf"{_DECIMAL}\s*K(?:\W{{0,2}}{_DECIMAL}\s*W)?\W{{0,2}}(?:BLEEDER\W{{0,2}})?RESISTOR\b",
    "horsepower": rf"(?:[0-9]+/[0-9]+|{_DECIMAL}|{_MIXED_HORSEPOWER})\s*{_HP}\b"
    # Before a terminal's name a number may be the section's: HP 5 FAN.
    rf"|HP\W{{0,2}}(?:(?:[1-3]/[2-9]|1\.(?:25|5|75))(?![0-9A-Z]|\s*/)"
    rf"|(?:[0-9]+/[0-9]+|{_DECIMAL})(?![A-Z]|\s*/|\s*(?:HERM|FAN|COMP|[HF]\b)))",
    "speed": rf"{_SPEEDS}\s*(?:RPM|R/MIN|/\s*MIN)\b|RPM\W{{0,2}}{_SPEEDS}\b|[2-5][\s-]?(?:SPEEDS?|SPD)\b",
    "phases": r"[13][\s-]?PH(?:ASES?)?\b|PH(?:ASES?)?\W{0,2}[13](?![A-Z./+-])\b|[13]Ø(?![0-9])|[13]\sØ(?!\s*[0-9])",
    # Frames of small motors, NEMA MG 1, from memory.
    "frame": r"FR(?:AME)?\b\W{0,2}(?:42|48|56|66|14[35]|18[24]|21[35])[A-Z]{0,3}\b",
    "motor": rf"{_DECIMAL}\s*(?:KVAR|KW|WATTS?)\b|(?<![0-9])[0-9]{{1,2}}\s*K?VA\b"
    r"|(?:SF|SERVICE\s+FACTOR)\W{0,2}1\.[0-9]{1,2}\b|1\.[0-9]{1,2}\s*SERVICE\s+FACTOR\b"
    rf"|(?:FLA|RLA|LRA|SFA|MCA|AMPS?)\W{{0,2}}{_DECIMAL}(?:\s*A(?:MPS?)?)?\b",
    "capacity": rf"{_DECIMAL}\s*(?:TONS?|BTUH?|SEER2?)\b",
    "price": rf"(?:US)?[$€£]\s*{_DECIMAL}|[0-9]+[.,][0-9]{{2}}\s*(?:[$€£]|(?:USD|EUR|CAD|DOLLARS?)\b)",
    "quantity": r"(?:QTY|QUANTITY)\b[\s.:#=x]*[0-9]{1,4}\b|(?:PK|PACK|BOX|CASE)\s*(?:OF|/)\s*[0-9]{1,3}\b"
    r"|[0-9]{1,3}\s*X(?=\s+[A-Z])|[0-9]{1,4}\s*(?:EA|EACH|PCS?|UNITS?|BOX(?:ES)?|PKS?|PACKS?)\b",
    "place in a list": r"(?:P\.?O|ORDER|INVOICE|INV|W/?O|JOB|BIN|SHELF|LINE|ROW|ITEM|POS|VAN|TRUCK)\b[\s.:#]*"
    r"(?:(?:NO|NUMBER)\b[\s.:#]*)?(?=[A-Z-]{0,4}[0-9])[A-Z0-9][A-Z0-9-]*\b",
    "count": r"[0-9]{1,2}[\s-]*(?:WIRES?|TERMINALS?|LEADS?|TABS?|PINS?|POLES?|POSTS?|YEARS?|PCS|PIECES|COATS?)\b"
    r"|[1-4]P\b",
    "enclosure": r"IP\s?[0-9]{2}\b",
}
_MARKS = {name: re.compile(pattern, re.IGNORECASE) for name, pattern in _PATTERNS.items()}

# A mark that ends in a digit is none if the number goes on, or is a value: "REF 45/5 MFD".
_VALUE_FOLLOWS = re.compile(
    r"[.,]?[0-9]|\s*[+±]\s*[0-9]|/(?![0-9]{4}|[0-9]{1,2},000)[0-9]|\s*(?:%|Hz|[uµnp]F|M\.?F\.?D|MF\b|MICRO|V\b|V\.|VAC|VDC|VOLT|KV)",
    re.IGNORECASE,
)
# No mark begins with a value and its unit; looked for first, as most tokens are such.
_VALUE = re.compile(r"(?:[0-9.]+\s?)?(?:MFD|[uµ]F|VAC|V|Hz)(?![A-Z0-9-])|(?:HERM|FAN)\b|[/+]", re.IGNORECASE)
_VALUE_INSIDE = re.compile(r"[0-9](?:[uµ]F|MFD|MF|V|VAC|VDC|Hz)(?![A-Z])", re.IGNORECASE)
_INSIDE_CHAIN = re.compile(r"(?<![PSps])[0-9]\s*[/+-]\s*\Z")  # 45/5 TERMINALS: the 5 is a section; but P2/10000 AFC


def match_mark(text: str, at: int) -> str | None:
    """Return the mark that begins at ``at``, None if no known one does."""
    if text[at].isdigit() and _INSIDE_CHAIN.search(text[max(at - 8, 0) : at]):
        return None
    if _VALUE.match(text, at):
        return None
    for name, pattern in _MARKS.items():
        match = pattern.match(text, at)
        if match is None or (name == "part number" and _VALUE_INSIDE.search(match[0])):
            continue
        if not (match[0][-1].isdigit() and _VALUE_FOLLOWS.match(text, match.end())):
            return match[0]
    return None
