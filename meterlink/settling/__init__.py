"""Settling: from the moving readings of a meter to the one reading that counts."""
