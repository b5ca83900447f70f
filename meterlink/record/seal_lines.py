"""The seal of a visit in its report: the fingerprint in lines, and the parts for a check elsewhere."""

from collections.abc import Collection, Iterator
from datetime import tzinfo

from meterlink.record.entries import site_time
from meterlink.record.model import DisclosedText, Seal, SealedEdition
from meterlink.record.verified_visit import verify_visit
from meterlink.seal.canonical import fingerprint
from meterlink.seal.verification import SealState
from meterlink.store.seals import StoredSeal


def seal_lines(seal: StoredSeal | None, known_keys: Collection[str], zone: tzinfo | None) -> Iterator[str]:
    """Yield the newest edition with its fingerprint; first, where it is so, that the record was changed since."""
    if seal is None or not seal.editions:
        return
    verification = verify_visit(seal, known_keys)
    if verification.state is SealState.CHANGED:
        yield "The record was changed since it was sealed: meterlink verify names the changes."
    newest = verification.newest
    if newest is None or newest.text is None:
        return
    sealed = next(row.sealed_utc_ns for row in seal.editions if row.edition == newest.edition)
    yield (
        f"Edition {newest.text.number}, sealed {site_time(sealed, zone)}. Fingerprint "
        f"{fingerprint(newest.edition.digest)}. The station's key {fingerprint(newest.edition.public_key)}."
    )


def seal_parts(seal: StoredSeal | None) -> Seal | None:
    """Return the editions, and the personal texts with their salts; None without an edition."""
    if seal is None or not seal.editions:
        return None
    return Seal(
        tuple(SealedEdition(row.edition.text, row.edition.public_key, row.edition.signature) for row in seal.editions),
        tuple(
            DisclosedText(subject, seal.salts[subject], text)
            for subject, text in seal.texts.items()
            if subject in seal.salts
        ),
    )
