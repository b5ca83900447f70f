"""Built-in drivers, registered by the same entry points as anyone's."""
