"""Find causes in the accepted readings of a visit: the rules are data (``rules.toml``), the facts small pure functions.

A rule lists facts by their statements. A fact is a function that returns, with its numbers, whether its statement holds
for the readings. Conditions on numbers in the rules file would need a language of their own, which is hard to test. A
list of named facts needs none and uses the words of the trade.
"""
