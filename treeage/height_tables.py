"""The published height curves and early-height figures that ship with the package, each with its source.

Layer 2. Data in data/height_curves.csv and data/early_heights.csv; every row says how it is known.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from functools import lru_cache
from importlib import resources
from typing import Final

from treeage.errors import Fault, ModelError, show
from treeage.height_curves import HeightCurve

FOOT_M: Final = 0.3048  # exact by definition


def read_rows(file: str) -> list[dict[str, str]]:
    """Rows of a table that ships with the package.

    Parameters
    ----------
    file : str
        File name in the package's data folder.

    Returns
    -------
    list of dict
        One dict of texts for each row.

    Examples
    --------
    >>> read_rows("height_curves.csv")[0]["name"]
    'douglas-fir bruce'
    """
    text = resources.files("treeage").joinpath("data", file).read_text(encoding="utf-8")
    return list(csv.DictReader(text.splitlines()))


@dataclass(frozen=True)
class PublishedCurve:
    """A published height curve: one row of the table that ships with the package.

    Parameters
    ----------
    name, species, form, counts_from : str
        Name to ask for, species, curve form, where age 0 is.
    base_age_years : float
        Age of the site index on the curve's own axis [years].
    unit_m : float
        Unit of length of the coefficients [m].
    coefficients : tuple of float
        All parameters but the site index.
    site_low_m, site_high_m : float
        Site indices the coefficients were checked for [m].
    source, known, checked : str
        Publication; how the coefficients are known; which printed figure they reproduce.
    """

    name: str
    species: str
    form: str
    counts_from: str
    base_age_years: float
    unit_m: float
    coefficients: tuple[float, ...]
    site_low_m: float
    site_high_m: float
    source: str
    known: str
    checked: str


@lru_cache(maxsize=1)
def published_curves() -> dict[str, PublishedCurve]:
    """All published curves that ship with the package.

    Returns
    -------
    dict of str to PublishedCurve
        The curves by name, each with its source and how it is known.

    Examples
    --------
    >>> sorted(published_curves())
    ['douglas-fir bruce', 'douglas-fir king', 'quaking aspen', 'shortleaf pine']
    """
    found = {}
    for row in read_rows("height_curves.csv"):
        unit = float(row["unit_m"])
        found[row["name"]] = PublishedCurve(
            row["name"],
            row["species"],
            row["form"],
            row["counts_from"],
            float(row["base_age_years"]),
            unit,
            tuple(float(value) for value in row["coefficients"].split(";")),
            float(row["site_low"]) * unit,
            float(row["site_high"]) * unit,
            row["source"],
            row["known"],
            row["checked"],
        )
    return found


def published_curve(name: str, site_index_m: float) -> HeightCurve:
    """Make one of the published curves for a site index.

    Parameters
    ----------
    name : str
        A name of `published_curves`.
    site_index_m : float
        Height at the base age of the curve [m], within the range the coefficients were checked for.

    Returns
    -------
    HeightCurve
        The curve in metres.

    Raises
    ------
    ModelError
        If there is no such curve or the site index is outside its range; feet are recognised and named.

    References
    ----------
    .. [1] Each row of `published_curves` names its own source.

    Examples
    --------
    Quaking aspen, 62 ft at age 40, is close to site index 70 ft.

    >>> curve = published_curve("quaking aspen", 70 * 0.3048)
    >>> round(float(curve.height_at(40)) / 0.3048, 1)
    61.6
    """
    where = "published_curve"
    if name not in published_curves():
        allowed = ", ".join(sorted(published_curves()))
        raise ModelError(Fault(show(name), f"one of {allowed}", "Use such a name.", where, 0, "name"))
    entry = published_curves()[name]
    low, high = entry.site_low_m, entry.site_high_m
    if not low - 1e-9 <= site_index_m <= high + 1e-9:
        do = "Give a site index in this range, or another height model."
        if low <= site_index_m * FOOT_M <= high:
            do = f"This looks like feet: write {site_index_m * FOOT_M:.1f}."
        need = f"{low:.1f} to {high:.1f} [m] at base age {entry.base_age_years:g}"
        raise ModelError(Fault(f"{site_index_m:g}", need, do, where, 0, "site_index"))
    values = (float(site_index_m) / entry.unit_m, *entry.coefficients)
    return HeightCurve(entry.form, values, entry.unit_m, entry.counts_from)


@dataclass(frozen=True)
class EarlyHeight:
    """A published figure of early height growth: one row of the table that ships with the package.

    Parameters
    ----------
    name, species, place : str
        Name to ask for, species, where.
    use : {'height', 'rate', 'collar'}
        'height': years to a height; 'rate': years for each metre of height; 'collar': years hidden by a
        buried collar, to be given as collar years of the tree and not a height model.
    height_m : float
        Height [m] of 'height', 1 m of 'rate', 0 of 'collar'.
    mean_years, log_sd : float
        Mean [years] and standard deviation of the logarithm between trees.
    counts : {'rings', 'time'}
        Whether the years are a difference of rings or a continuous time.
    low_years, high_years : float
        Range printed by the source [years]; nan if none.
    trees : str
        Sample size in the words of the source.
    valid_from_m, valid_to_m : float
        Heights the figure covers [m].
    source, known, note : str
        Publication; how it is known; how the numbers were taken from it.
    """

    name: str
    species: str
    place: str
    use: str
    height_m: float
    mean_years: float
    log_sd: float
    counts: str
    low_years: float
    high_years: float
    trees: str
    valid_from_m: float
    valid_to_m: float
    source: str
    known: str
    note: str


@lru_cache(maxsize=1)
def early_heights() -> dict[str, EarlyHeight]:
    """All published figures of early height growth that ship with the package.

    Returns
    -------
    dict of str to EarlyHeight
        The figures by name.

    Examples
    --------
    >>> early_heights()["ponderosa pine two cores"].mean_years
    50.0
    """
    texts = {"name", "species", "place", "use", "counts", "trees", "source", "known", "note"}
    found = {}
    for row in read_rows("early_heights.csv"):
        values = {key: text if key in texts else float(text or "nan") for key, text in row.items()}
        found[row["name"]] = EarlyHeight(**values)  # type: ignore[arg-type]
    return found
