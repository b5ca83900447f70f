"""The list of meters: state, signal and battery, each as a mark and a word."""

from textual.content import Content
from textual.widget import Widget

from meterlink.core.equipment import ConnectionState
from meterlink_tui.scene import MeterLine

_BARS = "▂▄▆█"


def meter_lines(row: MeterLine) -> Content:
    """Return the line of one meter: name, state, warnings, signal and battery; the reason if it is not connected."""
    parts: list[tuple[str, str]] = [(f"{row.mark} ", f"bold ${row.tone}"), (row.name, "bold $strong")]
    if row.state != ConnectionState.CONNECTED:
        parts.append((f" {row.state.upper()}", f"bold ${row.tone}"))
    if row.battery_low:
        parts.append((f" LOW BATTERY{row.battery.removeprefix('battery')}", "bold $warn"))
    if row.signal_bars is not None:
        parts += [
            (f" {_BARS[: row.signal_bars]}", "$strong"),
            ("▁" * (len(_BARS) - row.signal_bars), "$faint"),
            (f" {row.signal}", "$faint"),
        ]
    if row.battery and not row.battery_low:
        parts.append((f" {row.battery}", "$faint"))
    if row.detail and row.state != ConnectionState.CONNECTED:
        parts.append((f" {row.detail}", "$strong"))
    return Content.assemble(*parts)


class MeterList(Widget):
    """All meters. Those that need attention are first: a short screen cuts off the others."""

    def __init__(self) -> None:
        super().__init__(id="meters")
        self._rows: tuple[MeterLine, ...] = ()
        self._note = ""

    def show(self, rows: tuple[MeterLine, ...], note: str) -> None:
        """List ``rows``; without any, say ``note``."""
        ordered = tuple(
            sorted(rows, key=lambda row: (row.state == ConnectionState.CONNECTED, not row.battery_low, row.name))
        )
        if (ordered, note) != (self._rows, self._note):
            self._rows, self._note = ordered, note
            self.refresh(layout=True)

    def render(self) -> Content:
        """Return the list."""
        if not self._rows:
            return Content.styled(self._note or "No meter found yet.", "$faint")
        return Content("\n").join(meter_lines(row) for row in self._rows)
