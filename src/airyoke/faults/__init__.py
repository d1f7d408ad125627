"""What can go wrong in a group that shares a ventilator, whom it hurts and how soon, and what would tell.

A fault is one thing that goes wrong in one place. ``catalogue`` lists those of a group, ``runs`` breathes them through,
``harm`` says who is hurt, ``shown`` what the machine's own sensors show, ``alarms`` what it makes of that; ``report``
is all of it, silent and harmful faults first.
"""
