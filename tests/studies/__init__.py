"""Long studies that show whether a plan deserves trust: each a command that prints a table, and a short test.

``python -m tests.studies.<name> --help``, from the project's folder. Everything in them is invented and seeded;
nothing is clinical evidence.
"""

import sys
from pathlib import Path

# The tests' own folder is on the path when pytest runs them; a study started as a command finds it here.
_TESTS = str(Path(__file__).resolve().parents[1])
if _TESTS not in sys.path:
    sys.path.insert(0, _TESTS)
