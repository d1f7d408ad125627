"""The tool in a terminal: commands read, ask the ward or the engine, and print. No sums here.

Every command loads what it needs when it runs, so that ``airyoke --help`` answers at once.
"""

from airyoke.cli.run import main

__all__ = ["main"]
