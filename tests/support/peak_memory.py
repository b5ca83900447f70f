"""The peak of the resident memory of a command, in a process of its own."""

import subprocess
import sys

# Not `getrusage`: its peak is that of the process which started this one, where that was larger.
_MEASURED = """
import sys
from meterlink.cli.main import main
try:
    main(sys.argv[2:])
except SystemExit as ended:
    if ended.code == int(sys.argv[1]):
        print(next(line.split()[1] for line in open("/proc/self/status") if line.startswith("VmHWM:")))
    raise
"""


def peak_memory(*arguments: str, status: int = 0) -> int:
    """Return the peak of the resident memory of ``meterlink ARGUMENTS``, in kB (1,024 bytes); Linux only.

    ``status`` is the exit status that the command must have.
    """
    command = [sys.executable, "-c", _MEASURED, str(status), *arguments]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == status, done.stderr
    return int(done.stdout.split()[-1])
