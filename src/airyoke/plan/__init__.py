"""Who shares with whom, on which ventilator, at which settings, and is there no better plan?

``planner`` judges groups and chooses, ``compose`` puts the plan into words and numbers, ``hints`` says what would
change it. The modules with the engine behind them load on first use.
"""
