"""Units, readings, equipment, verdicts, clock, errors, text, cautions and binary numbers."""
