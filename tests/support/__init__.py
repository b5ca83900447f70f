"""Builders, simulators and checks that several tests share; a test imports ``support.<module>``."""
