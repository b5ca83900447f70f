"""``python -m studies.faults``: the fault matrix."""

from studies.faults.study import main

main()
