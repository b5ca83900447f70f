"""The nouns: units, readings, equipment, verdicts, clock, errors, text, cautions, binary numbers."""
