"""One valid call of each subcommand of ``meterlink judge``, and the files that the calls read."""

from pathlib import Path

from support.point_texts import HERM_POINT

SETTINGS = """
[[meter]]
address = "00:00:5E:00:53:0A"
name = "clamp meter"
[[meter.accuracy]]
quantity = "capacitance"
line = "1 % + 2 digits"
"""
STOCK = '[[part]]\nrating = "45 uF 440 V"\ncount = 2\nnote = "left bin"\n'
VISITS = "date,value,unit,meter\n2025-05-01,45.0,uF,one\n2025-06-01,44.6,uF,one\n"
CASE = f"""{HERM_POINT}
readings = ["4.50 uF", {{ display = "44.8 uF", meter = "second", minutes = 6, accuracy = "2 % + 5 digits" }}]
"""
FILES = {"settings.toml": SETTINGS, "truck.toml": STOCK, "visits.csv": VISITS, "case.toml": CASE}

_RULE_OPTIONS = [
    "--accuracy=1 % + 2 digits",
    "--rule=guarded-acceptance",
    "--guard-factor=1",
    "--ambient-temperature=35C",
]
ELECTRICAL_CALLS = {
    "under-load": ["--amps=6.28A", "--volts=370V", "--frequency=60Hz", "--rated=45uF"],
    "combine": ["40uF", "5uF"],
    "heater": ["--rated=5 kW 240 V", "--volts=238V", "--reading=20.8A", "--accuracy=2 % + 3 digits"],
    "discharge": ["--capacitor=45uF", "--volts=370V", "--resistor=20k"],
    "windings": ["1-2=4.0ohm", "2-3=1.0ohm", "1-3=5.0ohm"],
    "insulation": ["--reading=20Mohm"],
    "winding-temperature": ["--cold=1.50ohm", "--cold-at=20C", "--hot=1.80ohm", "--ambient=25C"],
    "reference-resistance": ["--reading=10.0ohm", "--at=25C"],
    "unbalance": ["460.0V", "467.0V", "450.0V"],
    "amps": ["--rla=14.1A", "--mca=18A", "--reading=12.40A"],
    "supply": ["--nameplate=208/230", "--reading=231.0V"],
    "control": ["--reading=25.0V"],
    "contactor": ["--coil=24V", "--at=pick-up", "--reading=19.0V"],
    "contacts": ["--reading=0.05V", "--amps=20A"],
    "split": ["--return=75.0F", "--supply=57.0F"],
}
CALLS = ELECTRICAL_CALLS | {
    "capacitor": ["--rated=45uF", "--tolerance=6 %", "--reading=43.10uF", *_RULE_OPTIONS],
    "coil": ["--low=10ohm", "--high=18ohm", "--reading=14.2ohm", "--meter=clamp meter", *_RULE_OPTIONS[1:]],
    "conformity": ["--low=228V", "--high=252V", "--reading=230.1V", "--coupling=AC", "--max-risk=5 %", *_RULE_OPTIONS],
    "risk": [
        "--low=42.3uF",
        "--high=47.7uF",
        "--mean=44uF",
        "--spread=1.2uF",
        "--accuracy=1 % + 2 digits",
        "--rule=guarded-acceptance",
        "--guard-factor=1",
    ],
    "rating": ["45+7.5 MFD ±6% 440 VAC", "--kind=run", "--unit=uF"],
    "replacement": ["--part=45 uF 370 V", "--stock=truck.toml", "--kind=run"],
    "trend": ["--point=2025-05-01=45.0uF", "--csv=visits.csv", "--low=42uF", "--high=48uF", "--on=2026-05-01"],
    "diagnosis": ["--readings=case.toml", "--mains=60Hz", "--ground-minimum=1Mohm"],
}
FILE_OPTIONS = {"--stock", "--csv", "--readings"}


def write_files(folder: Path) -> None:
    """Write the files that the calls read into ``folder``."""
    for name, content in FILES.items():
        (folder / name).write_text(content, encoding="utf-8")


def with_value(arg: str, value: str) -> str:
    """Return an option with ``value`` in place of its own; ``value`` alone for an argument that is no option."""
    option, equals, _ = arg.partition("=")
    return f"{option}={value}" if equals and option.startswith("--") else value
