"""The model with its parameters learned from the stand (PyMC)."""

# fmt: off
from treeage.hierarchical.fit import LearnedAges, fit_hierarchical, prior_predictive, prior_table
from treeage.hierarchical.priors import LearningPriors
from treeage.hierarchical.pulses import with_pulses
from treeage.hierarchical.sampling import Sampling, compare_fits, diagnose

__all__ = [
    "LearnedAges", "LearningPriors", "Sampling", "compare_fits", "diagnose", "fit_hierarchical", "prior_predictive",
    "prior_table", "with_pulses",
]
