"""From held readings to findings in plain words: rules are data (``rules.toml``), facts are small pure functions.

A rule names facts in plain words; each fact is a function of its own that says from the readings whether it holds, with
its numbers. Rules in a file of conditions on numbers would have needed a small language of its own, which nobody could
test one by one; a list of named facts needs none and reads like the trade speaks.
"""
