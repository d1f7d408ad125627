"""What can go wrong in a group that shares a ventilator, whom it hurts and how soon, and what would tell.

A fault is one thing that goes wrong in one place. ``shown`` is what the machine's own sensors show of it.
"""
