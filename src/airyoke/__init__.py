"""Airyoke: what each patient gets when several must breathe from one ventilator, and the best plan for a ward.

Each folder answers one question of the ward; see the table in the README.
"""

__version__ = "0.1.0"
