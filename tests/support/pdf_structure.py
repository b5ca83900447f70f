"""The tree of structure of a tagged PDF, which a screen reader follows."""

from collections.abc import Iterator
from io import BytesIO
from typing import Any

from pypdf import PdfReader


def pdf_elements(pdf: bytes) -> Iterator[Any]:
    """Yield the elements of the tree, each before those in it, in the order of reading."""

    def below(element: Any) -> Iterator[Any]:
        yield element
        kids = element.get("/K", [])
        for kid in kids if isinstance(kids, list) else [kids]:
            found = kid.get_object()
            if isinstance(found, dict) and "/S" in found:
                yield from below(found)

    root: Any = PdfReader(BytesIO(pdf)).trailer["/Root"]
    for kid in root["/StructTreeRoot"]["/K"]:
        yield from below(kid.get_object())
