"""Years to the coring height: from settings to a height model, from a height to a mass function of years."""

from __future__ import annotations

import warnings
from collections.abc import Callable, Mapping
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from treeage.errors import Fault, InputError, ModelError, ModelWarning, PriorWarning, kind_of, require_nonnegative, show
from treeage.height.model import HeightModel
from treeage.height.sources import from_curve, from_mean_sd, from_published, from_quantiles, no_height_model
from treeage.height.young import from_seedlings, from_two_heights
from treeage.pmf import Pmf
from treeage.schema import column, height_faults, slip

Rows = Mapping[str, Any] | None

_SEEDLING_COLUMNS: Final = ("height_m", "age_years")
_PAIR_COLUMNS: Final = ("low_height_m", "low_rings", "high_height_m", "high_rings")


def _complete(seedlings: Rows, names: tuple[str, ...]) -> list[NDArray[np.float64]]:
    """The named columns on the rows where all of them are there."""
    missing = [name for name in names if seedlings is None or name not in seedlings]
    if seedlings is None or missing:
        got, need = f"no column {', '.join(missing)}", f"young trees with {', '.join(names)}"
        do = "Add them, or choose another height model in field.toml."
        raise InputError(Fault(got, need, do, "seedlings.csv", 0, missing[0]))
    arrays = [np.asarray(seedlings[name], dtype=np.float64) for name in names]
    whole = np.all([~np.isnan(array) for array in arrays], axis=0)
    return [array[whole] for array in arrays]


def _from_curve(options: Mapping[str, Any]) -> HeightModel:
    """The site index of the settings is in metres."""
    rest = {key: value for key, value in options.items() if key != "site_index"}
    return from_curve(site_index_m=float(options["site_index"]), **rest)


_MAKERS: Final[Mapping[str, Callable[[Mapping[str, Any], Rows], HeightModel]]] = {
    "seedlings": lambda options, young: from_seedlings(*_complete(young, _SEEDLING_COLUMNS), **options),
    "two_heights": lambda options, young: from_two_heights(*_complete(young, _PAIR_COLUMNS)),
    "mean_sd": lambda options, young: from_mean_sd(**options),
    "quantiles": lambda options, young: from_quantiles(**options),
    "published": lambda options, young: from_published(**options),
    "curve": lambda options, young: _from_curve(options),
    "none": lambda options, young: no_height_model(),
}
"""The models by the words of the settings, from their options and the young trees of the species."""


def height_model(settings: Mapping[str, Any], *, seedlings: Rows = None) -> HeightModel:
    """Make the height model of one species from its settings.

    Parameters
    ----------
    settings : mapping
        The key 'model' and what it needs: {'model': 'seedlings'}, {'model': 'two_heights'},
        {'model': 'mean_sd', 'height_m': 1.0, 'mean_years': 8, 'sd_years': 3}, {'model': 'quantiles',
        'height_m': 1.0, 'probs': [...], 'years': [...]}, {'model': 'published', 'name': ...}, {'model':
        'curve', 'name': ..., 'site_index': metres} or {'model': 'none'}.
    seedlings : mapping of arrays or DataFrame, optional
        Rows of the species from seedlings.csv: height_m [m], age_years [years], or low_height_m, low_rings,
        high_height_m, high_rings; rows that lack one of the needed values are passed over.

    Returns
    -------
    HeightModel
        The model; nothing is warned here, see its `cautions`.

    Raises
    ------
    ModelError
        If the model word or a key is unknown or a key is missing; all of it is listed.
    InputError
        If the young trees are missing, too few or wrong.

    Examples
    --------
    >>> height_model({"model": "none"}).is_none
    True
    """
    faults = height_faults(settings)
    if faults:
        raise ModelError(faults)
    options = {key: value for key, value in settings.items() if key != "model"}
    return _MAKERS[settings["model"]](options, seedlings)


def _coring_height(where: str, name: str, height_m: float) -> float:
    """Hold a height against the limits of the table of cores."""
    (height,) = require_nonnegative(where, **{name: height_m})
    limits = column("cores", "core_height_m")
    if height.ndim:
        raise InputError(Fault(kind_of(height_m), limits.need, "Ask once for each height.", where, 0, name))
    if limits.range is not None and not limits.range.holds(height):
        do = slip(limits, float(height)) or "Correct the height."
        raise InputError(Fault(show(float(height)), limits.need, do, where, 0, name))
    return float(height)


def years_to_height(
    height_m: float,
    model: HeightModel | Mapping[str, Any] | None = None,
    *,
    mean_years: float | None = None,
    sd_years: float | None = None,
    stated_height_m: float | None = None,
) -> Pmf:
    """Mass function of the years a tree took to reach a height.

    Parameters
    ----------
    height_m : float
        Coring height above the root collar [m], 0 to 3 as in the table of cores.
    model : HeightModel or mapping, optional
        A height model, or settings for `height_model`.
    mean_years, sd_years : float, optional
        In place of a model: mean and standard deviation of the years to subtract [years].
    stated_height_m : float, optional
        Height the mean and sd are for [m], 0 to 3; height_m by default.

    Returns
    -------
    Pmf
        Whole growing seasons before the one in which the tip passed the height; 0 at height 0.

    Raises
    ------
    InputError
        If a height is not one number from 0 to 3, a figure is not above 0, or the model is neither.
    ModelError
        If neither or both of a model and a mean with its sd are given, or the model does not reach the
        height.

    Warns
    -----
    ModelWarning
        If the model is used outside the heights its source covers, a published curve below 2 m included.
    PriorWarning
        If the model is a published figure and not the user's own.

    Notes
    -----
    Y = ceil(T) - 1 with the passing time T in growing seasons, so total age = rings at the height + Y.

    References
    ----------
    .. [1] The half-season convention of stem analysis: Carmean, W. H. (1972). Forest Science 18, 109-120
       (from memory).

    Examples
    --------
    >>> years = years_to_height(1.0, mean_years=8, sd_years=3)
    >>> round(years.mean(), 1), years.interval(0.9)
    (8.0, (4, 14))
    """
    where = "years_to_height"
    figures = mean_years is not None and sd_years is not None
    if (model is None) != figures or (model is not None and (mean_years is not None or sd_years is not None)):
        got = "both" if model is not None else "neither in full"
        need = "a model, or mean_years with sd_years [years]"
        raise ModelError(Fault(got, need, "Give one of the two; none is ever assumed.", where, 0, "model"))
    height_m = _coring_height(where, "height_m", height_m)
    if stated_height_m is not None:
        stated_height_m = _coring_height(where, "stated_height_m", stated_height_m)
    if model is None:
        at = height_m if stated_height_m is None else stated_height_m
        if height_m == 0:
            return no_height_model().years(0.0)
        chosen = from_mean_sd(at, mean_years or 0, sd_years or 0)
    elif isinstance(model, (HeightModel, Mapping)):
        chosen = model if isinstance(model, HeightModel) else height_model(model)
    else:
        do = "Write for example {'model': 'published', 'name': ...}, see height_model."
        raise InputError(Fault(kind_of(model), "a HeightModel or settings", do, where, 0, "model"))
    years = chosen.years(height_m)
    for sentence in chosen.cautions(height_m):
        prior = chosen.curve is None and not chosen.is_none and sentence in chosen.remarks
        warnings.warn(sentence, PriorWarning if prior else ModelWarning, stacklevel=2)
    return years
