"""``python -m studies.fuzz``: the numbers of each reader, as a table."""

from studies.fuzz.study import main

main()
