"""How is a choice among whole numbers proved best? A thin, quiet way to a mixed-integer solver; knows nothing of the
trade.
"""

from airyoke.solver.integer import IntegerModel, Solution

__all__ = ["IntegerModel", "Solution"]
