"""`daq` and `python -m daq`."""

from daq.cli import main

if __name__ == "__main__":
    main()
