"""Hypothesis takes the same examples in every run; `--hypothesis-profile=explore` looks for new ones."""

from hypothesis import settings

settings.register_profile("same", derandomize=True)
settings.register_profile("explore", derandomize=False)
settings.load_profile("same")
