"""The nouns put together: one site's beds, ventilators, stock and policy, and the questions people ask of them.

``fold`` makes a ward's state from the entries of a record, ``rows`` gives it back as sheets, ``proposal`` compares it
with a workbook. ``questions`` answers what people ask; ``candidates`` assesses each bed; ``round_trip`` asks whether
the engine reproduces now.
"""
