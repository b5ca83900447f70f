"""Valid TOML files of each kind that a person writes."""

from support.point_texts import HERM_POINT

PLAN_FILE = f"""
name = "pump"{HERM_POINT}[[point]]
key = "return"
circuit = "air"
component = "return duct"
terminals = ["duct", "bead"]
quantity = "temperature"
state = "energized"
kind = "range"
low = "18 °C"
[[point]]
key = "supply"
circuit = "air"
component = "supply duct"
terminals = ["duct", "bead"]
quantity = "temperature"
state = "energized"
kind = "range"
high = "16 °C"
[[derived]]
key = "split"
kind = "split"
inputs = {{ return = "return", supply = "supply" }}
[[question]]
key = "heat"
text = "How does it heat?"
usual = "gas"
[[question.choice]]
key = "gas"
words = "gas"
[[question.choice]]
key = "none"
words = "not at all"
"""

SETTINGS_FILE = """
station = "van-3"
[judge]
capacitor_tolerance = "6 %"
rule = "guarded acceptance"
guard_factor = 0.83
[[meter]]
address = "00:00:5E:00:53:0A"
name = "clamp meter"
pinned_point = "line-volts"
temperature_coefficient = 0.1
calibrated = "2025-03-01"
calibration_due = "2026-03-01"
certificate = "K-1047"
[[meter.accuracy]]
quantity = "capacitance"
line = "2 % + 5 digits"
up_to = "100 uF"
[mqtt]
host = "broker.example"
port = 8883
"""

STOCK_FILE = """
[[part]]
rating = "45+5 uF 440 V"
count = 2
note = "left bin"
"""

PROFILE_FILE = """
profile = 1
name = "bench-a"
driver = "framed"
[match]
name = "BENCH*"
[connection]
notify = "fff1"
[[connection.write]]
to = "fff2"
hex = "a5 01"
every = 0.5
[frame]
start = "a5"
length = 8
[[frame.checksum]]
kind = "sum"
[value]
type = "int"
at = 3
size = 2
[[code]]
bits = ["1.7-4"]
[code.is]
0x01 = { unit = "V", coupling = "DC", places = 2 }
[annunciators]
"2.0" = { flag = "overload" }
"""

BENCH_FILE = """
ambient = "30 degC"
wires = [
    "line.L1 - contactor.L1",
    "line.L2 - contactor.L2",
    "contactor.T1 - compressor.C",
    "contactor.T2 - compressor.R",
    "contactor.T2 - run capacitor.C",
    "run capacitor.HERM - compressor.S",
    "line.L1 - transformer.240",
    "line.L2 - transformer.COM",
    "transformer.R - fuse.1",
    "fuse.2 - thermostat.R",
    "thermostat.Y - contactor coil.A1",
    "contactor coil.A2 - transformer.C",
]

[[component]]
kind = "mains"
name = "line"
circuit = "supply"
layout = "split phase"
volts = "240 V"
resistance = "0.03 ohm"
reactance = "0.01 ohm"

[[component]]
kind = "transformer"
name = "transformer"
circuit = "control 24 V"
taps = { 208 = "208 V", 240 = "240 V" }
volts = "26 V"

[[component]]
kind = "fuse"
name = "fuse"
circuit = "control 24 V"
terminals = ["1", "2"]
rating = "3 A"

[[component]]
kind = "switch"
name = "thermostat"
circuit = "control 24 V"
poles = { R = "Y" }

[[component]]
kind = "coil"
name = "contactor coil"
circuit = "control 24 V"
terminals = ["A1", "A2"]
resistance = "12 ohm"
henries = 0.05
drop_out = "10 V"

[[component]]
kind = "switch"
name = "contactor"
circuit = "compressor"
poles = { L1 = "T1" }
bars = { L2 = "T2" }
coil = "contactor coil"

[[component]]
kind = "single-phase motor"
name = "compressor"
circuit = "compressor"
main = "0.9 ohm"
start = "2.9 ohm"
amps = "12 A"
locked_amps = "80 A"
run_capacitor = "45 µF"
ground = "500 Mohm"

[[component]]
kind = "capacitor"
name = "run capacitor"
circuit = "compressor"
sections = { HERM = { rated = "45 µF", actual = "45 µF", esr = "0.05 ohm" } }

[[component]]
kind = "three-phase motor"
name = "scroll"
circuit = "second compressor"
resistance = "1.6 ohm"
amps = "20 A"
locked_amps = "120 A"
volts = "208 V"
power_factor = 0.85

[[component]]
kind = "inverter"
name = "inverter"
circuit = "third compressor"
bleed = "20 kohm"

[[component]]
kind = "inverter motor"
name = "driven motor"
circuit = "third compressor"
resistance = "1.2 ohm"

[[component]]
kind = "heater"
name = "defrost heater"
circuit = "defrost"
terminals = ["H1", "H2"]
resistance = "35 ohm"
ground = "80 Mohm"
"""

FILES = {"plan": PLAN_FILE, "settings": SETTINGS_FILE, "stock": STOCK_FILE, "profile": PROFILE_FILE}
