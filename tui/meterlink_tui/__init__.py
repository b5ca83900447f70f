"""The dashboard of Meterlink: the screen for a technician whose hands hold the probes."""
