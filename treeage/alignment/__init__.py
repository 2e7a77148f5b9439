"""Two ring series of one tree read against each other."""

# fmt: off
from treeage.alignment.pair import Alignment, align_cores, align_many, align_stand, core_signals
from treeage.alignment.prior import AlignmentPrior, stand_prior, unseen_rings

__all__ = [
    "Alignment", "AlignmentPrior", "align_cores", "align_many", "align_stand", "core_signals", "stand_prior",
    "unseen_rings",
]
