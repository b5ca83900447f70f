"""The seal of a closed visit: its canonical text, signatures, and what a check of them finds."""
