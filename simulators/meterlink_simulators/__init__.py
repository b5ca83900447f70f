"""A bench of circuits with faults, meters that measure it, radios that carry it, and a pytest plugin."""
