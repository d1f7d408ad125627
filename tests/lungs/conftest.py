"""The cores are shared: how long one example takes says nothing about the code."""

from hypothesis import settings

settings.register_profile("no-deadline", deadline=None)
settings.load_profile("no-deadline")
