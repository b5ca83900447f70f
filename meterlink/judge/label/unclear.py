"""Unclear places on a label: a text with several meanings, and the texts that may stand in its place."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Alternative:
    """A text to put in the place of an unclear part; ``left_out`` are its words or numbers that are then unused."""

    text: str
    left_out: tuple[str, ...] = ()


def leave_out(written: str) -> Alternative:
    """Return the alternative that leaves ``written`` out; the bar keeps its neighbours apart."""
    return Alternative(" | ", (written.strip(),))


class UnclearLabelError(Exception):
    """The text from ``start`` to ``end`` has several meanings, or none that is known.

    ``alternatives`` may stand in its place; if ``is_ordered``, the most usual comes first. `read_label` makes them the
    choices of a question.
    """

    def __init__(
        self,
        start: int,
        end: int,
        reason: str,
        alternatives: tuple[Alternative | str, ...],
        *,
        is_ordered: bool = True,
    ) -> None:
        super().__init__(reason)
        self.start = start
        self.end = end
        self.reason = reason
        self.alternatives = tuple(Alternative(text) if isinstance(text, str) else text for text in alternatives)
        self.is_ordered = is_ordered
