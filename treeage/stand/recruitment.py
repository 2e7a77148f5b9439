"""Establishment by year with the blur of dating undone, and the dates of the trees given that history.

A penalised Poisson process seen through the mass functions of the trees, its roughness weighted by marginal likelihood
and the shared error averaged over; own derivation.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from treeage.display import Result, year_text
from treeage.errors import Fault, InputError, public, require_nonnegative, require_probability, require_whole
from treeage.pmf import freeze_arrays, interval_levels
from treeage.stand.mixture import PulseFits, components, fit_pulses, pulse_quantile, unpack
from treeage.stand.structure import (
    Array,
    Ints,
    SplitDraws,
    YearGrid,
    check_draws,
    check_weights,
    split_shared,
    year_grid,
    year_mass,
)

if TYPE_CHECKING:
    import pandas as pd

FEWEST_TREES = 5  # choice: below this no history can be told
NEWTON_STEPS = 60  # choice: far more than are ever needed
ROUGHNESS = np.geomspace(1e-4, 0.4, 13)  # choice: sd of the yearly second difference, from straight to year by year
ROUGHNESS_SCALE = 0.05  # choice: mean of the exponential prior on it; at 0.05 the log wanders by 10 in 50 years
RARE = 0.005  # choice: a roughness less likely than this in one stratum of the shared error is not tried in the next
GIVE_UP = 12.0  # choice: log evidence below the best at which rougher histories are not tried any more
PAIRS = 4  # choice: common shifts that are tried with each draw of the pulses
UNLIKELY = 1e-3  # choice: numbers of pulses less likely than this are not drawn
FIRST = 0.02  # choice: share of such a pulse by which its lag is measured
FOLLOWS = 0.5  # choice: probability beforehand that a pulse follows one of the known events
LAG_YEARS, LEAD_YEARS = 3.0, 0.3  # choice: mean years from an event to such a pulse; and by which it may seem earlier
LEVEL_SD, TREND_SD = 2.0, 0.1  # choice: log level may jump sevenfold at an event; yearly change by a tenth
GRADUAL = 0.05  # choice: by how much less than 1 the lean of such a pulse is
SHIFT_BINS = 5  # choice: values of the common shift at which an event is placed
SEEN_SHARE = 0.02  # choice: of the highest median, a line's width in a figure
SURVIVORS = (
    "Establishment dates of trees that were alive to be cored: those that died before are missing, so a rise towards "
    "the present may be mortality and a quiet early period may be death, not absence."
)


@dataclass(frozen=True)
class RecruitmentHistory(Result):
    """Intensity of establishment by year, as draws; from `recruitment_history`.

    Parameters
    ----------
    years : numpy.ndarray, shape (size,)
        Centres of the cells [year].
    step_years : int
        Width of a cell [years].
    intensity : numpy.ndarray, shape (draws, size)
        Establishment per year, shared shift included.
    naive : numpy.ndarray, shape (size,)
        Histogram of the trees' median dates, in the same unit.
    own : numpy.ndarray, shape (draws, grid size)
        The intensity before the shared shift, on the grid of the mass functions [trees per year, unit
        weight].
    node, shift : numpy.ndarray, shape (draws,)
        Stratum of the shared error and the common shift [years] of each draw.
    grid : YearGrid
        Grid of the mass functions.
    smooth_part : float
        Part of the draws without a pulse, 0 to 1: the probability that there was none.
    trees : int
        Number of trees.
    unit : str
        "trees per year" or "trees per ha and year".
    prob : float
        Probability of the bands.
    events : mapping of str to int
        Known events after which establishment was allowed to begin anew.
    dead : int, default 0
        Trees that were dead when they were cored, which are among them.
    above : int, default 0
        Trees whose date is the year at coring height.
    """

    _digits = 2
    _caveats = (SURVIVORS,)

    years: Array
    step_years: int
    intensity: Array
    naive: Array
    own: Array
    node: Ints
    shift: Array
    grid: YearGrid
    smooth_part: float
    trees: int
    unit: str
    prob: float
    events: Mapping[str, int] = field(default_factory=dict)
    dead: int = 0
    above: int = 0

    def __post_init__(self) -> None:
        freeze_arrays(self)

    def to_frame(self) -> pd.DataFrame:
        """One row a cell: first and last year, median, lo and hi of the establishment per year, naive histogram."""
        import pandas as pd

        median, low, high = np.quantile(self.intensity, interval_levels(self.prob), axis=0)
        first = np.ceil(self.years - self.step_years / 2).astype(np.int64)
        return pd.DataFrame(
            {
                "year_first": first,
                "year_last": first + self.step_years - 1,
                "establishment_median": median,
                "establishment_lo": low,
                "establishment_hi": high,
                "naive": self.naive,
                "unit": self.unit,
                "prob": self.prob,
            }
        )

    def sentence(self) -> str:
        """When half of the living trees had established, and nine tenths, with the caveat."""
        middle = np.median(self.intensity, axis=0)
        cumulative = np.cumsum(middle) / middle.sum()
        ends = [year_text(int(self.years[np.searchsorted(cumulative, level)])) for level in (0.05, 0.5, 0.95)]
        who = f"trees, {self.dead} of them dead" if self.dead else "living trees"
        return (
            f"{self.trees} {who}: half established by about {ends[1]}, nine tenths between {ends[0]} and "
            f"{ends[2]}.{self._rests_on()} Survivors only."
        )

    def _rests_on(self) -> str:
        """The events that were taken as possible beginnings."""
        if not self.events:
            return ""
        told = ", ".join(f"{event} ({year_text(year)})" for event, year in self.events.items())
        return f" Establishment was allowed to begin anew after {told}, with probability one half beforehand."


@public
def recruitment_history(
    draws: ArrayLike,
    *,
    weights: ArrayLike | None = None,
    last_year: int | None = None,
    count: int = 1000,
    prob: float = 0.9,
    seed: int = 0,
    split: SplitDraws | None = None,
    events: Mapping[str, int] | None = None,
) -> RecruitmentHistory:
    """Estimate establishment by year from joint draws of the trees' dates, undoing the blur of dating.

    Parameters
    ----------
    draws : array-like, shape (draws, n)
        Establishment years with shared error included; one column a tree; 1,000 draws or more.
    weights : array-like, shape (n,), optional
        Trees per hectare that each tree stands for, above 0; needed where trees had unequal chances. Without
        it every tree counts once.
    last_year : int, optional
        Year of coring: nothing establishes after it.
    count : int, default 1000
        Draws of the history (choice: band ends to a few percent).
    prob : float, default 0.9
        Probability of the bands.
    seed : int, default 0
        Seed.
    split : SplitDraws, optional
        Parts of the draws, if they were split before (`split_shared`).
    events : mapping of str to int, optional
        Name and year of known events after which establishment may have begun anew.

    Returns
    -------
    RecruitmentHistory
        Intensity by year.

    Raises
    ------
    InputError
        If the draws or weights are malformed, an event has no year, count or seed is not a whole number within its
        range, or there are fewer than 5 trees.

    Notes
    -----
    Each tree's own error is undone through its exact mass function. The history is averaged over the numbers of pulses
    of `find_pulses` by their probability: without a pulse a smooth curve (a penalised random walk, its roughness
    averaged over by marginal likelihood), else pulses on a background. The bands include which trees happened to
    establish (Poisson), the dating error, all of these choices and the shared shift, which moves the whole history. A
    known event is taken as a beginning with probability one half (choice): a pulse then begins suddenly and in the mean
    3 years later, a smooth curve may change level and trend. That also teaches the shared shift, so give only events
    known from elsewhere, and none to test whether a cohort followed one (`find_pulses` uses none). Unequal weights
    enter as a weighted likelihood scaled to the effective number of trees. What it cannot see: anything narrower than
    the trees' own error, and the dead.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> dates = rng.normal(1850, 6, 80) + rng.normal(0, 5, 80)
    >>> history = recruitment_history(dates + rng.normal(0, 5, (1000, 80)), count=200)
    >>> bool(history.intensity[:, abs(history.years - 1850) < 15].sum() > 0.85 * history.intensity.sum())
    True
    """
    where = "recruitment_history"
    array = check_draws(where, draws)
    require_probability(where, prob=prob)
    check_count(where, array)
    require_whole(where, "count", count, 1)
    weight = check_weights(where, weights, array.shape[1])
    parts = split_shared(array, seed=seed) if split is None else split
    fits = fit_pulses(parts, weight, seed=seed)
    return told_history(
        fits, array, None if weights is None else weight, events=events, last_year=last_year, count=count, prob=prob,
        seed=seed,
    )  # fmt: skip


def told_history(
    fits: PulseFits,
    draws: Array,
    weights: Array | None,
    *,
    events: Mapping[str, int] | None = None,
    last_year: int | None = None,
    count: int = 1000,
    prob: float = 0.9,
    seed: int = 0,
) -> RecruitmentHistory:
    """Establishment by year from the fits of `fit_pulses` to joint draws (draws, n) with weights (n,)."""
    rng = np.random.default_rng([seed, 2])
    parts = fits.parts
    grid = year_grid(parts, last_year=last_year)
    known = dict(events or {})
    years = _event_years(known)
    nodes = parts.deviation.shape[0]
    node = np.sort(rng.integers(0, nodes, count)) if nodes > 1 else np.zeros(count, dtype=np.int64)
    own, shift, rough = np.empty((count, grid.size)), np.empty(count), np.full(count, np.nan)
    likely = ROUGHNESS
    for stratum in range(nodes):
        rows = np.flatnonzero(node == stratum)
        for number, theta, moved in _mixture_draws(fits, stratum, years, rows.size, rng):
            mine, rows = rows[: moved.size], rows[moved.size :]
            shift[mine] = moved
            if number:
                own[mine] = _mixture_intensity(fits, theta, number, grid, rng)
                continue
            smooth = _smooth_fits(fits, stratum, grid, likely, years)
            likely = np.unique([each.roughness for each in smooth if each.chance > RARE])
            own[mine], shift[mine], rough[mine] = _smooth_draws(smooth, mine.size, rng)
    own /= grid.step_years
    centres, moved = _shifted(own, shift, grid)
    weight = np.ones(draws.shape[1]) if weights is None else weights
    per_tree = float(weight.sum() / fits.weights.sum())
    edges = np.append(centres - grid.step_years / 2, centres[-1] + grid.step_years / 2)
    naive = np.histogram(np.median(draws, axis=0), bins=edges, weights=weight)[0] / grid.step_years
    unit = "trees per year" if weights is None else "trees per ha and year"
    smooth_part = float(np.isfinite(rough).mean())
    return RecruitmentHistory(
        centres, grid.step_years, moved * per_tree, naive, own, node, shift, grid, smooth_part, draws.shape[1], unit,
        prob, known,
    )  # fmt: skip


@public
def sharpened_dates(split: SplitDraws, history: RecruitmentHistory, *, count: int = 400, seed: int = 0) -> Array:
    """Draw the dates of all trees given the recovered history of the stand.

    Parameters
    ----------
    split : SplitDraws
        Parts of the joint draws that the history was estimated from.
    history : RecruitmentHistory
        Recovered intensity.
    count : int, default 400
        Number of draws, at most that of the history (choice: counts to a few percent).
    seed : int, default 0
        Seed.

    Returns
    -------
    numpy.ndarray, shape (count, n)
        Establishment years, shared shift included.

    Notes
    -----
    Dates estimated one by one scatter more than the true ones, so their minimum is too early and their lags
    too wide. Tree i is drawn from mass_it * L_t for each draw of the intensity L: use these for extremes and
    lags of the stand, and the tree's own mass function for statements on that tree alone.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> dates = rng.uniform(1840, 1870, 80)
    >>> draws = dates + rng.normal(0, 6, 80) + rng.normal(0, 6, (500, 80))
    >>> split = split_shared(draws)
    >>> sharp = sharpened_dates(split, recruitment_history(draws, split=split, count=200), count=100)
    >>> [round(float(table.std(axis=1).mean() / dates.std()), 1) for table in (draws, sharp)]
    [1.5, 1.1]
    """
    rng = np.random.default_rng(seed)
    rows = np.linspace(0, history.node.size - 1, min(count, history.node.size)).astype(int)
    grid = history.grid
    out = np.empty((rows.size, split.centre.size))
    known, mass = -1, np.empty((0, 0))
    for at, row in enumerate(rows):
        if history.node[row] != known:
            known = int(history.node[row])
            mass = year_mass(split, known, grid)
        total = np.cumsum(mass * np.maximum(history.own[row], 1e-12), axis=1)
        level = rng.random(split.centre.size) * total[:, -1]
        cell = (total < level[:, None]).sum(axis=1)
        out[at] = grid.first_year + grid.step_years * (cell + rng.random(cell.size) - 0.5) + history.shift[row]
    return out


def seen_cells(median: ArrayLike, high: ArrayLike) -> slice:
    """Cells between the first and the last whose band can be seen beside the highest median.

    Parameters
    ----------
    median, high : array-like, shape (size,)
        Median of the intensity and upper end of its band, in one unit.

    Returns
    -------
    slice
        Cells from the first to the last whose band ends above 2 % of the highest median (choice: a line's width in a
        figure); all cells if there are none.

    Examples
    --------
    >>> seen_cells([0, 0, 1, 0, 0], [0, 0.1, 2, 0.1, 0.001])
    slice(1, 4, None)
    """
    inside = np.flatnonzero(np.asarray(high) > SEEN_SHARE * float(np.max(np.asarray(median))))
    return slice(int(inside[0]), int(inside[-1]) + 1) if inside.size else slice(0, np.asarray(high).size)


def check_count(where: str, array: Array) -> None:
    """Refuse draws of too few trees for a history."""
    if array.shape[1] < FEWEST_TREES:
        got, need = f"{array.shape[1]} trees", f"at least {FEWEST_TREES} trees"
        raise InputError(Fault(got, need, "Date more trees.", where, 0, "draws"))


# ------------------------------------------------------------------ draws with pulses


def _event_years(events: Mapping[str, int]) -> Array:
    """Years of the known events, ascending."""
    years = np.unique(np.array(list(events.values()), dtype=np.float64))
    if not np.all(np.isfinite(years)):
        do = "Leave out events without a year."
        raise InputError(Fault("an event without a year", "finite years", do, "recruitment_history", 0, "events"))
    return years


def _mixture_draws(
    fits: PulseFits, stratum: int, events: Array, count: int, rng: np.random.Generator
) -> list[tuple[int, Array, Array]]:
    """Number of pulses, draws of the mixture and common shifts, in all `count` draws over the numbers of pulses."""
    group = next(at for at, strata in enumerate(fits.groups) if stratum in strata)
    common = fits.parts.common[stratum]
    span = float(np.ptp(fits.data[group].centres))
    odds, drawn = [], []
    for fit, chance in zip(fits.families[group], fits.chances[group], strict=True):
        theta = np.repeat(fit.theta, PAIRS, axis=0)
        shift = rng.choice(common, len(theta))
        weight = np.ones(len(theta))
        if fit.pulses and events.size and chance > 0:
            weight = _event_weights(theta, fit.pulses, shift, events, span)
        odds.append(chance * weight.mean() if chance > 0 else 0.0)
        drawn.append((fit.pulses, theta, shift, weight))
    share = np.array(odds) / sum(odds)
    share[share < UNLIKELY] = 0.0
    out = []
    for many, (number, theta, shift, weight) in zip(rng.multinomial(count, share / share.sum()), drawn, strict=True):
        if many:
            rows = rng.choice(len(theta), size=many, p=weight / weight.sum())
            out.append((number, theta[rows], shift[rows]))
    return out


def _event_weights(theta: Array, pulses: int, shift: Array, events: Array, span: float) -> Array:
    """Prior of each draw over one in which dates of pulses know no events.

    A pulse follows an event with probability FOLLOWS, any of them alike, after an exponential lag; else it may begin
    anywhere in the span.
    """
    _, date, width, _, lean = unpack(theta, pulses)
    begin = pulse_quantile(FIRST, date, width, lean) + shift[:, None]
    lag = begin[:, :, None] - events
    near = np.exp(-np.where(lag >= 0, lag / LAG_YEARS, -lag / LEAD_YEARS)) / (LAG_YEARS + LEAD_YEARS)
    sudden = np.exp((lean - 1) / GRADUAL) / GRADUAL
    return np.asarray((1 - FOLLOWS + FOLLOWS * span * sudden * near.mean(axis=2)).prod(axis=1))


def _mixture_intensity(fits: PulseFits, theta: Array, pulses: int, grid: YearGrid, rng: np.random.Generator) -> Array:
    """Expected trees in each cell: the number of trees, as a Poisson process leaves it, shared out by the mixture."""
    on_grid = replace(fits.data[0], centres=grid.centres)
    share = unpack(theta, pulses)[3]
    curve = np.einsum("dk,dkt->dt", share, components(on_grid, theta, pulses))
    total = rng.gamma(fits.weights.sum(), size=len(theta))
    return np.asarray(curve / curve.sum(axis=1, keepdims=True) * total[:, None])


# ------------------------------------------------------------------ one fit of the intensity


@dataclass(frozen=True)
class IntensityFit:
    """Fitted log intensity at one roughness.

    `log_intensity` (size,): mode of the log expected number of trees in each cell; `factor`: lower Cholesky factor of
    the curvature there; `log_evidence`: Laplace's log marginal likelihood, up to a constant that all roughnesses share.
    """

    log_intensity: Array
    factor: Array
    log_evidence: float


def fit_intensity(
    mass: ArrayLike,
    *,
    roughness: float,
    step_years: int = 1,
    weights: ArrayLike | None = None,
    start: ArrayLike | None = None,
    breaks: Sequence[int] = (),
) -> IntensityFit:
    """Log intensity from the masses of trees, shape (n, size), rows summing to 1, at one roughness.

    `roughness` is the standard deviation of the second difference of the log intensity from year to year. At the first
    cells after a break level and trend may differ from before.
    """
    # With intensity L_t, tree i contributes log(sum_t mass_it L_t), and the process minus sum_t L_t: the likelihood of
    # a Poisson process whose points are seen with error. The prior is a random walk of second order, so a straight line
    # in the logarithm (steady exponential change) costs nothing. Newton steps with the full curvature where it is
    # positive, and with the curvature of the completed data (the EM bound) where it is not.
    from scipy.linalg import cho_solve

    (kernel,) = require_nonnegative("fit_intensity", mass=mass)
    count, size = kernel.shape
    share = np.ones(count) if weights is None else np.asarray(weights, dtype=np.float64)
    difference, spread = _differences(size, roughness, step_years, breaks)
    penalty = difference.T @ (difference / spread[:, None] ** 2)
    eta = np.full(size, np.log(share.sum() / size)) if start is None else np.array(start, dtype=np.float64)
    value = _objective(eta, kernel, share, penalty)
    for _ in range(NEWTON_STEPS):
        gradient, bound, full = _derivatives(eta, kernel, share, penalty)
        step = cho_solve((_factor(full, bound), True), gradient)
        scale = min(1.0, 3.0 / max(1e-12, float(np.abs(step).max())))  # choice: no cell moves by more than e^3 at once
        trial, new = eta, value
        for _ in range(12):
            trial = eta - scale * step
            new = _objective(trial, kernel, share, penalty)
            if new <= value + 1e-10:
                break
            scale /= 2
        gain = value - new
        eta, value = trial, new
        if gain < 1e-6:
            break
    _, bound, full = _derivatives(eta, kernel, share, penalty)
    factor = _factor(full, bound)
    log_det = 2.0 * np.log(np.diag(factor)).sum()
    return IntensityFit(eta, factor, float(-value - np.log(spread).sum() - log_det / 2))


def _differences(size: int, roughness: float, step_years: int, breaks: Sequence[int]) -> tuple[Array, Array]:
    """What the prior holds near 0, shape (size - 2, size), and its standard deviations.

    Second differences; where a cell begins anew, the jump beyond the trend before, and the change of trend.
    """
    difference = np.diff(np.eye(size), n=2, axis=0)
    spread = np.full(size - 2, roughness * step_years**1.5)
    for cell in sorted({int(cell) for cell in breaks if 2 <= cell <= size - 2}):
        spread[cell - 2] = max(spread[cell - 2], LEVEL_SD)
        difference[cell - 1] = 0.0
        difference[cell - 1, [cell - 2, cell - 1, cell, cell + 1]] = [1.0, -1.0, -1.0, 1.0]
        spread[cell - 1] = max(spread[cell - 1], TREND_SD * step_years)
    return difference, spread


def _objective(eta: Array, kernel: Array, share: Array, penalty: Array) -> float:
    intensity = np.exp(eta)
    seen = np.maximum(kernel @ intensity, 1e-300)
    return float(intensity.sum() - share @ np.log(seen) + eta @ penalty @ eta / 2)


def _derivatives(eta: Array, kernel: Array, share: Array, penalty: Array) -> tuple[Array, Array, Array]:
    """Gradient, curvature of the EM bound, and full curvature of the objective."""
    intensity = np.exp(eta)
    part = kernel * intensity
    part /= np.maximum(part.sum(axis=1), 1e-300)[:, None]
    expected = share @ part
    gradient = intensity - expected + penalty @ eta
    bound = penalty + np.diag(intensity + 1e-9)
    full = bound - np.diag(expected) + (part * share[:, None]).T @ part
    return gradient, bound, full


def _factor(full: Array, bound: Array) -> Array:
    """Cholesky factor of the full curvature, or of a mix with the bound that is positive."""
    from scipy.linalg import LinAlgError, cholesky

    for mix in (0.0, 0.02, 0.1, 0.3, 0.6):
        try:
            return np.asarray(cholesky((1 - mix) * full + mix * bound, lower=True))
        except LinAlgError:
            continue
    return np.asarray(cholesky(bound, lower=True))


# ------------------------------------------------------------------ draws over roughness and shared shift


@dataclass(frozen=True)
class SmoothFit:
    """A smooth history without pulses: roughness, its fit, the common shifts that it stands for, its probability."""

    roughness: float
    fit: IntensityFit
    shifts: Array
    chance: float


def _smooth_fits(fits: PulseFits, stratum: int, grid: YearGrid, roughness: Array, events: Array) -> list[SmoothFit]:
    """Fits at every roughness, without a break and with one after each event, with their probabilities.

    Where an event stands on the axis of the trees' own dates depends on the common shift, which it thereby teaches.
    """
    mass = year_mass(fits.parts, stratum, grid)
    common = fits.parts.common[stratum]
    places: list[tuple[Array, list[int], float]] = [(common, [], 1.0)]
    if events.size:
        parts = np.array_split(np.sort(common), SHIFT_BINS if fits.parts.common.shape[0] == 1 else 1)
        places = [(common, [], 1 - FOLLOWS)]
        for part in parts:
            cells = np.ceil((events + 0.5 - part.mean() - grid.first_year) / grid.step_years).astype(int).tolist()
            places.append((part, cells, FOLLOWS / len(parts)))
    found, scores = [], []
    for shifts, cells, prior in places:
        many, score = _fit_all_roughness(
            mass, roughness, step_years=grid.step_years, weights=fits.weights, breaks=cells
        )
        found += [(value, fit, shifts) for value, fit in many]
        scores += [each + float(np.log(prior)) for each in score]
    chances = np.exp(np.array(scores) - max(scores))
    return [SmoothFit(*each, float(chance)) for each, chance in zip(found, chances / chances.sum(), strict=True)]


def _fit_all_roughness(
    mass: Array, roughness: Array, *, step_years: int, weights: Array, breaks: Sequence[int]
) -> tuple[list[tuple[float, IntensityFit]], list[float]]:
    """Fits from smooth to rough with their roughness, and the log evidence of each with its prior."""
    fits: list[tuple[float, IntensityFit]] = []
    scores: list[float] = []
    start: Array | None = None
    for value in roughness:
        fit = fit_intensity(
            mass, roughness=float(value), step_years=step_years, weights=weights, start=start, breaks=breaks
        )
        start = fit.log_intensity
        fits.append((float(value), fit))
        scores.append(fit.log_evidence + float(np.log(value) - value / ROUGHNESS_SCALE))
        if scores[-1] < max(scores) - GIVE_UP and len(scores) > 3 and scores[-1] < scores[-2]:
            break
    return fits, scores


def _smooth_draws(fits: Sequence[SmoothFit], count: int, rng: np.random.Generator) -> tuple[Array, Array, Array]:
    """Draws of the intensity of each cell, of the common shift and of the roughness.

    A fit by its chance, then near normal round its mode.
    """
    from scipy.linalg import cho_solve

    chosen = rng.choice(len(fits), size=count, p=[each.chance for each in fits])
    size = fits[0].fit.log_intensity.size
    out, shift = np.empty((count, size)), np.empty(count)
    for number in np.unique(chosen):
        fit = fits[number].fit
        rows = np.flatnonzero(chosen == number)
        shift[rows] = rng.choice(fits[number].shifts, rows.size)
        covariance = cho_solve((fit.factor, True), np.eye(size))
        spread = np.sqrt(np.diag(covariance))
        score = (
            rng.standard_normal((rows.size, size)) @ np.linalg.cholesky(covariance + 1e-12 * np.eye(size)).T / spread
        )
        out[rows] = fit.log_intensity + spread * _skewed(score, np.exp(fit.log_intensity), covariance / spread)
    return np.exp(np.minimum(out, 50.0)), shift, np.array([fits[number].roughness for number in chosen])


def _skewed(score: Array, intensity: Array, direction: Array) -> Array:
    """Turn normal scores into scores with the skewness that the Poisson total gives each cell.

    Along the direction v in which the others follow cell t, the log posterior is
    -(1 - sum L v**2) z**2 / 2 - sum L (exp(v z) - 1 - v z): where few trees are, its upper tail is short.
    """
    from scipy.special import ndtr

    grid = np.linspace(-6.0, 6.0, 49)
    rest = np.maximum(1.0 - intensity @ direction**2, 0.02)  # choice: a floor where the expansion would turn over
    with np.errstate(over="ignore"):
        bend = np.stack([intensity @ (np.exp(np.minimum(direction * z, 50.0)) - 1 - direction * z) for z in grid])
    log_density = -0.5 * rest * grid[:, None] ** 2 - bend
    density = np.exp(log_density - log_density.max(axis=0))
    cumulative = np.cumsum(density, axis=0) - density / 2
    cumulative /= density.sum(axis=0)
    level = ndtr(score)
    columns = [np.interp(level[:, cell], cumulative[:, cell], grid) for cell in range(score.shape[1])]
    return np.stack(columns, axis=1)


def _shifted(own: Array, shift: Array, grid: YearGrid) -> tuple[Array, Array]:
    """Years, and each draw moved by its shared shift, on a grid that holds all of them."""
    pad = int(np.ceil(np.abs(shift).max(initial=0.0) / grid.step_years))
    years = np.asarray(grid.first_year + grid.step_years * np.arange(-pad, grid.size + pad), dtype=np.float64)
    if pad == 0:
        return years, own.copy()
    moved = [
        np.interp(years - step, grid.centres, row, left=0.0, right=0.0) for row, step in zip(own, shift, strict=True)
    ]
    return years, np.array(moved, dtype=np.float64)
