"""The settling study: wrong and missed readings of the detector and of two peers."""
