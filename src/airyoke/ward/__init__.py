"""The nouns put together: one site's beds, ventilators, stock and policy, and the questions people ask of them.

``questions`` answers them; ``candidates`` assesses each bed; ``round_trip`` asks whether the engine reproduces now.
"""
