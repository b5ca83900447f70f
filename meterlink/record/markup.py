"""Elements of HTML and SVG, built from texts that are escaped, and from other elements that are not."""

from html import escape

_VOID = frozenset({"meta", "img", "br"})


class Markup(str):
    """Text that is markup already: made by `element` alone."""

    __slots__ = ()


def element(name: str, /, *content: str, **attributes: object) -> Markup:
    """Return the element ``name``; content that is no `Markup` is escaped, and so is each attribute's value.

    ``class_`` is the attribute ``class``, ``aria_label`` is ``aria-label``. An attribute that is None or False is left
    out; True stands for one without a value.
    """
    parts = [
        f" {_attribute_name(key)}" if value is True else f' {_attribute_name(key)}="{escape(str(value))}"'
        for key, value in attributes.items()
        if value is not None and value is not False
    ]
    opening = f"<{name}{''.join(parts)}>"
    if name in _VOID:
        return Markup(opening)
    inside = "".join(part if isinstance(part, Markup) else escape(part) for part in content)
    return Markup(f"{opening}{inside}</{name}>")


def join(*parts: Markup) -> Markup:
    """Return elements one after the other."""
    return Markup("".join(parts))


NOTHING = Markup("")


def _attribute_name(key: str) -> str:
    return key.rstrip("_").replace("_", "-")
