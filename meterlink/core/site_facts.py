"""Facts about a site beside its name; each may be left out.

The customer and the address are personal data (docs/privacy.md).
"""

from enum import StrEnum


class SiteFact(StrEnum):
    """The facts about a site. Of each, the newest counts."""

    CUSTOMER = "customer"
    ADDRESS = "address"
    TIME_ZONE = "time zone"  # IANA name, Europe/Oslo
