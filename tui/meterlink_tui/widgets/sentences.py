"""The rows of text: stop, header, alerts, heading, reason, advice, cautions and keys."""

from functools import lru_cache

from textual.content import Content
from textual.widget import Widget
from textual.widgets import Static

from meterlink_tui.scene import Alert, OpenQuestion, Stop


class Paragraph(Static):
    """A wrapped text in at most a number of rows; a longer one ends with an ellipsis."""

    def __init__(self, name: str) -> None:
        super().__init__(markup=False, id=name)
        self._displayed: tuple[Content | None, int, int] | None = None

    def show_rows(self, content: Content | None, width: int, rows: int) -> None:
        """Display ``content`` wrapped to ``width`` columns, in at most ``rows`` rows; nothing for None."""
        displayed = content, width, rows
        if self._displayed is not None and content is self._displayed[0] and displayed[1:] == self._displayed[1:]:
            return
        self._displayed = displayed
        self.display = content is not None and rows > 0
        if content is not None and rows > 0:
            self.update(cut_rows(content, width, rows))


def rows_of(content: Content | None, width: int) -> int:
    """Return the rows of ``content`` wrapped to ``width`` columns; 0 for None."""
    return content.get_height({}, max(1, width)) if content is not None else 0


def cut_rows(content: Content, width: int, rows: int) -> Content:
    """Return ``content``, or as much of it as fits ``rows`` rows of ``width`` columns, with an ellipsis at its end."""
    if rows_of(content, width) <= rows:
        return content
    lines = content.wrap(width)[:rows]
    return Content("\n").join([*lines[:-1], lines[-1].rstrip().truncate(width - 1) + Content("…")])


class Sentence(Static):
    """A label in reverse, then a sentence that is wrapped and never cut."""

    def __init__(self, name: str, label: str = "", *, tone: str = "strong") -> None:
        super().__init__(markup=False, id=name)
        self._label = label
        self._tone = tone
        self._displayed: tuple[str, ...] = ()

    def show(self, *sentences: str) -> None:
        """Display each of ``sentences`` on its own line after the label; empty ones are left out."""
        if sentences != self._displayed:
            self._displayed = sentences
            content = sentences_content(self._label, self._tone, *sentences)
            self.display = content is not None
            self.update(content or "")


@lru_cache(maxsize=64)
def sentences_content(label: str, tone: str, *sentences: str) -> Content | None:
    """Return each of ``sentences`` on its own line after ``label``; None if all are empty."""
    lines = [labelled_sentence(label, text, tone) for text in sentences if text]
    return Content("\n").join(lines) if lines else None


def labelled_sentence(label: str, text: str, tone: str) -> Content:
    """Return ``text`` after ``label`` in reverse, which stands out without colour too."""
    mark = [(f" {label} ", f"bold $on-strong on ${tone}"), (" ", "")] if label else []
    return Content.assemble(*mark, (text, "$strong"))


@lru_cache(maxsize=8)
def cautions_content(cautions: tuple[str, ...], hint: str) -> Content | None:
    """Return the cautions, each after its label, and ``hint``, the key that shows them whole."""
    content = sentences_content("CAUTION", "warn", *cautions)
    return content if content is None or not hint else Content.assemble(content, (f" {hint}", "bold $hint"))


@lru_cache(maxsize=8)
def stop_content(stop: Stop | None, width: int) -> Content | None:
    """Return a stop as a block in reverse, ``width`` columns wide; None without one."""
    if stop is None:
        return None
    tone = "bad" if stop.is_sure else "warn"
    lines = Content(f"■ {stop.word} ■ {stop.title}. {stop.text}").wrap(width)
    return Content("\n").join(
        Content.styled(line.plain + " " * (width - line.cell_length), f"bold $on-strong on ${tone}") for line in lines
    )


@lru_cache(maxsize=8)
def question_content(question: OpenQuestion | None, key: str) -> Content | None:
    """Return an open question with its choices, each after the digit that answers it. ``key`` shows it in words."""
    if question is None:
        return None
    first = labelled_sentence("ANSWER", f"{question.subject}: {question.text}", "warn")
    choices = [
        Content.assemble((f"{number}", "bold $warn"), (f" {choice.label}", "$strong"))
        for number, choice in enumerate(question.choices, 1)
    ]
    keys = Content("  ").join([*choices, Content.styled(f"{key} in words", "$faint")])
    return Content("\n").join([first, keys])


@lru_cache(maxsize=8)
def alerts_content(alerts: tuple[Alert, ...]) -> Content | None:
    """Return the alerts: no connection, a fault of the station, no Bluetooth, the error of a key."""
    tones = {"plain": "strong"}
    lines = [labelled_sentence(alert.word, alert.text, tones.get(alert.tone, alert.tone)) for alert in alerts]
    return Content("\n").join(lines) if lines else None


@lru_cache(maxsize=8)
def heading_content(title: str, *rest: str) -> Content:
    """Return the title of the test point in bold, then its terminals, circuit and rating."""
    texts = filter(None, rest)
    return Content.assemble((title, "bold $strong"), *((f" · {text}", "$strong") for text in texts))


class Header(Widget):
    """Site and unit on the left, the number of accepted readings on the right; the right side is never cut."""

    def __init__(self) -> None:
        super().__init__(id="header")
        self._displayed = ("", "")

    def show(self, site: str, tally: str) -> None:
        """Display ``site`` and ``tally``."""
        if (site, tally) != self._displayed:
            self._displayed = site, tally
            self.refresh()

    def render(self) -> Content:
        """Return one row."""
        site, tally = self._displayed
        room = max(0, self.content_size.width - len(tally) - 1)
        return Content.assemble(Content(site).truncate(room, ellipsis=True, pad=True), " ", tally)
