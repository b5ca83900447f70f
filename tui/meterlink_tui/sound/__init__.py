"""The dashboard's sounds: bells of the terminal, and speech where the machine can."""
