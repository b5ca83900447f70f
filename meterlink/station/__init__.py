"""The daemon: from a meter's packets to accepted, judged, committed and published readings."""
