"""The rows of words: header, alerts, title, reason, advice, cautions and keys."""

from textual.content import Content
from textual.widget import Widget
from textual.widgets import Static

from meterlink_tui.scene import Alert


class Sentence(Static):
    """A label in reverse, then a sentence, wrapped and never cut. Drawn anew only when it changes."""

    def __init__(self, name: str, label: str = "", *, tone: str = "strong") -> None:
        super().__init__(markup=False, id=name)
        self._label = label
        self._tone = tone
        self._shown: tuple[str, ...] = ()

    def show(self, *sentences: str) -> None:
        """Say ``sentences``, each after the label and on a line of its own; nothing at all for empty ones."""
        said = tuple(filter(None, sentences))
        if said != self._shown:
            self._shown = said
            self.display = bool(said)
            self.update(Content("\n").join(labelled_sentence(self._label, text, self._tone) for text in said))


def labelled_sentence(label: str, text: str, tone: str) -> Content:
    """Return ``text`` after ``label`` in reverse; the reverse shows without colour too."""
    mark = [(f" {label} ", f"bold $on-strong on ${tone}"), (" ", "")] if label else []
    return Content.assemble(*mark, (text, "$strong"))


class Alerts(Static):
    """What must be seen before anything else: the daemon gone, the station's fault, no radio, a key's answer."""

    def __init__(self) -> None:
        super().__init__(markup=False, id="alerts")
        self._alerts: tuple[Alert, ...] = ()

    def show(self, alerts: tuple[Alert, ...]) -> None:
        """Say ``alerts``, the first one on top."""
        if alerts != self._alerts:
            self._alerts = alerts
            self.display = bool(alerts)
            tones = {"plain": "strong"}
            self.update(
                Content("\n").join(labelled_sentence(a.word, a.text, tones.get(a.tone, a.tone)) for a in alerts)
            )


class Heading(Static):
    """What is being measured: the part first, then between which terminals, its circuit and its rating."""

    def __init__(self) -> None:
        super().__init__(markup=False, id="heading")
        self._shown: tuple[str, ...] = ()

    def show(self, title: str, *rest: str) -> None:
        """Name the test point, then what else there is room for."""
        said = (title, *filter(None, rest))
        if said != self._shown:
            self._shown = said
            self.update(Content.assemble((title, "bold $strong"), *((f" · {part}", "$strong") for part in said[1:])))


class Header(Widget):
    """Where we are on the left, how far the visit is on the right; the right side is never cut."""

    def __init__(self) -> None:
        super().__init__(id="header")
        self._shown = ("", "")

    def show(self, site: str, tally: str) -> None:
        """Say both."""
        if (site, tally) != self._shown:
            self._shown = site, tally
            self.refresh()

    def render(self) -> Content:
        """Return one row."""
        place, tally = self._shown
        room = max(0, self.content_size.width - len(tally) - 1)
        return Content.assemble(Content(place).truncate(room, ellipsis=True, pad=True), " ", tally)
