"""The label of a capacitor: its text, the rated part it describes, and parts that may replace it."""
