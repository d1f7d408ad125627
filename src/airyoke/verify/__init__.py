"""Why believe the numbers: every check against something outside the project, as one table.

``run_checks`` makes them all; a row says what, against what, how far off it may be, and what came out.
"""
