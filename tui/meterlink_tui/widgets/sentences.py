"""The rows of text: header, alerts, heading, reason, advice, cautions and keys."""

from textual.content import Content
from textual.widget import Widget
from textual.widgets import Static

from meterlink_tui.scene import Alert, OpenQuestion


class Sentence(Static):
    """A label in reverse, then a sentence that is wrapped and never cut."""

    def __init__(self, name: str, label: str = "", *, tone: str = "strong") -> None:
        super().__init__(markup=False, id=name)
        self._label = label
        self._tone = tone
        self._displayed: tuple[str, ...] = ()

    def show(self, *sentences: str) -> None:
        """Display each of ``sentences`` on its own line after the label; empty ones are left out."""
        texts = tuple(filter(None, sentences))
        if texts != self._displayed:
            self._displayed = texts
            self.display = bool(texts)
            self.update(Content("\n").join(labelled_sentence(self._label, text, self._tone) for text in texts))


def labelled_sentence(label: str, text: str, tone: str) -> Content:
    """Return ``text`` after ``label`` in reverse, which stands out without colour too."""
    mark = [(f" {label} ", f"bold $on-strong on ${tone}"), (" ", "")] if label else []
    return Content.assemble(*mark, (text, "$strong"))


class QuestionLines(Static):
    """An open question with its choices, each after the digit that answers it."""

    def __init__(self) -> None:
        super().__init__(markup=False, id="question")
        self._displayed: OpenQuestion | None = None

    def show(self, question: OpenQuestion | None, key: str) -> None:
        """Display ``question``; None for none. ``key`` shows it in words."""
        if question == self._displayed:
            return
        self._displayed = question
        self.display = question is not None
        if question is not None:
            first = labelled_sentence("ANSWER", f"{question.subject}: {question.text}", "warn")
            choices = [
                Content.assemble((f"{number}", "bold $warn"), (f" {choice.label}", "$strong"))
                for number, choice in enumerate(question.choices, 1)
            ]
            keys = Content("  ").join([*choices, Content.styled(f"{key} in words", "$faint")])
            self.update(Content("\n").join([first, keys]))


class Alerts(Static):
    """The alerts: no connection to the station, a fault of the station, no Bluetooth, the error of a key."""

    def __init__(self) -> None:
        super().__init__(markup=False, id="alerts")
        self._alerts: tuple[Alert, ...] = ()

    def show(self, alerts: tuple[Alert, ...]) -> None:
        """Display ``alerts``, the first on top."""
        if alerts != self._alerts:
            self._alerts = alerts
            self.display = bool(alerts)
            tones = {"plain": "strong"}
            self.update(
                Content("\n").join(
                    labelled_sentence(alert.word, alert.text, tones.get(alert.tone, alert.tone)) for alert in alerts
                )
            )


class Heading(Static):
    """The test point: its title, then its terminals, circuit and rating."""

    def __init__(self) -> None:
        super().__init__(markup=False, id="heading")
        self._displayed: tuple[str, ...] = ()

    def show(self, title: str, *rest: str) -> None:
        """Display ``title`` in bold, then the texts in ``rest`` that are not empty."""
        texts = (title, *filter(None, rest))
        if texts != self._displayed:
            self._displayed = texts
            self.update(Content.assemble((title, "bold $strong"), *((f" · {text}", "$strong") for text in texts[1:])))


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
