"""What is a number called, in which unit, how large may it be, and how sure is it?

One dictionary row per quantity; one module that converts; the shapes of an estimate, a finding and a refusal.
Imports nothing else of the project.
"""

from airyoke.quantities.dictionary import QUANTITIES, did_you_mean, is_quantity, quantity, value_finding
from airyoke.quantities.errors import AiryokeError, Refused
from airyoke.quantities.estimate import Estimate, Spread
from airyoke.quantities.finding import Finding, Level
from airyoke.quantities.quantity import Quantity, Range
from airyoke.quantities.units import convert, gas_volume_factor

__all__ = [
    "QUANTITIES",
    "AiryokeError",
    "Estimate",
    "Finding",
    "Level",
    "Quantity",
    "Range",
    "Refused",
    "Spread",
    "convert",
    "did_you_mean",
    "gas_volume_factor",
    "is_quantity",
    "quantity",
    "value_finding",
]
