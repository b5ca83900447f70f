"""The firm that does the work, as its reports name it."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Firm:
    """The name and the address of a firm, and the path of the picture that is its logo; each may be empty.

    A relative path is one in the data folder.
    """

    name: str = ""
    address: str = ""
    logo: str = ""


NO_FIRM = Firm()
