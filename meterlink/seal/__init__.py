"""The seal of a closed visit: its canonical text, the station's key, and the check of both.

A seal shows that a visit is as it was when the station sealed it. Each later change makes another edition, which names
the hash of the edition before.
"""
