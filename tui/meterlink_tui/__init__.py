"""The dashboard of Meterlink: what a technician looks at while both hands hold probes."""
