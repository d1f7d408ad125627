"""Why believe the numbers: every check against something outside the project, as one table.

``table.run_checks`` makes them all, ``proof`` writes them down; ``row`` says what a check is. Formulas stand in
``vectors_*``, the breath in ``closed_form_rows``, ``equations`` (LSODA) and ``netlists`` (ngspice, from ``part_list``),
gas and losses in ``libraries``, publications in ``benches`` and ``signs``.
"""
