"""Run the command line: ``python -m meterlink``."""

from meterlink.cli.main import main

if __name__ == "__main__":
    main()
