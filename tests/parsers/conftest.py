"""The same examples in every run; fuzzing (`fuzz_parsers.py`) is where new ones are looked for."""

from hypothesis import settings

settings.register_profile("same every time", derandomize=True, deadline=None)
settings.load_profile("same every time")
