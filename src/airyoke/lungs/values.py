"""The one type of a formula's terms: a number, or an array of them that broadcasts with the others."""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

# A formula returns an array if one of its terms is one, and a number otherwise. A caller that needs to know
# which says so itself, with ``float(...)`` or ``numpy.asarray(...)``.
Values: TypeAlias = float | NDArray[np.float64]
