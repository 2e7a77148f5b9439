"""Two cores of one tree read against each other: probabilities of absent and false rings and what they add to the age.

Layer 2. Own derivation: a pair hidden-Markov model whose constants were fitted to ring widths of 165 archive sites.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from treeage.alignment_batch import PairSums, align_batch
from treeage.alignment_events import EventGrids, best_events, event_table, lines_up
from treeage.alignment_features import Array, Signals, median, signals
from treeage.alignment_prior import AlignmentPrior, alignment_model, alignment_prior, stand_prior, unseen_rings
from treeage.errors import Fault, InputError, require_nonnegative
from treeage.pmf import Pmf

if TYPE_CHECKING:
    import pandas as pd

__all__ = [
    "Alignment",
    "AlignmentPrior",
    "align_cores",
    "align_many",
    "align_stand",
    "alignment_prior",
    "core_signals",
    "stand_prior",
    "unseen_rings",
]
_LISTED = 0.01  # choice: events less likely than this within three rings are not listed


@dataclass(frozen=True)
class Alignment:
    """Two ring series laid side by side, every way of doing so weighed by its probability.

    Parameters
    ----------
    grids : EventGrids
        Probability of every event by ring and offset, and of the path (for the likeliest outer shift).
    joint_mass : numpy.ndarray, shape (k, m)
        Probability of true minus counted rings in core A (rows) and core B (columns).
    start_a, start_b : int
        True minus counted rings of the first row and of the first column.
    signals_a, signals_b : Signals
        Growth signals of the two cores, outermost ring first.
    sums : PairSums
        Evidence, correlation and outer shift.
    """

    grids: EventGrids
    joint_mass: Array
    start_a: int
    start_b: int
    signals_a: Signals
    signals_b: Signals
    sums: PairSums

    def __repr__(self) -> str:
        none = self.ring_difference.prob_at(0)
        return (
            f"Alignment({len(self.best)} events in the best set, P(no difference) {none:.3f}, r {self.correlation:.2f})"
        )

    @cached_property
    def events(self) -> pd.DataFrame:
        """Every possible event with at least 1 % within three rings.

        Returns
        -------
        pandas.DataFrame
            Columns kind (absent_in_a, absent_in_b, false_in_a, false_in_b), ring_from_bark (1 = outermost, counted in
            the core that has one ring more there; the outer band of a false ring), prob (this kind at this ring),
            prob_near (this kind within three rings either side); likeliest first.
        """
        return event_table(self.grids, _LISTED)

    @cached_property
    def best(self) -> pd.DataFrame:
        """Return the single most probable set of events.

        Returns
        -------
        pandas.DataFrame
            Columns as in `events`, from the bark inward; empty if no event is likelier than not.
        """
        return best_events(self.grids)

    @property
    def joint(self) -> tuple[int, int, Array]:
        """Joint mass of true minus counted rings in both cores.

        Returns
        -------
        tuple of (int, int, numpy.ndarray)
            First value for A, first value for B, mass with A in rows and B in columns. Rings absent in both cores do
            not show and are not in it: see `unseen_rings`.
        """
        return self.start_a, self.start_b, self.joint_mass

    @cached_property
    def extra_rings_a(self) -> Pmf:
        """True minus counted rings of core A over the span the cores share.

        Returns
        -------
        Pmf
            Positive when rings are absent in A, negative when some were counted twice.
        """
        return Pmf(self.start_a, self.joint_mass.sum(axis=1)).trim(1e-12)

    @cached_property
    def extra_rings_b(self) -> Pmf:
        """True minus counted rings of core B over the span the cores share.

        Returns
        -------
        Pmf
            Positive when rings are absent in B, negative when some were counted twice.
        """
        return Pmf(self.start_b, self.joint_mass.sum(axis=0)).trim(1e-12)

    @cached_property
    def ring_difference(self) -> Pmf:
        """Rings of A minus rings of B over the span they share.

        Returns
        -------
        Pmf
            0: nothing missing or false, or the events cancel.
        """
        rows, columns = self.joint_mass.shape
        mass = np.zeros(rows + columns - 1)
        np.add.at(mass, np.arange(columns)[None, :] - np.arange(rows)[:, None] + rows - 1, self.joint_mass)
        return Pmf(self.start_b - self.start_a - (rows - 1), mass).trim(1e-12)

    @property
    def correlation(self) -> float:
        """Correlation of the two cores' growth signals.

        Returns
        -------
        float
            Posterior mean.
        """
        return self.sums.correlation

    @property
    def log_evidence(self) -> float:
        """Natural logarithm of the likelihood ratio against two unrelated series.

        Returns
        -------
        float
            Positive when the cores agree better than chance.
        """
        return self.sums.log_evidence

    @property
    def outer_shift(self) -> Pmf:
        """Rings that core A lacks at its outer end against core B.

        Returns
        -------
        Pmf
            All at 0 unless the prior left it open.
        """
        return self.sums.outer_shift

    def in_line(self) -> pd.DataFrame:
        """Lay the two series side by side as the best set of events says, for a figure.

        Returns
        -------
        pandas.DataFrame
            One row for each year from the bark inward: year_from_bark (1 = outermost), ring_a, ring_b (from the bark,
            missing where the core has none), kind (both or the event), signal_a, signal_b (standardised) and
            prob_in_line (probability that these two rings are the same year).
        """
        return lines_up(self.grids, self.best, self.signals_a.plain, self.signals_b.plain)

    def path(self) -> pd.DataFrame:
        """Probability of every offset between the two counts along core A, for a figure.

        Returns
        -------
        pandas.DataFrame
            Index: ring of A from the bark (1 = outermost); columns: ring number in B minus ring number in A.
        """
        import pandas as pd

        size = self.grids.path.shape[0]
        columns = pd.Index(np.arange(-self.grids.shift, self.grids.shift + 1), name="offset")
        return pd.DataFrame(self.grids.path, index=pd.RangeIndex(1, size + 1, name="ring_a"), columns=columns)


def align_cores(widths_a_mm: ArrayLike, widths_b_mm: ArrayLike, *, prior: AlignmentPrior | None = None) -> Alignment:
    """Read two cores of one tree against each other.

    Parameters
    ----------
    widths_a_mm, widths_b_mm : array-like, shape (n,) and (m,)
        Ring widths [mm], innermost first, at least 0 (0: a dated ring without width), both ending at the same outer
        year; one may reach further in. At least 5 rings and a median above 0.
    prior : AlignmentPrior, optional
        Event rates; by default those of two counts that were not crossdated.

    Returns
    -------
    Alignment
        Events with probabilities, the best set, and the joint mass of true minus counted rings.

    Raises
    ------
    InputError
        If a width is negative or not finite, a series is too short or mostly without width.

    Notes
    -----
    Five moves, each exactly one true year: both cores have the ring; absent in A; absent in B; false in A (two bands
    of A are one ring of B); false in B. Matched rings follow a bivariate t law of whitened log widths whose
    correlation is integrated over a grid; years in which the cores disagree come in stretches. All sums are exact
    inside a band of offsets. The rates decide only where the widths do not: an event in the last few rings of the
    shorter core can hardly be seen and keeps its prior probability. A ring boundary overlooked in B looks like a
    false ring in A.

    References
    ----------
    .. [1] Durbin, R., Eddy, S., Krogh, A., Mitchison, G. (1998). Biological sequence analysis. Cambridge University
       Press, ch. 4 (pair hidden-Markov models in general). doi:10.1017/CBO9780511790492

    Examples
    --------
    A ring is taken out of a copy of a series: 20th from the bark.

    >>> rng = np.random.default_rng(1)
    >>> core_a = np.exp(rng.normal(0, 0.4, 80))
    >>> core_b = np.delete(core_a, 80 - 20) * np.exp(rng.normal(0, 0.1, 79))
    >>> found = align_cores(core_a, core_b)
    >>> found.best[["kind", "ring_from_bark"]].values.tolist()
    [['absent_in_b', 20]]
    >>> found.extra_rings_b.median()
    1
    """
    return align_many([(widths_a_mm, widths_b_mm)], prior=prior)[0]


def align_many(
    pairs: Sequence[tuple[ArrayLike, ArrayLike]], *, prior: AlignmentPrior | Sequence[AlignmentPrior] | None = None
) -> list[Alignment]:
    """Read many pairs of cores against each other, much faster than one by one.

    Parameters
    ----------
    pairs : sequence of (array-like, array-like)
        Widths of core A and core B of each pair [mm], as in `align_cores`.
    prior : AlignmentPrior or sequence of AlignmentPrior, optional
        One for all or one for each pair.

    Returns
    -------
    list of Alignment
        One for each pair, in order.

    Raises
    ------
    InputError
        As in `align_cores`, or if there are not as many priors as pairs.

    Examples
    --------
    >>> align_many([])
    []
    """
    priors = (
        [prior or AlignmentPrior()] * len(pairs) if prior is None or isinstance(prior, AlignmentPrior) else list(prior)
    )
    if len(priors) != len(pairs):
        got, need = f"{len(priors)} priors", f"one for each of {len(pairs)} pairs"
        raise InputError(Fault(got, need, "Pass one prior for all or one for each.", "align_many", 0, "prior"))
    both = [(core_signals(a, name="widths_a_mm"), core_signals(b, name="widths_b_mm")) for a, b in pairs]
    return [_answer(pair, sums) for pair, sums in zip(both, align_batch(both, priors), strict=True)]


def align_stand(
    pairs: Sequence[tuple[ArrayLike, ArrayLike]], *, prior: AlignmentPrior | None = None
) -> tuple[list[Alignment], AlignmentPrior]:
    """Read the pairs of a stand against each other, with rates and correlations learned from all of them.

    Parameters
    ----------
    pairs : sequence of (array-like, array-like)
        Widths of the two cores of each tree [mm], as in `align_cores`.
    prior : AlignmentPrior, optional
        What is believed before; see `stand_prior` for how much the stand counts against it.

    Returns
    -------
    tuple of (list of Alignment, AlignmentPrior)
        The alignments under the learned prior, and that prior.

    Raises
    ------
    InputError
        As in `align_cores`.

    Examples
    --------
    >>> align_stand([])[0]
    []
    """
    start = prior or AlignmentPrior()
    learned = stand_prior([found.sums for found in align_many(pairs, prior=start)], prior=start)
    return align_many(pairs, prior=learned), learned


def core_signals(widths_mm: ArrayLike, *, name: str = "widths_mm") -> Signals:
    """Turn the widths of a core into the signals the alignment compares.

    Parameters
    ----------
    widths_mm : array-like, shape (n,)
        Widths [mm], innermost first, at least 0.
    name : str
        Name of the argument, for messages.

    Returns
    -------
    Signals
        Outermost ring first.

    Raises
    ------
    InputError
        If a width is negative or not finite, there are fewer than 5 rings, or half of the widths are 0.

    Examples
    --------
    >>> core_signals([1.0, 1.2, 0.8, 1.1, 0.9, 1.0]).size
    6
    """
    array = require_nonnegative("align_cores", **{name: widths_mm})[0]
    need = ""
    if array.ndim != 1 or array.size < _FEWEST:
        need = f"one row of at least {_FEWEST} widths"
    elif median(array) <= 0:
        need = "a median width above 0 [mm]"
    if need:
        got = f"shape {array.shape}" if array.ndim != 1 or array.size < _FEWEST else "a median of 0"
        raise InputError(Fault(got, need, "Leave the core out of the comparison.", "align_cores", 0, name))
    model = alignment_model()
    return signals(array[::-1], np.asarray(model["coefficients"]), model["split_shape"])


_FEWEST = 5  # choice: fewer rings cannot be told apart


def _answer(pair: tuple[Signals, Signals], sums: PairSums) -> Alignment:
    """Turn the counter by (difference in A, final offset) into the joint mass of both differences."""
    rows, width = sums.counter.shape
    most, shift = (rows - 1) // 2, (width - 1) // 2
    extra_a = np.arange(-most, most + 1)[:, None]
    extra_b = extra_a - np.arange(-shift, shift + 1)[None, :]  # both reach the same year: i + e_a = j + e_b
    mass = np.zeros((rows, rows + width - 1))
    np.add.at(mass, (np.broadcast_to(extra_a + most, extra_b.shape), extra_b + most + shift), sums.counter)
    return Alignment(sums.grids, mass / mass.sum(), -most, -most - shift, pair[0], pair[1], sums)
