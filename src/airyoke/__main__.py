"""``python -m airyoke``: the command line."""

from airyoke.cli import main

if __name__ == "__main__":
    main()
