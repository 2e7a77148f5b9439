"""What is believed about absent and false rings before two cores are compared.

Published rates (St. George et al. 2013; Douglass 1919; Lorimer et al. 1999) and fitted constants.
"""

from __future__ import annotations

import csv
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from importlib.resources import files
from typing import TYPE_CHECKING, Any

import numpy as np

from treeage.alignment.signals import Array, EventFactors, Signals
from treeage.errors import Fault, InputError, show
from treeage.pmf import Pmf

if TYPE_CHECKING:
    from treeage.alignment.signals import PairSums

_STAND_RINGS = 3000.0  # choice: the prior rates count as much as so many rings of the stand
_STAND_PAIRS = 6.0  # choice: the prior of the correlation counts as much as so many pairs
_HIGHEST_RATE = 0.05  # choice: bristlecone pine, up to 5 % absent on a radius, is about the worst there is


@lru_cache(maxsize=1)
def alignment_model() -> dict[str, Any]:
    """Constants of the alignment as shipped.

    Returns
    -------
    dict
        Fitted and chosen constants with their source.

    Examples
    --------
    >>> float(sum(alignment_model()["coefficients"]))
    1.0
    """
    text = files("treeage").joinpath("data/alignment_model.json").read_text(encoding="utf-8")
    model: dict[str, Any] = json.loads(text)
    return model


def _default(name: str) -> float:
    return float(alignment_model()[name])


@dataclass(frozen=True)
class AlignmentPrior:
    """Event rates of two cores and what else is believed before they are compared.

    Parameters
    ----------
    absent_rate_a, absent_rate_b : float
        Probability [per ring], 0 to 0.2, that a year has no ring in the core although it has one in the other.
    false_rate_a, false_rate_b : float
        Probability [per ring], 0 to 0.2, that one year was counted as two rings in the core.
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
        If a rate, share, weight or shift is outside its range.

    Examples
    --------
    One core is crossdated: nothing can be absent or false in it.

    >>> AlignmentPrior(absent_rate_a=0.0, false_rate_a=0.0).absent_rate_a
    0.0
    """

    absent_rate_a: float = field(default_factory=lambda: _default("absent_rate"))
    absent_rate_b: float = field(default_factory=lambda: _default("absent_rate"))
    false_rate_a: float = field(default_factory=lambda: _default("false_rate"))
    false_rate_b: float = field(default_factory=lambda: _default("false_rate"))
    narrow_share: float = field(default_factory=lambda: _default("narrow_share"))
    correlation_weights: tuple[float, ...] = field(
        default_factory=lambda: tuple(alignment_model()["correlation_weights"])
    )
    outer_shifts: Mapping[int, float] = field(default_factory=lambda: {0: 1.0})
    max_shift: int = 4

    def __post_init__(self) -> None:
        faults = []
        for name in ("absent_rate_a", "absent_rate_b", "false_rate_a", "false_rate_b"):
            faults += _outside(name, getattr(self, name), 0.0, 0.2, "a rate per ring from 0 to 0.2")
        faults += _outside("narrow_share", self.narrow_share, 0.0, 1.0, "a share from 0 to 1")
        faults += _outside("max_shift", self.max_shift, 1, 60, "1 to 60 rings")
        nodes = len(alignment_model()["correlation_nodes"])
        weights = self.correlation_weights
        if len(weights) != nodes or min(weights) < 0 or sum(weights) <= 0:
            need = f"{nodes} weights of at least 0, one of them above 0"
            faults.append(_fault("correlation_weights", show(weights), need))
        shifts = self.outer_shifts
        if not shifts or min(shifts.values()) < 0 or sum(shifts.values()) <= 0:
            faults.append(
                _fault("outer_shifts", show(dict(shifts)), "probabilities of at least 0, one of them above 0")
            )
        if faults:
            raise InputError(faults)

    def factors(self, core_a: Signals, core_b: Signals) -> EventFactors:
        """Spread the rates over the rings of two cores.

        Parameters
        ----------
        core_a, core_b : Signals
            The two series.

        Returns
        -------
        EventFactors
            Prior factors ring by ring; an absent ring is likelier where the other core is narrow.
        """
        rates = (self.absent_rate_a, self.absent_rate_b, self.false_rate_a, self.false_rate_b)
        return EventFactors(
            absent_in_a=self.absent_rate_a * self._narrow(core_b),
            absent_in_b=self.absent_rate_b * self._narrow(core_a),
            false_in_a=np.full(core_a.size, self.false_rate_a),
            false_in_b=np.full(core_b.size, self.false_rate_b),
            stay=max(1.0 - sum(rates), 0.1),
        )

    def _narrow(self, other: Signals) -> Array:
        model = alignment_model()
        level = np.clip(other.narrowness, model["narrow_low"], model["narrow_high"])
        odds = np.exp(-model["narrow_slope"] * level)
        return np.asarray((1.0 - self.narrow_share) + self.narrow_share * odds / odds.mean())


def _fault(name: str, got: str, need: str) -> Fault:
    return Fault(got, need, f"Correct or leave out {name}.", "AlignmentPrior", 0, name)


def _outside(name: str, value: float, low: float, high: float, need: str) -> list[Fault]:
    good = isinstance(value, (int, float, np.integer, np.floating)) and low <= value <= high
    return [] if good else [_fault(name, show(value), need)]


@lru_cache(maxsize=1)
def rate_factors() -> tuple[dict[str, str], ...]:
    """Factors by genus and crown class on the default event rates, with sources.

    Returns
    -------
    tuple of dict
        Keys kind, group, level, factor, known (how: abstract, measured, choice) and source.

    Examples
    --------
    >>> rate_factors()[0]["level"]
    'Pinus'
    """
    text = files("treeage").joinpath("data/alignment_rates.csv").read_text(encoding="utf-8")
    return tuple(csv.DictReader(text.splitlines()))


def _factor(kind: str, group: str, level: str | None) -> float:
    for row in rate_factors():
        if level and (row["kind"], row["group"], row["level"].lower()) == (kind, group, level.strip().lower()):
            return float(row["factor"])
    return 1.0


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
        Genus; an unknown one has the default rates.
    crown_class : str, optional
        dominant, codominant, intermediate, suppressed or overtopped; others have the default rates.
    crossdated_a, crossdated_b : bool, default False
        Whether the core is crossdated: then nothing is absent or false in it.
    outer_shifts : mapping of int to float, optional
        Prior probability of outer rings that A lacks against B; none by default.

    Returns
    -------
    AlignmentPrior
        Rates by `rate_factors`, at most 5 % a ring.

    Notes
    -----
    The default rates (absent 0.0015, false 0.0008 a ring) are a choice between the published mean of one absent
    ring in 240 [1]_ (absent rings come in few cores and years) and what leaves few alarms in unedited archive pairs.
    Douglass [2]_ found 0.22 % lacking and 0.12 % extra rings in 65 sections of Arizona pine. The factors are
    mostly choices from wording, not from printed figures: each says how it is known.

    References
    ----------
    .. [1] St. George, S., Ault, T.R., Torbenson, M.C.A. (2013). Geophysical Research Letters. doi:10.1002/grl.50743
    .. [2] Douglass, A.E. (1919). Climatic cycles and tree-growth. Carnegie Institution Publication 289, p. 29.

    Examples
    --------
    >>> prior = alignment_prior(genus="Pinus", crossdated_a=True)
    >>> prior.absent_rate_a, round(prior.absent_rate_b / AlignmentPrior().absent_rate_b, 6)
    (0.0, 1.5)
    """
    start = AlignmentPrior()
    rates: dict[str, float] = {}
    for kind, rate in (("absent", start.absent_rate_a), ("false", start.false_rate_a)):
        factor = _factor(kind, "genus", genus) * _factor(kind, "crown", crown_class)
        for core, exact in (("a", crossdated_a), ("b", crossdated_b)):
            rates[f"{kind}_rate_{core}"] = 0.0 if exact else min(rate * factor, _HIGHEST_RATE)
    return replace(_with_rates(start, rates), outer_shifts=dict(outer_shifts or {0: 1.0}))


def _with_rates(prior: AlignmentPrior, rates: Mapping[str, float]) -> AlignmentPrior:
    return replace(
        prior,
        absent_rate_a=rates.get("absent_rate_a", prior.absent_rate_a),
        absent_rate_b=rates.get("absent_rate_b", prior.absent_rate_b),
        false_rate_a=rates.get("false_rate_a", prior.false_rate_a),
        false_rate_b=rates.get("false_rate_b", prior.false_rate_b),
    )


def stand_prior(found: Sequence[PairSums], *, prior: AlignmentPrior | None = None) -> AlignmentPrior:
    """Learn rates and correlations from the pairs of a stand.

    Parameters
    ----------
    found : sequence of PairSums
        `Alignment.sums` of the stand's pairs, aligned under the prior.
    prior : AlignmentPrior, optional
        That prior; it counts as much as 3,000 rings and 6 pairs (choice).

    Returns
    -------
    AlignmentPrior
        With posterior mean rates, the same for both cores unless a rate was 0.

    Notes
    -----
    Empirical Bayes in one step: expected numbers of events over rings, and mean weights of the correlations.

    Examples
    --------
    >>> stand_prior([]) == AlignmentPrior()
    True
    """
    start = prior or AlignmentPrior()
    if not found:
        return start
    rings = sum(one.grids.path.shape[0] for one in found)
    rates: dict[str, float] = {}
    for kind in ("absent", "false"):
        names = [f"{kind}_rate_a", f"{kind}_rate_b"]
        free = [name for name in names if getattr(start, name) > 0]
        if not free:
            continue
        events = sum(float(one.grids.grids[f"{kind}_in_{name[-1]}"].sum()) for one in found for name in free)
        before = sum(getattr(start, name) for name in free) / len(free)
        rate = (events + before * _STAND_RINGS) / (rings * len(free) + _STAND_RINGS)
        rates |= {name: min(rate, _HIGHEST_RATE) for name in free}
    weights = np.asarray(start.correlation_weights) / sum(start.correlation_weights) * _STAND_PAIRS
    weights = weights + np.sum([one.correlation_weights for one in found], axis=0)
    return replace(_with_rates(start, rates), correlation_weights=tuple((weights / weights.sum()).tolist()))


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
        If the number of rings is negative.

    Notes
    -----
    Negative binomial. Mean: rings times the absent rate times the probability that the second core lacks the ring
    too. A ring absent over a share f of the circumference is missed by two independent cores with probability f**2
    and by two that see the same side with f; the model file holds how often a core of the archive lacks a ring
    that its mate lacks. The small size (heavy tail) says that a few trees lack many.

    Examples
    --------
    >>> unseen_rings(0).prob_at(0)
    1.0
    >>> unseen_rings(200, genus="Pinus").prob_at(0) < unseen_rings(200, genus="Quercus").prob_at(0)
    True
    """
    if rings_counted < 0:
        raise InputError(
            Fault(show(rings_counted), "at least 0", "Pass a number of rings.", "unseen_rings", 0, "rings_counted")
        )
    model = alignment_model()
    rate = alignment_prior(genus=genus, crown_class=crown_class).absent_rate_a
    mean = rings_counted * rate * float(model["unseen_share"])
    size = float(model["unseen_size"])
    mass = np.zeros(64)  # choice: room far beyond any mean of the default rates; the tail is cut at 1e-9
    mass[0] = (size / (size + mean)) ** size
    for count in range(1, mass.size):
        mass[count] = mass[count - 1] * (count - 1 + size) / count * mean / (size + mean)
    return Pmf(0, mass).trim()
