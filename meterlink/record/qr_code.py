"""QR codes (ISO/IEC 18004) that carry plain text. The only importer of segno."""

from dataclasses import dataclass

from meterlink.core.errors import InputError

QUIET_MODULES = 4
"""The white modules that belong to a code on every side (ISO/IEC 18004)."""


@dataclass(frozen=True, slots=True)
class QrCode:
    """A code: ``rows`` of modules, True for a dark one, without the quiet zone."""

    rows: tuple[tuple[bool, ...], ...]

    @property
    def modules(self) -> int:
        """The number of modules of each side."""
        return len(self.rows)

    def svg(self) -> str:
        """Return the code as SVG with its quiet zone; one module is one unit."""
        runs = [
            f"M{x + QUIET_MODULES} {y + QUIET_MODULES}h1v1h-1z"
            for y, row in enumerate(self.rows)
            for x, is_dark in enumerate(row)
            if is_dark
        ]
        side = self.modules + 2 * QUIET_MODULES
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {side} {side}" shape-rendering="crispEdges">'
            f'<path d="{"".join(runs)}"/></svg>'
        )


def qr_code(text: str) -> QrCode:
    """Return the code of a text in UTF-8, which it names (ECI 26): a phone that has no network shows the text.

    A seventh of it may be unreadable (level M), more where that needs no larger code.

    Raises:
        InputError: the text is longer than a code holds.
    """
    import segno  # noqa: PLC0415  # only where a code is asked for

    try:
        code = segno.make(text, error="m", encoding="utf-8", eci=True, micro=False)
    except segno.DataOverflowError as error:
        raise InputError(
            f"A text of {len(text)} characters is longer than a QR code holds.", "Leave --qr out."
        ) from error
    return QrCode(tuple(tuple(map(bool, row)) for row in code.matrix))
