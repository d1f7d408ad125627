"""How fast is it? The times that people wait, and the engine beside general-purpose solvers on the same groups.

Every figure comes from one run on the machine at hand, with what was measured against it taken in turns.
"""

from airyoke.speed.measure import measure

__all__ = ["measure"]
