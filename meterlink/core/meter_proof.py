"""The proof of a meter on a known source: prove, test, prove. A note on the visit keeps it.

A tester that shows nothing may be broken, so work practice proves it on a known source before and after an absence of
voltage is tested (NFPA 70E 120.5, EN 50110-1, both from memory). A proof says nothing of any circuit.
"""

from meterlink.core.readings import Reading

_OPENING = "Meter proven on a known source: "


def proof_note(reading: Reading, meter: str = "") -> str:
    """Return the note that keeps a proof: ``Meter proven on a known source: Alder read 241.3 V AC.``

    Without ``meter`` it was typed in.
    """
    return f"{_OPENING}{meter} read {reading.text}." if meter else f"{_OPENING}{reading.text}, typed in."


def hidden_proof_note(text: str) -> str:
    """Return a note that keeps that there was a proof, with ``text`` in place of meter and reading."""
    return f"{_OPENING}{text}."


def is_proof_note(text: str) -> bool:
    """Return whether a note keeps a proof."""
    return text.startswith(_OPENING)
