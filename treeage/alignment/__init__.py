"""Two ring series of one tree read against each other."""

# fmt: off
from treeage.alignment.lattice import Move, log_widths
from treeage.alignment.pair import Alignment, align_cores, align_many, align_stand, core_signals, stand_prior
from treeage.alignment.prior import AlignmentPrior, alignment_prior, unseen_rings

__all__ = [
    "Alignment", "AlignmentPrior", "Move", "align_cores", "align_many", "align_stand", "alignment_prior",
    "core_signals", "log_widths", "stand_prior", "unseen_rings",
]
