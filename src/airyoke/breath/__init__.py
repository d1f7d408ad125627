"""What happens in a breath: one ventilator, one circuit, one to four lungs, for many draws at once.

``settle`` answers for the settled (periodic) breath, ``run_course`` (``airyoke.breath.course``) for seconds to minutes
with events. Inside cmH2O, litres and seconds; at the door clinical units.
The compiled kernel loads on first use of ``airyoke.breath.engine``.
"""

from airyoke.breath.settings import Settings
from airyoke.breath.ventilator import Ventilator

__all__ = ["Settings", "Ventilator"]
