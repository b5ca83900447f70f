"""The check of a visit in the database against its seal."""

from collections.abc import Collection
from dataclasses import replace

from meterlink.seal.verification import EditionCheck, Verification, changes_since
from meterlink.store.seals import StoredSeal

_UNKNOWN_KEY = "The key that signed it is none of this data folder's stations."


def verify_visit(seal: StoredSeal, known_keys: Collection[str]) -> Verification:
    """Return the check of a visit; ``known_keys`` are the public keys of the stations of the data folder."""
    rows = {stored.edition: stored for stored in seal.editions}

    def with_row(check: EditionCheck) -> EditionCheck:
        problems = list(check.problems)
        text, row = check.text, rows[check.edition]
        if text is not None and row.number != text.number:
            problems.append(f"Its row says edition {row.number}, its text edition {text.number}.")
        if text is not None and row.sealed != text.sealed:
            problems.append(f"Its row was sealed at {row.sealed}, its text at {text.sealed}.")
        if check.edition.public_key not in known_keys:
            problems.append(_UNKNOWN_KEY)
        return replace(check, problems=tuple(problems))

    editions = tuple(map(with_row, seal.verification.editions))
    return Verification(editions, changes_since(seal.verification, seal.visit))
