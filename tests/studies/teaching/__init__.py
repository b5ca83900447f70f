"""The teaching study: how many labels each encoding needs."""
