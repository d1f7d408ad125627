"""What goes in and what comes out: the one definition of every file and every answer.

``case`` reads one group, ``answers`` and its neighbours write, ``schema`` makes the JSON Schema; ``standing``
and ``words`` say how figures are put before people. Nothing is imported here, so that commands start quickly.
"""
