"""The label of a capacitor: its text, the rated part it describes, and the parts that may replace it."""
