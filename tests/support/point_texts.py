"""Test points as TOML, for plans and files of readings."""

HERM_POINT = """
[[point]]
key = "herm"
circuit = "compressor"
component = "run capacitor"
section = "HERM"
terminals = ["C", "HERM"]
quantity = "capacitance"
state = "isolated and discharged"
kind = "capacitor"
rated = "45 uF"
tolerance = "6 %"
"""
"""A section of a run capacitor, rated 45 µF ±6 %. Further keys of the point may follow."""
