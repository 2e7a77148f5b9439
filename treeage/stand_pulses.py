"""Number, date, width and share of pulses of establishment, with probabilities, against a smooth background.

Layer 3. Own derivation on `stand_mixture`; the shared shift moves the dates and is not undone.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from treeage.display import html_block
from treeage.errors import Fault, InputError, require_positive, require_probability, show
from treeage.stand_intensity import year_grid
from treeage.stand_mixture import PARTICLES, MixtureData, MixtureFit, components, fit_mixture, unpack
from treeage.stand_recruitment import SURVIVORS
from treeage.stand_sets import PulseSet, pulse_sets, summarise_sets
from treeage.stand_shared import SplitDraws, check_draws, split_shared, year_mass

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

WIDEST_YEARS = 15.0  # choice: a normal curve with this sd holds 80 % of a pulse within 38 years
RARER = 4.0  # choice: one more pulse is this many times less likely beforehand, since chance clusters are many
STOP = 4.0  # choice: one more pulse is not tried when the last was less likely by e^4
MOST_NODES = 3  # choice: strata of the shared error at which the mixture is fitted
MEMBERS = 100  # choice: draws over which the membership of trees is averaged
LEAST_TOLD = 0.01  # choice: other pulses in fewer draws than this are not told


@dataclass(frozen=True)
class PulseHistory:
    """Pulses of establishment of a stand.

    Parameters
    ----------
    chances : numpy.ndarray, shape (k,)
        Probability of 0, 1, 2, ... pulses.
    date, width, share : numpy.ndarray, shape (draws, pulses)
        Draws for the most probable number of pulses: centre [year], standard deviation [years], share of the
        trees. Only draws that show the pulses most draws show, so that a column is one pulse (`pulse_sets`).
    membership : numpy.ndarray, shape (n, pulses + 1)
        Probability of each tree to belong to the background (first column) or to each pulse, over these draws.
    trees : int
        Number of trees.
    widest_years : float
        Largest standard deviation that counts as a pulse [years].
    prob : float
        Probability of the intervals.
    sets : tuple of PulseSet
        Sets of pulses that the draws show, the one told here first, with their parts of all draws.
    """

    chances: NDArray[np.float64]
    date: NDArray[np.float64]
    width: NDArray[np.float64]
    share: NDArray[np.float64]
    membership: NDArray[np.float64]
    trees: int
    widest_years: float
    prob: float
    sets: tuple[PulseSet, ...] = ()

    @property
    def matched(self) -> float:
        """Part of the draws that show these pulses and no others.

        Returns
        -------
        float
            0 to 1, given the number of pulses.
        """
        return self.sets[0].part if self.sets else 1.0

    @property
    def number(self) -> int:
        """Most probable number of pulses.

        Returns
        -------
        int
            0 or more.
        """
        return int(np.argmax(self.chances))

    def to_frame(self) -> pd.DataFrame:
        """Table of the pulses.

        Returns
        -------
        pandas.DataFrame
            One row per pulse of the most probable number: pulse, p_number (probability of this number of
            pulses), p_set (probability of these pulses rather than others, given their number), median, lo and hi
            of date [year], width_sd_years and share given these pulses, trees (expected), prob. Empty without a
            pulse.
        """
        import pandas as pd

        tails = [0.5, (1 - self.prob) / 2, 1 - (1 - self.prob) / 2]
        rows = []
        for pulse in range(self.number):
            row: dict[str, object] = {"pulse": pulse + 1, "p_number": float(self.chances[self.number])}
            row["p_set"] = self.matched
            for name, draws in (("date", self.date), ("width_sd_years", self.width), ("share", self.share)):
                ends = np.quantile(draws[:, pulse], tails)
                row |= {f"{name}_{part}": float(end) for part, end in zip(("median", "lo", "hi"), ends, strict=True)}
            row["trees"] = float(self.membership[:, pulse + 1].sum())
            rows.append({**row, "prob": self.prob})
        columns = ["pulse", "p_number", "p_set", "date_median", "date_lo", "date_hi"]
        columns += ["width_sd_years_median", "width_sd_years_lo", "width_sd_years_hi"]
        columns += ["share_median", "share_lo", "share_hi", "trees", "prob"]
        return pd.DataFrame(rows, columns=columns)

    def sentence(self) -> str:
        """State the pulses in one sentence.

        Returns
        -------
        str
            Number, dates with intervals, shares, the probability, and the other pulses that some draws show.
        """
        chance = f"probability {self.chances[self.number]:.2f}"
        if self.number == 0:
            return (
                f"No pulse stands out from steady or slowly changing establishment of {self.trees} trees ({chance}); "
                f"a pulse is at most {self.widest_years:g} years in standard deviation."
            )
        parts = [
            f"{row['date_median']:.0f} ({row['date_lo']:.0f} to {row['date_hi']:.0f}, "
            f"{100 * row['share_median']:.0f} % of trees)"
            for row in self.to_frame().to_dict("records")
        ]
        noun = "pulse" if self.number == 1 else "pulses"
        return f"{self.number} {noun} of establishment, {chance}: {'; '.join(parts)}.{self._others()} Survivors only."

    def _others(self) -> str:
        """What the other draws show, where they are at least one in a hundred."""
        others = [each for each in self.sets[1:] if each.part >= LEAST_TOLD]
        if not others:
            return ""
        verb = "pulse is" if self.number == 1 else "pulses are"
        first = f" In {_percent(others[0].part)} of draws the {verb} {others[0].words()}"
        return first + "".join(f", in {_percent(each.part)} {each.words()}" for each in others[1:]) + " instead."

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw the pulses as dates with intervals and shares.

        Parameters
        ----------
        ax : matplotlib.axes.Axes, optional
            Where to draw; a new figure by default.

        Returns
        -------
        matplotlib.axes.Axes
            The axes drawn on.
        """
        from treeage.plots_stand import plot_pulses

        return plot_pulses(self, ax=ax)

    def _repr_html_(self) -> str:
        return html_block(self.to_frame(), sentence=self.sentence(), notes=[SURVIVORS], digits=2)


def find_pulses(
    draws: ArrayLike,
    *,
    weights: ArrayLike | None = None,
    most_pulses: int = 4,
    widest_years: float = WIDEST_YEARS,
    prob: float = 0.9,
    seed: int = 0,
    split: SplitDraws | None = None,
) -> PulseHistory:
    """Find pulses of establishment and say how sure their number, dates and shares are.

    Parameters
    ----------
    draws : array-like, shape (draws, n)
        Establishment years with shared error included; one column a tree.
    weights : array-like, shape (n,), optional
        Trees per hectare that each tree stands for, above 0.
    most_pulses : int, default 4
        Largest number that is tried.
    widest_years : float, default 15
        Largest standard deviation that still counts as a pulse [years] (choice: 80 % within 38 years).
    prob : float, default 0.9
        Probability of the intervals.
    seed : int, default 0
        Seed.
    split : SplitDraws, optional
        Parts of the draws, if they were split before.

    Returns
    -------
    PulseHistory
        Number with probabilities, and the pulses of the most probable number.

    Raises
    ------
    InputError
        If the draws or weights are malformed, or there are fewer than 5 trees.

    Notes
    -----
    Mixture of normal pulses on a background between two unknown years whose logarithm is a parabola (steady,
    declining, rising or humped establishment is no pulse). Prior: each further pulse is a quarter as
    likely as one less; two pulses are two only if further apart than their standard deviations together. A
    pulse narrower than the dating error keeps a width interval that reaches down to a year. Intervals and
    memberships are those of the draws that show the same pulses as most; the part of the others, and their dates,
    are told beside them.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> dates = np.append(rng.normal(1850, 4, 60), rng.uniform(1750, 1950, 40))
    >>> read = dates + rng.normal(0, 5, 100)
    >>> found = find_pulses(read + rng.normal(0, 5, (1000, 100)))
    >>> found.number, bool(found.date[:, 0].mean().round(-1) == 1850)
    (1, True)
    """
    where = "find_pulses"
    array = check_draws(where, draws)
    require_probability(where, prob=prob)
    require_positive(where, widest_years=np.asarray(widest_years) - 2.0)
    if array.shape[1] < 5:
        got = f"{array.shape[1]} trees"
        raise InputError(Fault(got, "at least 5 trees", "Date more trees.", where, 0, "draws"))
    if most_pulses < 0:
        raise InputError(Fault(show(most_pulses), "at least 0", "Use 4.", where, 0, "most_pulses"))
    weight = np.ones(array.shape[1]) if weights is None else require_positive(where, weights=weights)[0]
    share = weight * weight.sum() / (weight**2).sum()
    parts = split_shared(array, seed=seed) if split is None else split
    rng = np.random.default_rng(seed)
    groups = np.array_split(np.arange(parts.deviation.shape[0]), min(MOST_NODES, parts.deviation.shape[0]))
    data = [_data(parts, int(group[0]), share, widest_years) for group in groups]
    shifts = [parts.common[group].ravel() for group in groups]
    particles = max(400, PARTICLES // len(data))  # choice: several strata share the work
    families = [_fit_family(part, most_pulses, particles, rng) for part in data]
    return _collect(data, shifts, families, float(np.median(parts.own_sd)), prob, rng)


def _data(parts: SplitDraws, node: int, share: NDArray[np.float64], widest_years: float) -> MixtureData:
    span = float(np.ptp(parts.centre))
    pad = int(max(6.0, (4.6 * widest_years - span) / 2))  # choice: room for the shortest background
    grid = year_grid(parts, pad_years=pad)
    mass = year_mass(parts, node, first_year=grid.first_year, step_years=grid.step_years, size=grid.size)
    return MixtureData(mass, share, grid.centres, widest_years)


def _fit_family(data: MixtureData, most_pulses: int, particles: int, rng: np.random.Generator) -> list[MixtureFit]:
    """Fits with 0, 1, 2, ... pulses until one more is hopeless."""
    fits: list[MixtureFit] = []
    for number in range(most_pulses + 1):
        fits.append(fit_mixture(data, number, rng, particles=particles))
        scores = [fit.log_evidence - fit.pulses * np.log(RARER) for fit in fits]
        if number >= 1 and scores[-1] < max(scores) - STOP:
            break
    return fits


def _collect(
    data: list[MixtureData],
    shifts: list[NDArray[np.float64]],
    families: list[list[MixtureFit]],
    own_sd: float,
    prob: float,
    rng: np.random.Generator,
) -> PulseHistory:
    """Average over the strata of the shared error and add its common shift."""
    most = max(len(fits) for fits in families)
    chances = np.zeros(most)
    for fits in families:
        score = np.array([fit.log_evidence - fit.pulses * np.log(RARER) for fit in fits])
        odds = np.exp(score - score.max())
        chances[: len(fits)] += odds / odds.sum() / len(families)
    number = int(np.argmax(chances))
    kept = [(part, common, fits[number]) for part, common, fits in zip(data, shifts, families, strict=True)
            if len(fits) > number]  # fmt: skip
    thetas = [fit.theta[rng.permutation(len(fit.theta))] for _, _, fit in kept]
    theta = np.concatenate(thetas)
    _, date, width, share = unpack(theta, number)
    chosen = pulse_sets(date, width, own_sd_years=own_sd)
    shift = np.concatenate([rng.choice(each[1], size=len(own)) for each, own in zip(kept, thetas, strict=True)])
    date = date + shift[:, None]
    same = chosen == 0
    membership = np.zeros((data[0].mass.shape[0], number + 1))
    start = 0
    for (part, _, _), own in zip(kept, thetas, strict=True):
        mine = own[same[start : start + len(own)]]
        start += len(own)
        if len(mine):
            membership += len(mine) / same.sum() * _membership(part, mine[:MEMBERS], number)
    return PulseHistory(
        chances, date[same], width[same], share[same, 1:], membership, data[0].mass.shape[0], data[0].widest_years,
        prob, summarise_sets(date, chosen),
    )  # fmt: skip


def _membership(data: MixtureData, theta: NDArray[np.float64], pulses: int) -> NDArray[np.float64]:
    """Probability of each tree to belong to each component, averaged over draws."""
    parts = components(data, theta, pulses)
    part = unpack(theta, pulses)[3]
    total = np.zeros((data.mass.shape[0], pulses + 1))
    for curve, odds in zip(parts, part, strict=True):
        seen = data.mass @ curve.T * odds
        total += seen / np.maximum(seen.sum(axis=1, keepdims=True), 1e-300)
    return np.asarray(total / theta.shape[0])


def _percent(part: float) -> str:
    return f"{100 * part:.0f} %"
