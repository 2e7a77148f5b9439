"""Count error of a core: mass function of true minus counted rings, by how the core was dated and by genus.

Poisson counts of wrong rings, whose share varies between cores and is set from published figures; own derivation.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import gammaln, ndtr, ndtri

from treeage.errors import Fault, InputError, require_nonnegative, show
from treeage.pmf import Mass, Pmf
from treeage.priors import Known, Sourced
from treeage.schema import Dating, genus_of

_KINDS: Final = tuple(Dating)
REFERENCE_RINGS: Final = 200  # choice: the published errors do not state a number of rings; old-growth samples
TOO_FEW_SHARE: Final = 0.8  # Cairns et al., abstract: of the counts that differed 72.4 % were too low, 18.0 % too high

# Share of wrong rings among the rings counted, lognormal between cores: median and log-sd solved so that the published
# figures come out, and where it is cut (choice: experts were up to half off on olive wood at worst).
_MEDIAN: Final = {Dating.LAB_COUNT: 0.0049867, Dating.FIELD_COUNT: 0.0188964}
_LOG_SD: Final = {Dating.LAB_COUNT: 0.907104, Dating.FIELD_COUNT: 1.601183}
_CAP: Final = {Dating.LAB_COUNT: 0.3, Dating.FIELD_COUNT: 0.5}
_NODES: Final = 200  # choice: mid-quantiles of the share; more do not move any mass by 0.0005
_TAIL: Final = 1e-6  # choice: probability cut at either end of a mass function

_EXACT_SIZES: Final = 60  # choice: every number of rings up to here has its own mass function
_SIZE_STEP: Final = 1.04  # choice: above, one mass function for each 4 % of rings

_ST_GEORGE = "St. George, Ault & Torbenson 2013, Geophys. Res. Lett. 40, doi 10.1002/grl.50743"


def _absent(share: float, source: str, known: Known) -> Sourced:
    return Sourced(share, "1/ring", "locally absent rings for each counted ring", f"{_ST_GEORGE}: {source}", known)


# Two readings of one source, not reconciled: these are for a core alone, those of data/alignment_shares.csv times
# absent_share of data/alignment_model.json (0.0015) for two cores of a tree
_OVERALL = _absent(1 / 240, "1 absent in 240 rings over 2,359 records", Known.ABSTRACT)
_FREQUENT = _absent(1 / 120, "'frequent' in this genus; twice the overall rate", Known.CHOICE)
_RARE = _absent(1 / 2500, "'very rare' in this genus; the rate poleward of 50 degrees N", Known.CHOICE)
_ABSENT: Final = {
    "Pinus": _FREQUENT,
    "Pseudotsuga": _FREQUENT,
    "Larix": _absent(1 / 240, "'occasional' in this genus; the overall rate", Known.CHOICE),
    "Quercus": _RARE,
    "Picea": _RARE,
}
_DOUGLASS = "Douglass 1919, Carnegie Inst. Publ. 289, p. 29: 4 extra rings in 65 sections of about 50 rings"
_BEAUFAIT = "Beaufait & Nelson, cited by Fowells 1965: counts 1.6 times the age"


def _false(share: float, source: str, known: Known) -> Sourced:
    return Sourced(share, "1/ring", "false rings for each counted ring", source, known)


_FALSE: Final = {
    "Pinus": _false(4 / 3250, f"{_DOUGLASS} (ponderosa pine)", Known.DERIVED),
    "Taxodium": _false(0.375, _BEAUFAIT, Known.MEMORY),
}
_FALSE_OTHER = _false(4 / 3250, f"{_DOUGLASS} of ponderosa pine, used for every genus", Known.CHOICE)


def absent_ring_share(genus: str | None = None) -> Sourced:
    """Share of rings that are locally absent.

    Parameters
    ----------
    genus : str, optional
        Genus, or a species name that begins with it; the mean of all records by default.

    Returns
    -------
    Sourced
        Absent rings for each counted ring [1/ring], with source and how it is known.

    Notes
    -----
    The abstract [1]_ gives the overall share as a figure and the genera only as words (frequent, occasional,
    very rare); the figures by genus are readings of these words and are marked as a choice. Half of all
    records have none, so the share of a single tree varies much more than a Poisson count. Suppressed trees
    lose far more: 1.3 % of rings in dominant and 16.2 % in overtopped sugar maples (Lorimer, Dahir & Singer
    1999, abstract).

    References
    ----------
    .. [1] St. George, S., Ault, T. & Torbenson, M. (2013). The rarity of absent growth rings in Northern
       Hemisphere forests outside the American Southwest. Geophysical Research Letters 40. doi
       10.1002/grl.50743

    Examples
    --------
    >>> round(1 / absent_ring_share().value), round(1 / absent_ring_share("Picea abies").value)
    (240, 2500)
    """
    return _ABSENT.get(genus_of(genus) or "", _OVERALL)


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
    jack pine cores have at least one (Copenheaver et al. 2006, abstract). Bald cypress is a case of its own.

    References
    ----------
    .. [1] Douglass, A. E. (1919). Climatic cycles and tree-growth. Carnegie Institution Publication 289, p.
       29.

    Examples
    --------
    >>> round(false_ring_share("Pinus").value, 5)
    0.00123
    """
    return _FALSE.get(genus_of(genus) or "", _FALSE_OTHER)


def count_error(rings_counted: int, dating: str, *, genus: str | None = None, outer_lost_sd: float = 0.0) -> Pmf:
    """Mass function of the count error of one core, true minus counted rings.

    Parameters
    ----------
    rings_counted : int
        Rings counted on the core, at least 1 [rings].
    dating : {'crossdated', 'lab_count', 'field_count'}
        How the core was dated.
    genus : str, optional
        Genus, or a species name that begins with it; only the share of absent rings depends on it.
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
    Crossdated: 0. A count: with probability 0.8 the core has e >= 0 rings too few, else -e >= 0 too many, and
    abs(e) is Poisson with mean n x share. The share of wrong rings among the n counted is lognormal between
    cores and trees, cut at 0.3 (lab) and 0.5 (field), so the tail is heavy and the error grows with n. How
    each published figure was used, all at n = 200 rings, a choice because the sources state no number of
    rings:

    - field count: P(abs(e) <= 10) = 0.75 and P(abs(e) <= 20) = 0.87 [1]_ fix median 0.0189 and log-sd 1.60;
    - lab count: 'mean error 1.5 yr' [1]_ is read as the mean of abs(e), and 'up to 7 yr' between counting and
      crossdating [2]_ as P(abs(e) <= 7) = 0.98 (choice): median 0.0050 and log-sd 0.91;
    - signs: a standard count was too low in 72.4 % and too high in 18.0 % of seedlings and saplings of
      mountain birch [3]_: 0.8 to 0.2. Field counts of [1]_ were 'generally too low', without a share;
    - genus: the absent rings above or below the overall 1 in 240 are added to the mean share of counts too
      low.

    From 61 rings up a mass function stands for sizes within 2 %. It fails for wood whose rings are doubtful
    as such (olive, bald cypress, tropical wood) and for suppressed trees, which lack more rings.

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
    if rings.ndim:
        got, do = f"shape {rings.shape}", "Use count_error_mass for many."
        raise InputError(Fault(got, "one number", do, "count_error", 0, "rings_counted"))
    kind = _KINDS[int(_dating_code("count_error", dating, 1)[0])]
    size = int(_sizes()[_size_index(rings)])
    error = _error_pmf(kind, absent_ring_share(genus).value, size)
    if spread > 0:
        kernel = lost_kernel(float(spread))
        error = error.convolve(Pmf(-(kernel.size // 2), kernel))
    return error.condition(low=1 - int(rings)) if error.start < 1 - int(rings) else error


def lost_kernel(spread: float) -> NDArray[np.float64]:
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
    rings_counted: ArrayLike, dating: ArrayLike, *, genus: str | Sequence[str | None] | None = None
) -> Mass:
    """Mass functions of the count errors of many cores on one common support.

    Parameters
    ----------
    rings_counted : array-like of int, shape (n,)
        Rings counted, at least 1 [rings].
    dating : str or array-like of str, shape (n,)
        'crossdated', 'lab_count' or 'field_count'.
    genus : str or sequence of str, shape (n,), optional
        Genus, or a species name that begins with it.

    Returns
    -------
    Mass, shape (n, width)
        Errors, true minus counted [rings]; each row sums to 1.

    Raises
    ------
    InputError
        If a count is not a whole number of at least 1, a word is unknown or the lengths differ.

    Notes
    -----
    The same mass functions as `count_error` [1]_, from a table by class, share of absent rings and number of
    rings. The width is that of the widest row: pass crossdated and counted cores apart if memory matters.

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
    known = {name: absent_ring_share(name).value for name in set(names)}
    levels = sorted(set(known.values()))
    level = np.array([levels.index(known[name]) for name in names])
    key = (code * len(levels) + level) * _sizes().size + _size_index(rings)
    key[code == _KINDS.index(Dating.CROSSDATED)] = -1  # one mass function for all of them
    _, first, row = np.unique(key, return_index=True, return_inverse=True)
    pmfs = [
        _error_pmf(_KINDS[code[i]], levels[level[i]], int(_sizes()[_size_index(rings[i : i + 1])[0]])) for i in first
    ]
    return Mass.stack(pmfs)[row]


# ------------------------------------------------------------------ one size, one class


@lru_cache(maxsize=8)
def _share_nodes(dating: Dating) -> NDArray[np.float64]:
    """Equally likely shares of wrong rings among the rings counted, a lognormal cut at the cap."""
    median, log_sd = _MEDIAN[dating], _LOG_SD[dating]
    top = ndtr(np.log(_CAP[dating] / median) / log_sd)
    middle = (np.arange(_NODES) + 0.5) / _NODES
    shares = np.asarray(median * np.exp(log_sd * ndtri(middle * top)))
    shares.flags.writeable = False  # kept from call to call
    return shares


def _wrong_rings(shares: NDArray[np.float64], rings: int, most: int) -> NDArray[np.float64]:
    """Mass of 0, 1, ..., most wrong rings: a mixture of Poisson counts, scaled to 1."""
    counts = np.arange(most + 1)
    expected = np.maximum(shares * rings, 1e-300)[:, np.newaxis]
    mass = np.exp(counts * np.log(expected) - expected - gammaln(counts + 1)).mean(axis=0)
    return np.asarray(mass / mass.sum())


@lru_cache(maxsize=4096)
def _error_pmf(dating: Dating, absent_share: float, rings: int) -> Pmf:
    if dating is Dating.CROSSDATED:
        return Pmf.point(0)
    shares = _share_nodes(dating)
    factor = 1 + (absent_share - _OVERALL.value) / float(shares.mean())
    high = float(shares[-1]) * rings
    most = int(high + 8 * np.sqrt(high) + 10)
    few = _wrong_rings(np.minimum(shares * factor, _CAP[dating]), rings, most)
    many = _wrong_rings(shares, rings, min(most, rings - 1))
    mass = np.zeros(few.size + many.size - 1)
    mass[many.size - 1 :] += TOO_FEW_SHARE * few
    mass[: many.size] += (1 - TOO_FEW_SHARE) * many[::-1]
    return Pmf(1 - many.size, mass).trim(_TAIL)


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
    bad = (rings < 1) | (rings != np.round(rings))
    if np.any(bad):
        got = show(float(np.atleast_1d(rings)[np.argmax(np.atleast_1d(bad))]))
        raise InputError(Fault(got, "whole numbers of at least 1 [rings]", "Count again.", where, 0, "rings_counted"))
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
