"""The built-in drivers, registered by entry points like every other driver."""
