"""``python -m airyoke``: the command line, with its exit code."""

import sys

from airyoke.cli import main

if __name__ == "__main__":
    sys.exit(main())
