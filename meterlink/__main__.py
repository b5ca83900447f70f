"""``python -m meterlink``."""

from meterlink.cli import main

if __name__ == "__main__":
    main()
