"""The errors of a search that explains no entry, or not all of them."""


class UnexplainedError(Exception):
    """No bit of the frames explains a difference between entries; the text names the difference."""


class ContradictedWordError(UnexplainedError):
    """A word of the lines contradicts every entry: no other way of reading the packets would be right, either."""
