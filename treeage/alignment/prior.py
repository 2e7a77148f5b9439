"""What is believed about absent and false rings before two cores are compared.

Rates of absent and false rings of data/ring_rates.csv (archive; Douglass 1919; Lorimer et al. 1999), fitted constants.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import lru_cache
from types import MappingProxyType
from typing import Any

import numpy as np

from treeage.alignment.lattice import Array, EventFactors, Signals
from treeage.errors import Fault, InputError, require_whole, show
from treeage.pmf import Pmf, ReadOnlyDict
from treeage.priors import data_text, ring_rate, ring_rate_factor

MOST_RINGS = 10_000  # as in the column rings_counted
HIGHEST_SHARE = 0.05  # choice: bristlecone pine, up to 5 % absent on a radius, is about the worst there is


@lru_cache(maxsize=1)
def alignment_model() -> Mapping[str, Any]:
    """Constants of the alignment as shipped, fitted and chosen, with their source."""
    model = json.loads(data_text("alignment_model.json"))
    return MappingProxyType({name: tuple(each) if isinstance(each, list) else each for name, each in model.items()})


def narrow_odds(narrowness: Array) -> Array:
    """Odds that a ring is absent by how narrow its year is, up to a factor."""
    model = alignment_model()
    return np.asarray(np.exp(-model["narrow_slope"] * np.clip(narrowness, model["narrow_low"], model["narrow_high"])))


def _default(kind: str) -> float:
    return ring_rate(kind).mean


@dataclass(frozen=True)
class AlignmentPrior:
    """Shares of absent and false rings of two cores, and what else is believed before they are compared.

    Parameters
    ----------
    absent_share_a, absent_share_b : float
        Probability [per ring], 0 to 0.2, that a year has no ring in the core although it has one in the other.
    false_share_a, false_share_b : float
        Probability [per ring], 0 to 0.2, that one year was counted as two rings in the core.
    both_share : float
        Probability [per ring], 0 to 0.2, that a year has no ring in either core; only a reference can show it.
    narrow_share : float
        Share, 0 to 1, of absent rings that prefer narrow years; the rest (a lost piece) fall anywhere.
    correlation_weights : tuple of float, optional
        Prior weights of the correlation nodes of the model; the archive's by default.
    outer_shifts : mapping of int to float
        Prior probability that core A lacks so many of the outermost rings of core B (negative: B lacks them);
        {0: 1.0} by default, as both cores are said to end at the same year.
    max_shift : int
        Largest offset between the two counts that is followed at first, 1 to 60 rings; widened where it matters.

    Raises
    ------
    InputError
        If a share, weight or shift is outside its range.

    Examples
    --------
    One core is crossdated: nothing can be absent or false in it.

    >>> AlignmentPrior(absent_share_a=0.0, false_share_a=0.0).absent_share_a
    0.0
    """

    absent_share_a: float = field(default_factory=lambda: _default("absent"))
    absent_share_b: float = field(default_factory=lambda: _default("absent"))
    false_share_a: float = field(default_factory=lambda: _default("false"))
    false_share_b: float = field(default_factory=lambda: _default("false"))
    both_share: float = field(default_factory=lambda: _default("absent") * ring_rate("absent").in_all_cores)
    narrow_share: float = field(default_factory=lambda: float(alignment_model()["narrow_share"]))
    correlation_weights: tuple[float, ...] = field(
        default_factory=lambda: tuple(alignment_model()["correlation_weights"])
    )
    outer_shifts: Mapping[int, float] = field(default_factory=lambda: {0: 1.0})
    max_shift: int = 4

    def __post_init__(self) -> None:
        faults = []
        for name in ("absent_share_a", "absent_share_b", "false_share_a", "false_share_b", "both_share"):
            faults += _outside(name, getattr(self, name), 0.0, 0.2, "a share of rings from 0 to 0.2")
        faults += _outside("narrow_share", self.narrow_share, 0.0, 1.0, "a share from 0 to 1")
        faults += _outside("max_shift", self.max_shift, 1, 60, "1 to 60 rings, whole", whole=True)
        nodes = len(alignment_model()["correlation_nodes"])
        weights = self.correlation_weights
        if len(weights) != nodes or not (min(weights) >= 0 and 0 < sum(weights) < np.inf):
            need = f"{nodes} weights of at least 0, one of them above 0"
            faults.append(_fault("correlation_weights", show(weights), need))
        shifts = self.outer_shifts
        whole = all(isinstance(shift, (int, np.integer)) for shift in shifts)
        if not shifts or not whole or not (min(shifts.values()) >= 0 and 0 < sum(shifts.values()) < np.inf):
            need = "probabilities of at least 0 by whole shifts, one of them above 0"
            faults.append(_fault("outer_shifts", show(dict(shifts)), need))
        if faults:
            raise InputError(faults)
        object.__setattr__(self, "outer_shifts", ReadOnlyDict(shifts))

    @property
    def one_sided(self) -> bool:
        """Whether events happen in core A only."""
        return self.absent_share_b == self.false_share_b == 0 < self.absent_share_a + self.false_share_a

    def factors(self, core_a: Signals, core_b: Signals) -> EventFactors:
        """Prior factors ring by ring of two cores; an absent ring is likelier where the other core is narrow."""
        shares = (self.absent_share_a, self.absent_share_b, self.false_share_a, self.false_share_b)
        return EventFactors(
            absent_in_a=self.absent_share_a * self._narrow(core_b),
            absent_in_b=self.absent_share_b * self._narrow(core_a),
            false_in_a=np.full(core_a.size, self.false_share_a),
            false_in_b=np.full(core_b.size, self.false_share_b),
            stay=max(1.0 - sum(shares), 0.1),
        )

    def _narrow(self, other: Signals) -> Array:
        return self.narrow_factor(other.narrowness)

    def narrow_factor(self, narrowness: Array) -> Array:
        """Factor on the share of absent rings by how narrow each year is, 1 on average over the years."""
        odds = narrow_odds(narrowness)
        return np.asarray((1.0 - self.narrow_share) + self.narrow_share * odds / odds.mean())


def alignment_prior(
    *,
    genus: str | None = None,
    crown_class: str | None = None,
    crossdated_a: bool = False,
    crossdated_b: bool = False,
    outer_shifts: Mapping[int, float] | None = None,
) -> AlignmentPrior:
    """Prior for two cores of a tree of which something is known.

    Parameters
    ----------
    genus : str, optional
        Genus or species; an unknown one has the rates of all genera.
    crown_class : str, optional
        dominant, codominant, intermediate, suppressed or overtopped; others have the default shares.
    crossdated_a, crossdated_b : bool, default False
        Whether the core is crossdated: then nothing is absent or false in it.
    outer_shifts : mapping of int to float, optional
        Prior probability of outer rings that A lacks against B; none by default.

    Returns
    -------
    AlignmentPrior
        Shares by the table of factors, at most 5 % of the rings.

    Notes
    -----
    The rates are those of `treeage.counting`: absent rings of the archive's sites, false rings mostly chosen from
    wording (Douglass [1]_ found 0.22 % lacking and 0.12 % extra rings in 65 sections of Arizona pine). Crown classes
    are factors on them [2]_. Each row of the table says how it is known.

    References
    ----------
    .. [1] Douglass, A.E. (1919). Climatic cycles and tree-growth. Carnegie Institution Publication 289, p. 29.
    .. [2] Lorimer, C.G., Dahir, S.E., Singer, M.T. (1999). Plant Ecology 143: 189-202 (abstract).

    Examples
    --------
    >>> prior = alignment_prior(genus="Pinus", crossdated_a=True)
    >>> prior.absent_share_a, prior.absent_share_b > AlignmentPrior().absent_share_b
    (0.0, True)
    """
    start = AlignmentPrior(outer_shifts=outer_shifts or {0: 1.0})
    shares: dict[str, Any] = {}
    for kind in ("absent", "false"):
        share = ring_rate(kind, genus).mean * ring_rate_factor(kind, "crown", crown_class)
        for core, exact in (("a", crossdated_a), ("b", crossdated_b)):
            shares[f"{kind}_share_{core}"] = 0.0 if exact else min(share, HIGHEST_SHARE)
    return replace(start, **shares)


def unseen_rings(rings_counted: int, *, genus: str | None = None, crown_class: str | None = None) -> Pmf:
    """Rings absent in both cores of a tree: no alignment can show them.

    Parameters
    ----------
    rings_counted : int
        Rings counted in the longer core, at least 0.
    genus, crown_class : str, optional
        As in `alignment_prior`.

    Returns
    -------
    Pmf
        True minus counted rings that both cores share; to be added (convolved) by the caller.

    Raises
    ------
    InputError
        If the number of rings is not a whole number from 0 to 10,000.

    Notes
    -----
    Negative binomial. Mean: rings times the absent share times the share of absent rings that all cores of a tree lack
    (47 % in the archive, by genus; a second core does not show these). Shape: that of the rate between sites.

    Examples
    --------
    >>> unseen_rings(0).prob_at(0)
    1.0
    >>> unseen_rings(200, genus="Pinus").prob_at(0) < unseen_rings(200, genus="Quercus").prob_at(0)
    True
    """
    require_whole("unseen_rings", "rings_counted", rings_counted, 0, MOST_RINGS)
    rate, share = ring_rate("absent", genus), alignment_prior(genus=genus, crown_class=crown_class).absent_share_a
    mean, size = rings_counted * share * rate.in_all_cores, rate.shape
    room = int(mean + 16 * mean / size) + 10  # choice: sixteen times the scale of the gamma leave out less than 1e-6
    mass = np.zeros(max(64, room))
    mass[0] = (size / (size + mean)) ** size
    for count in range(1, mass.size):
        mass[count] = mass[count - 1] * (count - 1 + size) / count * mean / (size + mean)
    return Pmf(0, mass).trim()


def _fault(name: str, got: str, need: str) -> Fault:
    return Fault(got, need, f"Correct or leave out {name}.", "AlignmentPrior", 0, name)


def _outside(name: str, value: float, low: float, high: float, need: str, *, whole: bool = False) -> list[Fault]:
    kinds = (int, np.integer) if whole else (int, float, np.integer, np.floating)
    good = isinstance(value, kinds) and low <= value <= high
    return [] if good else [_fault(name, show(value), need)]
