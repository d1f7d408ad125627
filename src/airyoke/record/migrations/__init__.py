"""How a record came to its present form, step by step. A step is never edited once a record was written with it."""
