"""Count error of a core: mass function of true minus counted rings, by how the core was dated and by genus.

Misread rings, whose share varies between readers and cores and is set from published figures, and locally absent rings,
whose rate varies between sites; Poisson counts of both; own derivation.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import gammaincinv, gammaln, ndtr, ndtri

from treeage.errors import Fault, InputError, public, require_at_most, require_nonnegative, require_positive, show
from treeage.pmf import Mass, Pmf
from treeage.priors import Sourced, ring_rate, ring_rate_factor
from treeage.schema import Dating

MOST_RINGS = 10_000  # as in the column rings_counted
MOST_LOST_SD = 500.0  # as in the column outer_lost_sd

Array = NDArray[np.float64]

_KINDS: Final = tuple(Dating)
REFERENCE_RINGS: Final = 200  # choice: the published errors do not state a number of rings; old-growth samples
TOO_FEW_SHARE: Final = 0.724 / 0.904  # Cairns et al., abstract: 72.4 % of all trees too young, 18.0 % too old

# Share of misread rings among the rings counted, lognormal between cores: median, log-sd and the share of cores misread
# too low solved so that the published figures come out together with the locally absent rings of all genera; and where
# it is cut (choice: experts were up to half off on olive wood at worst).
_MEDIAN: Final = {Dating.LAB_COUNT: 0.00375223, Dating.FIELD_COUNT: 0.0178017}
_LOG_SD: Final = {Dating.LAB_COUNT: 0.968534, Dating.FIELD_COUNT: 1.654941}
_MISREAD_LOW: Final = {Dating.LAB_COUNT: 0.74153, Dating.FIELD_COUNT: 0.782035}
_CAP: Final = {Dating.LAB_COUNT: 0.3, Dating.FIELD_COUNT: 0.5}
# choice: half of that variance lies between readers and is the same for all cores of one; no source parts the two
READER_LOG_SD: Final = {dating: float(np.sqrt(0.5)) * spread for dating, spread in _LOG_SD.items()}
_READERS, _SITES, _WITHIN = 3, 2, 16  # choice: thirds of readers, halves of sites, and points within each
COUNT_LEVELS: Final = _READERS * _SITES
_WIDTH_STEP: Final = 1.25  # choice: step of the factors on the rate of absent rings by width
_WIDTH_STEPS: Final = 6  # choice: at most 1.25**6 = 3.8 times as many or as few, about what the archive's classes span
_NODES: Final = 200  # choice: mid-quantiles of the share; more do not move any mass by 0.0005
_TAIL: Final = 1e-6  # choice: probability cut at either end of a mass function

_EXACT_SIZES: Final = 60  # choice: every number of rings up to here has its own mass function
_SIZE_STEP: Final = 1.04  # choice: above, one mass function for each 4 % of rings


def absent_ring_share(genus: str | None = None) -> Sourced:
    """Share of rings that are locally absent: the mean over sites of the species, else of its genus, else of all.

    Parameters
    ----------
    genus : str, optional
        Genus or species; the mean of all sites by default.

    Returns
    -------
    Sourced
        Absent rings for each ring [1/ring], with source and how it is known.

    Notes
    -----
    Dated rings without a width in 1,036 sites, 6 million rings, of the public international tree-ring archive [1]_: on
    the one hand a lower bound, because not every contributor dated against other trees, on the other of old and
    stressed trees, which lack more. Sites differ far more than chance, half have none: `treeage.priors.ring_rate` holds
    the shape of their gamma distribution. Few sites of a kind are drawn towards their genus and all genera. Another
    count is 1 in 240 over 2,359 records, more than half of them without any [2]_. Suppressed trees lose far more:
    partial and missing rings together are 1.3 % of the rings of dominant, 4.6 % of intermediate and 16.2 % of
    overtopped sugar maples (Lorimer, Dahir & Singer 1999, Plant Ecology 143: 189-202, abstract); only some are lost on
    one radius.

    References
    ----------
    .. [1] World Data Service for Paleoclimatology, NOAA NCEI; tests/fitting/fit_ring_rates.py.
    .. [2] St. George, S., Ault, T. & Torbenson, M., abstract PP21B-1977, AGU Fall Meeting 2012; records described in
       their paper of 2013, Geophysical Research Letters 40, doi 10.1002/grl.50743.

    Examples
    --------
    >>> absent_ring_share().value, absent_ring_share("Picea abies").value < absent_ring_share("Larix sibirica").value
    (0.001895, True)
    """
    rate = ring_rate("absent", genus)
    return Sourced(rate.mean, "1/ring", "locally absent rings for each ring", rate.source, rate.known)


def false_ring_share(genus: str | None = None) -> Sourced:
    """Share of false rings: bands inside one year that look like a ring.

    Parameters
    ----------
    genus : str, optional
        Genus, or a species name that begins with it.

    Returns
    -------
    Sourced
        False rings for each counted ring [1/ring], with source and how it is known.

    Notes
    -----
    Measured figures are few [1]_. False rings cluster near the pith and in vigorous trees: 48 to 80 % of
    jack pine cores have at least one (Copenheaver et al. 2006, abstract).

    References
    ----------
    .. [1] Douglass, A. E. (1919). Climatic cycles and tree-growth. Carnegie Institution Publication 289, p.
       29.

    Examples
    --------
    >>> false_ring_share("Pinus").value
    0.00123
    """
    rate = ring_rate("false", genus)
    return Sourced(rate.mean, "1/ring", "false rings for each counted ring", rate.source, rate.known)


@public
def count_error(
    rings_counted: int,
    dating: str,
    *,
    genus: str | None = None,
    mean_width_mm: float | None = None,
    outer_lost_sd: float = 0.0,
) -> Pmf:
    """Mass function of the count error of one core, true minus counted rings.

    Parameters
    ----------
    rings_counted : int
        Rings counted on the core, at least 1 [rings].
    dating : {'crossdated', 'lab_count', 'field_count'}
        How the core was dated.
    genus : str, optional
        Genus or species; only the rate of absent rings depends on it.
    mean_width_mm : float, optional
        Mean ring width of the core [mm], above 0: narrow rings are absent more often. That of the usual site of the
        genus by default.
    outer_lost_sd : float, default 0.0
        Standard deviation of the number of outer rings lost, at least 0 [rings]; 0: the outer end is
        complete.

    Returns
    -------
    Pmf
        True minus counted [rings]; positive when the count is too low. The true number is at least 1.

    Raises
    ------
    InputError
        If rings_counted is not a whole number of at least 1, dating is another word or outer_lost_sd is
        below 0.

    Notes
    -----
    Crossdated: 0. A count errs in two ways that add up. Rings are misread: with probability 0.74 (lab) or 0.78 (field)
    the core has e >= 0 too few, else -e >= 0 too many, and abs(e) is Poisson with mean n x share. The share of misread
    rings among the n counted is lognormal between readers and cores, cut at 0.3 (lab) and 0.5 (field), so the tail is
    heavy and the error grows with n. And rings are locally absent, which nobody sees in the core itself: Poisson with a
    rate that is gamma between sites, so negative binomial over all sites; see `absent_ring_share`. The rate falls with
    the mean width to the power 1.45. How each published figure was used, all at n = 200 rings, a choice because the
    sources state no number of rings, and with the absent rings of all genera:

    - field count: P(abs(e) <= 10) = 0.75 and P(abs(e) <= 20) = 0.87 [1]_ fix median 0.0178 and log-sd 1.65;
    - lab count: 'mean error 1.5 yr' [1]_ is read as the mean of abs(e), and 'up to 7 yr' between counting and
      crossdating [2]_ as P(abs(e) <= 7) = 0.98 (choice): median 0.0038 and log-sd 0.97;
    - signs: a standard count was too low in 72.4 % and too high in 18.0 % of seedlings and saplings of
      mountain birch [3]_: 0.8 to 0.2. Field counts of [1]_ were 'generally too low', without a share.

    From 61 rings up a mass function stands for sizes within 2 %. It fails for wood whose rings are doubtful
    as such (olive, tropical wood) and for suppressed trees, which lack more rings.

    References
    ----------
    .. [1] Weisberg, P. J. & Swanson, F. J. (2001). Northwest Science 75, 145-156 (abstract).
    .. [2] Rozas, V. (2003). Plant Ecology, doi 10.1023/A:1023969822044 (abstract).
    .. [3] Cairns et al., mountain birch, two preparations of the same stems (abstract).

    Examples
    --------
    >>> count_error(200, "crossdated").prob_at(0)
    1.0
    >>> error = count_error(200, "field_count")
    >>> round(error.cdf(10) - error.cdf(-11), 2), round(error.cdf(20) - error.cdf(-21), 2)
    (0.75, 0.87)
    """
    rings = _checked_rings("count_error", rings_counted)
    (spread,) = require_nonnegative("count_error", outer_lost_sd=outer_lost_sd)
    require_at_most("count_error", MOST_LOST_SD, outer_lost_sd=spread)
    if mean_width_mm is not None:
        require_positive("count_error", mean_width_mm=mean_width_mm)
    if rings.ndim:
        got, do = f"shape {rings.shape}", "Use count_error_mass for many."
        raise InputError(Fault(got, "one number", do, "count_error", 0, "rings_counted"))
    width = float("nan") if mean_width_mm is None else mean_width_mm
    error = count_error_mass(rings, dating, genus=genus, mean_width_mm=width)[0].pmf()
    if spread > 0:
        kernel = lost_kernel(float(spread))
        error = error.convolve(Pmf(-(kernel.size // 2), kernel))
    return error.condition(low=1 - int(rings)) if error.start < 1 - int(rings) else error


def lost_kernel(spread: float) -> Array:
    """Mass of the error of a number of lost rings with this sd: a normal on whole rings to four sd, 0 in the middle.

    Examples
    --------
    >>> lost_kernel(0.0).tolist(), lost_kernel(1.0).size
    ([1.0], 9)
    """
    reach = int(np.ceil(4 * spread))
    if reach == 0:
        return np.ones(1)
    kernel = np.diff(ndtr((np.arange(-reach, reach + 2) - 0.5) / spread))
    return np.asarray(kernel / kernel.sum())


def count_error_mass(
    rings_counted: ArrayLike,
    dating: ArrayLike,
    *,
    genus: str | Sequence[str | None] | None = None,
    mean_width_mm: ArrayLike = np.nan,
    by_level: bool = False,
) -> Mass:
    """Mass functions of the count errors of many cores on one common support.

    Parameters
    ----------
    rings_counted : array-like of int, shape (n,)
        Rings counted, at least 1 [rings].
    dating : str or array-like of str, shape (n,)
        'crossdated', 'lab_count' or 'field_count'.
    genus : str or sequence of str, shape (n,), optional
        Genus or species.
    mean_width_mm : array-like, shape (n,), default NaN
        Mean ring width of each core [mm]; NaN where not known.
    by_level : bool, default False
        Whether to part the masses by what cores share: `COUNT_LEVELS` equally likely levels of the reader's rate of
        misread rings and the site's rate of absent ones, thirds of readers times halves of sites.

    Returns
    -------
    Mass, shape (n, width), or (n, COUNT_LEVELS, width) by level
        Errors, true minus counted [rings]; each row sums to 1.

    Raises
    ------
    InputError
        If a count is not a whole number of at least 1, a word is unknown or the lengths differ.

    Notes
    -----
    The same mass functions as `count_error` [1]_, from a table by class, rate of absent rings and number of
    rings. The width is that of the widest row: pass crossdated and counted cores apart if memory matters.

    The mean over the levels is the mass without them, but for the cut of the share of misread rings, which is made for
    each reader. What differs within a third of readers or half of sites is taken as each core's own.

    References
    ----------
    .. [1] Weisberg, P. J. & Swanson, F. J. (2001). Northwest Science 75, 145-156 (abstract).

    Examples
    --------
    >>> error = count_error_mass([80, 120], ["crossdated", "crossdated"])
    >>> error.start, error.mass.shape
    (0, (2, 1))
    """
    where = "count_error_mass"
    rings = np.atleast_1d(_checked_rings(where, rings_counted))
    code = _dating_code(where, dating, rings.size)
    names = [genus] * rings.size if genus is None or isinstance(genus, str) else list(genus)
    if len(names) != rings.size:
        got = f"{len(names)} names for {rings.size} cores"
        raise InputError(Fault(got, "one for each core", "Pass arrays of one length.", where, 0, "genus"))
    if rings.size == 0:
        return Mass(0, np.zeros((0, 1)))
    kinds = sorted(set(names), key=str)
    place = {name: at for at, name in enumerate(kinds)}
    rates = [ring_rate("absent", name) for name in kinds]
    row_kind = np.array([place[name] for name in names])
    step = _width_step(mean_width_mm, np.array([rate.width_mm for rate in rates])[row_kind])
    size = _size_index(rings)
    key = ((code * len(kinds) + row_kind) * (2 * _WIDTH_STEPS + 1) + step + _WIDTH_STEPS) * _sizes().size + size
    key[code == _KINDS.index(Dating.CROSSDATED)] = -1  # one mass function for all of them
    _, first, row = np.unique(key, return_index=True, return_inverse=True)

    def stacked(reader: int | None, site: int | None) -> list[Pmf]:
        return [
            _error_pmf(
                _KINDS[code[i]],
                int(_sizes()[size[i]]),
                rates[row_kind[i]].mean * _WIDTH_STEP ** float(step[i]),
                rates[row_kind[i]].shape,
                reader,
                site,
            )
            for i in first
        ]

    if not by_level:
        return Mass.stack(stacked(None, None))[row]
    found = Mass.stack([pmf for level in range(COUNT_LEVELS) for pmf in stacked(level // _SITES, level % _SITES)])
    return Mass(found.start, found.mass.reshape(COUNT_LEVELS, first.size, -1)[:, row].transpose(1, 0, 2))


def core_mean_width(widths_mm: Sequence[ArrayLike], length_mm: ArrayLike, rings_counted: ArrayLike) -> Array:
    """Mean ring width of each core [mm]: of its table, else length over rings; NaN where neither is known."""
    table = np.array([np.asarray(own, dtype=np.float64).mean() if np.size(own) else np.nan for own in widths_mm])
    by_length = np.asarray(length_mm, dtype=np.float64) / np.asarray(rings_counted)
    mean = np.where(table > 0, table, by_length)
    return np.where(mean > 0, mean, np.nan)


def _width_step(mean_width_mm: ArrayLike, usual_mm: Array) -> NDArray[np.int64]:
    """Steps of _WIDTH_STEP by which rings of this width are absent more often than those of the usual width."""
    ratio = np.log(np.maximum(np.asarray(mean_width_mm, dtype=np.float64), 1e-3) / usual_mm)
    steps = np.rint(np.nan_to_num(ring_rate_factor("absent", "width slope", "") * ratio / np.log(_WIDTH_STEP)))
    clipped: NDArray[np.int64] = np.clip(np.broadcast_to(steps, usual_mm.shape), -_WIDTH_STEPS, _WIDTH_STEPS).astype(
        int
    )
    return clipped


# ------------------------------------------------------------------ one size, one class


@lru_cache(maxsize=16)
def _share_nodes(dating: Dating, reader: int | None = None) -> Array:
    """Equally likely shares of misread rings among the rings counted, cut at the cap: of all readers, or of a third."""
    median, log_sd, among = _MEDIAN[dating], _LOG_SD[dating], np.ones(1)
    if reader is not None:
        among = np.exp(READER_LOG_SD[dating] * np.array(_scores(reader, _READERS)))
        log_sd = np.sqrt(log_sd**2 - READER_LOG_SD[dating] ** 2)
    top = ndtr(np.log(_CAP[dating] / (median * among)) / log_sd)
    middle = (np.arange(_NODES) + 0.5) / _NODES
    every = median * among[:, None] * np.exp(log_sd * ndtri(middle * top[:, None]))
    shares = np.sort(every.ravel()).reshape(_NODES, among.size).mean(axis=1)
    shares.flags.writeable = False  # kept from call to call
    return np.asarray(shares)


def _wrong_rings(shares: Array, rings: int, most: int) -> Array:
    """Mass of 0, 1, ..., most wrong rings: a mixture of Poisson counts, scaled to 1."""
    counts = np.arange(most + 1)
    expected = np.maximum(shares * rings, 1e-300)[:, np.newaxis]
    mass = np.exp(counts * np.log(expected) - expected - gammaln(counts + 1)).mean(axis=0)
    return np.asarray(mass / mass.sum())


@lru_cache(maxsize=8192)
def _misread_rings(dating: Dating, rings: int, reader: int | None) -> Array:
    """Mass of misread rings, true minus counted, on -(size // 2), ..., size // 2."""
    shares = _share_nodes(dating, reader)
    high = float(shares[-1]) * rings
    most = int(high + 8 * np.sqrt(high) + 10)
    few, many = _wrong_rings(shares, rings, most), _wrong_rings(shares, rings, min(most, rings - 1))
    mass = np.zeros(2 * most + 1)
    mass[most:] = _MISREAD_LOW[dating] * few
    mass[most + 1 - many.size : most + 1] += (1 - _MISREAD_LOW[dating]) * many[::-1]
    mass.flags.writeable = False  # kept from call to call
    return mass


def absent_rings(expected: float, shape: float, score: float | None = None) -> Array:
    """Mass of 0, 1, ... absent rings: Poisson with a gamma mean of this shape, or with its quantile at a score."""
    spread = 0.0 if score is not None or shape == np.inf else expected / shape  # scale of the gamma
    if score is not None and shape < np.inf:
        expected *= _site_factor(shape, score)
    counts = np.arange(int(expected + 8 * np.sqrt(expected) + 16 * spread) + 10)
    if spread == 0:
        log_mass = counts * np.log(max(expected, 1e-300)) - gammaln(counts + 1)
    else:
        log_mass = gammaln(counts + shape) - gammaln(counts + 1) + counts * np.log(spread / (1 + spread))
    mass = np.exp(log_mass - log_mass.max())
    return np.asarray(mass / mass.sum())


@lru_cache(maxsize=256)
def _site_factor(shape: float, score: float) -> float:
    """Quantile of the gamma between sites at a normal score, by its mean."""
    return float(gammaincinv(shape, ndtr(score))) / shape


def _scores(part: int, parts: int) -> list[float]:
    """Normal scores at the middles of equally likely pieces of one of equally likely parts."""
    return [float(score) for score in ndtri((part + (np.arange(_WITHIN) + 0.5) / _WITHIN) / parts)]


@lru_cache(maxsize=16384)
def _error_pmf(
    dating: Dating, rings: int, absent_share: float, shape: float, reader: int | None, site: int | None
) -> Pmf:
    if dating is Dating.CROSSDATED:
        return Pmf.point(0)
    misread = _misread_rings(dating, rings, reader)
    absent = _absent_at(absent_share * rings, shape, site)
    return Pmf(-(misread.size // 2), np.convolve(misread, absent)).trim(_TAIL)


@lru_cache(maxsize=8192)
def _absent_at(expected: float, shape: float, site: int | None) -> Array:
    """Mass of absent rings at all sites, or at one part of them: the same for every reader."""
    scores = [None] if site is None else _scores(site, _SITES)
    each = [absent_rings(expected, shape, score) for score in scores]
    absent = np.zeros(max(mass.size for mass in each))
    for mass in each:
        absent[: mass.size] += mass / len(each)
    absent.flags.writeable = False  # kept from call to call
    return absent


@lru_cache(maxsize=1)
def _sizes() -> NDArray[np.int64]:
    """Numbers of rings that have a mass function of their own."""
    steps = np.arange(-40, 120)  # 42 to 21,000 rings
    geometric = np.round(REFERENCE_RINGS * _SIZE_STEP ** steps.astype(float)).astype(np.int64)
    sizes = np.concatenate([np.arange(1, _EXACT_SIZES + 1), geometric[geometric > _EXACT_SIZES]])
    sizes.flags.writeable = False  # kept from call to call
    return sizes


def _size_index(rings: NDArray[np.int64]) -> NDArray[np.int64]:
    edges = np.sqrt(_sizes()[:-1] * _sizes()[1:].astype(float))
    return np.searchsorted(edges, rings)


# ------------------------------------------------------------------ checks


def _checked_rings(where: str, rings_counted: ArrayLike) -> NDArray[np.int64]:
    (rings,) = require_nonnegative(where, rings_counted=rings_counted)
    bad = (rings < 1) | (rings > MOST_RINGS) | (rings != np.round(rings))
    if np.any(bad):
        got = show(float(np.atleast_1d(rings)[np.argmax(np.atleast_1d(bad))]))
        raise InputError(
            Fault(got, f"whole numbers from 1 to {MOST_RINGS} [rings]", "Count again.", where, 0, "rings_counted")
        )
    return rings.astype(np.int64)


def _dating_code(where: str, dating: ArrayLike, size: int) -> NDArray[np.int64]:
    words = np.broadcast_to(np.asarray(dating), (size,))
    code = np.full(size, -1)
    for index, name in enumerate(_KINDS):
        code[words == name] = index
    if np.any(code < 0):
        got = show(str(words[np.argmin(code)]))
        raise InputError(Fault(got, "one of " + ", ".join(_KINDS), "Use such a word.", where, 0, "dating"))
    return code
