"""The teaching study: the number of entries that each encoding needs."""
