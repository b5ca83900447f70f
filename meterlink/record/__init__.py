"""The record for people and for other programs: the report on a visit."""
