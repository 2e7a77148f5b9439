"""Every default number of distances, bark, taper, curvature, aim and gross errors, with its source and how it is known.

Sources: the publications named in each entry; entries marked "choice" are the project's own judgement.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from enum import StrEnum
from functools import cache
from importlib import resources
from types import MappingProxyType
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd


class Known(StrEnum):
    """How a number or a source is known: from the user, a fit, the literature (read to derived), or by definition."""

    __repr__ = str.__repr__

    USER = "user"
    FITTED = "fitted"
    DEFINITION = "definition"
    READ = "read"
    ABSTRACT = "abstract"
    CITING = "citing text"
    MEMORY = "memory"
    DERIVED = "derived"
    CHOICE = "choice"
    NONE = "none"

    __repr__ = str.__repr__


_REPLACED: ContextVar[Mapping[Sourced, float] | None] = ContextVar("replaced", default=None)
_READ: ContextVar[set[Sourced] | None] = ContextVar("read", default=None)


@dataclass(frozen=True)
class Sourced:
    """A number that the model uses when the user gives none, with where it comes from.

    Parameters
    ----------
    default : float
        The number; `value` is what holds now, which is another within `replaced`.
    unit : str
        Its unit, or "share" for a plain ratio.
    meaning : str
        What it stands for.
    source : str
        Publication, or the reason of a choice.
    known : Known
        read (in the text), abstract (in the abstract), citing text (another repeats it), memory, derived
        (arithmetic from a cited figure) or choice.

    Examples
    --------
    >>> ECCENTRICITY.value, ECCENTRICITY.unit
    (0.13, 'share')
    """

    default: float
    unit: str
    meaning: str
    source: str
    known: Known

    @property
    def value(self) -> float:
        """The number that holds now."""
        read, others = _READ.get(), _REPLACED.get()
        if read is not None:
            read.add(self)
        return self.default if others is None else others.get(self, self.default)


ECCENTRICITY = Sourced(
    0.13,
    "share",
    "mean offset of the pith from the geometric centre, as a share of the inside-bark radius",
    "12.3 % along one diameter (Renvall 1923, Acta For. Fenn. 26(4), 428 cores, abstract), 12 to 19 % as full offset; "
    "and 14.4 % (13 % mean difference of two radii, Woodall 2008, Tree-Ring Research 64(1), abstract)",
    Known.DERIVED,
)
ROUNDNESS = Sourced(
    0.10,
    "share",
    "spread of a ring's local radius of curvature about its distance to the pith",
    "rings are not circles; of the size of the radius differences of Woodall 2008",
    Known.CHOICE,
)
ARC_SD = Sourced(
    0.10,
    "mm",
    "reading error of the rise of an arc",
    "observers agree within 0.1-0.2 mm on good material (Douglass 1919, Carnegie Inst. Publ. 289)",
    Known.DERIVED,
)
CHORD_SD = Sourced(0.10, "mm", "reading error of the chord of an arc", "as for the rise", Known.CHOICE)
CIRCLE_STEP = Sourced(2.0, "mm", "step between the circles of a transparent template", "common practice", Known.CHOICE)
RAY_ANGLE_SD = Sourced(2.0, "degree", "reading error of the angle between two rays", "a small protractor", Known.CHOICE)
RAY_GAP_SD = Sourced(0.2, "mm", "reading error of the gap between two rays", "as for ring widths", Known.CHOICE)
DIRECT_SHARE = Sourced(
    0.15,
    "share",
    "standard deviation of a distance written down without one, as a share of it (and 1 mm at least)",
    "wide enough not to claim precision that was not stated",
    Known.CHOICE,
)
DIAMETER_SHARE = Sourced(
    0.02,
    "share",
    "error of the inside radius from a girth, from reading and stems that are not round",
    "girth and two mean diameters overstate area by 0.47-2.37 %, girth most (Rodriguez, Blanco & Aunos 2015, Forest "
    "Systems 24(3), doi 10.5424/fs/2015243-05945, abstract)",
    Known.DERIVED,
)
TAPER = Sourced(
    1.0, "cm/m", "taper used when only the diameter at another height is known", "common practice", Known.CHOICE
)
TAPER_SD = Sourced(1.0, "cm/m", "spread of that taper (butt swell)", "common practice", Known.CHOICE)
BARK_SHARE = Sourced(
    0.09,
    "share",
    "single bark as a share of the outside radius when no bark was measured",
    "inside/outside ratio about 0.91 of Douglas-fir (J. Goudie, message to a forestry mailing list, November 1993)",
    Known.READ,
)
BARK_SHARE_SD = Sourced(
    0.03,
    "share",
    "spread of that share between species and sites",
    "0.81 to 0.92 in published ratios",
    Known.DERIVED,
)
BARK_SD_SHARE = Sourced(
    0.15,
    "share",
    "standard deviation of a measured bark thickness given without one",
    "reading in furrowed bark",
    Known.CHOICE,
)
BARK_POWER = Sourced(
    0.75,
    "power",
    "power of the inside radius with which bark thickened: below 1, young stems have more for their size",
    "bark thickens with the stem but less than in proportion",
    Known.CHOICE,
)
BARK_POWER_SD = Sourced(0.15, "power", "spread of that power between trees", "in proportion is 1.7 away", Known.CHOICE)
CORE_STEM = Sourced(
    1.0, "factor", "factor on the measured error of one radius against the whole section", "as fitted", Known.CHOICE
)
CORE_WIDTH = Sourced(
    5.0, "mm", "width of the wood on which curvature can be seen", "common borers 4.3-5.15 mm", Known.READ
)
CURVATURE_SEEN = Sourced(
    0.157,
    "mm",
    "rise across the core that half of the observers notice",
    "a chord limited by the core's width tells nothing beyond about 20 mm",
    Known.DERIVED,
)
CURVATURE_SEEN_SD = Sourced(0.05, "mm", "spread of that threshold", "reading error", Known.CHOICE)
CURVATURE_OVERLOOKED = Sourced(
    0.25,
    "share",
    "share of 'no arcs' entries that only mean nothing usable was found, at any distance",
    "field sheets are filled in a hurry",
    Known.CHOICE,
)
AIM_MM = Sourced(
    10.0,
    "mm",
    "standard deviation of the sideways drift of a borer, beside the offset of the pith",
    "about three degrees over a radius of 150 to 200 mm",
    Known.CHOICE,
)
PASSES_PITH = Sourced(
    0.8, "share", "cores bored past the depth of the pith where the wood allows it", "common practice", Known.CHOICE
)
PITH_AGAIN = Sourced(
    0.1,
    "share",
    "cores that hold the pith because they were bored again, or chosen for it, whatever the aim",
    "common practice",
    Known.CHOICE,
)
SHORT_MM = Sourced(
    40.0,
    "mm",
    "distance over which cores that stop before the pith grow rarer (to 1/e)",
    "common practice",
    Known.CHOICE,
)
MISDATED = Sourced(
    0.015,
    "share",
    "cores called crossdated whose count is that of the laboratory",
    "one or two in a hundred are dated wrongly; the size of the error is that of a laboratory count",
    Known.CHOICE,
)
PITH_NEAR = Sourced(
    0.1,
    "share",
    "'pith' entries where the pith lies beside the core, by up to half its width",
    "the innermost ring is taken for the pith in a hurry",
    Known.CHOICE,
)
AIM_LOG_SD = Sourced(
    0.4, "log", "spread of the sideways miss between observers and stands", "half to twice as far", Known.CHOICE
)
ECCENTRICITY_LOG_SD = Sourced(
    0.35, "log", "spread of the mean offset of the pith between stands", "slope, wind and species differ", Known.CHOICE
)
SIGHT_LOG_SD = Sourced(0.35, "log", "spread between observers of how far arcs are seen", "10 to 40 mm", Known.CHOICE)
SHORT_LOG_SD = Sourced(
    0.6, "log", "spread of that distance between stands", "borers too short, rot: 20 to 75 mm", Known.CHOICE
)
PITH_AGAIN_LOG_SD = Sourced(
    1.0,
    "log",
    "spread between observers of the odds that a core was bored again until it held the pith",
    "some guides ask for the pith in every core, some for none: 4 to 23 %",
    Known.CHOICE,
)
OVERLOOKED_LOG_SD = Sourced(
    0.5, "log", "spread between observers of the share of arcs overlooked", "half to twice as many", Known.CHOICE
)
ARC_BIAS_SD = Sourced(
    0.08,
    "log",
    "shared bias of radii read on arcs against the distance to the pith",
    "rings of one stand are out of round alike; observers differ by 0.1 mm in the rise (Douglass 1919)",
    Known.CHOICE,
)
ARC_SPREAD_LOG_SD = Sourced(
    0.4, "log", "spread between stands of the errors of arcs as stated", "half to twice as large", Known.CHOICE
)
AIM_TAIL_DF = Sourced(4.0, "degrees of freedom", "tails of the miss of an aimed core", "borers drift", Known.CHOICE)
GROSS_ERROR = Sourced(
    0.01,
    "share",
    "probability that a core of a tree with several is wrong for a reason outside the model (swapped, misread)",
    "about one core in a hundred",
    Known.CHOICE,
)
COUNT_RATE = Sourced(
    1.0, "factor", "factor on the published rates of rings counted too few or too many", "as published", Known.CHOICE
)
OWN_GROWTH = Sourced(
    1.0, "factor", "factor on the fitted scale of a core's own hidden width", "as fitted to the archive", Known.CHOICE
)
TREE_GROWTH = Sourced(
    1.0, "factor", "factor on the spread of hidden width that the cores of a tree share", "as fitted", Known.CHOICE
)
STAND_GROWTH = Sourced(
    1.0, "factor", "factor on the spread of hidden width that the trees of a stand share", "as fitted", Known.CHOICE
)
HEIGHT_SPREAD = Sourced(
    1.0, "factor", "factor on the spread of the years to coring height", "as the height model says", Known.CHOICE
)
HEIGHT_LEVEL = Sourced(
    0.0,
    "standard deviations",
    "log years to coring height of all trees above the height model, in its standard deviations",
    "as the height model says",
    Known.CHOICE,
)


def entries() -> dict[str, Sourced]:
    """Every default by its name in small letters, in the order of this file.

    >>> entries()["eccentricity"] is ECCENTRICITY
    True
    """
    return {name.lower(): entry for name, entry in globals().items() if isinstance(entry, Sourced)}


@contextmanager
def replaced(values: Mapping[str, float]) -> Iterator[set[Sourced]]:
    """Other values of some defaults while the context lasts; gives the defaults that were read in it.

    values: by name as in `entries`. KeyError for a name that is none.

    >>> with replaced({"eccentricity": 0.26}) as read:
    ...     ECCENTRICITY.value
    0.26
    >>> ECCENTRICITY.value, read == {ECCENTRICITY}
    (0.13, True)
    """
    known, read = entries(), set[Sourced]()
    others = {known[name]: value for name, value in values.items()}
    tokens = _REPLACED.set({**(_REPLACED.get() or {}), **others}), _READ.set(read)
    try:
        yield read
    finally:
        _REPLACED.reset(tokens[0])
        _READ.reset(tokens[1])


@cache
def data_text(file: str) -> str:
    """Text of a file that ships in `treeage/data`."""
    return resources.files("treeage").joinpath("data", file).read_text(encoding="utf-8")


@cache
def data_rows(file: str) -> tuple[Mapping[str, str], ...]:
    """Rows of a table that ships in `treeage/data`, as texts by column; read-only."""
    return tuple(MappingProxyType(row) for row in csv.DictReader(data_text(file).splitlines()))


@dataclass(frozen=True)
class RingRate:
    """How often a ring is locally absent from a core, or one year looks like two rings, in trees of a kind.

    Parameters
    ----------
    mean : float
        Mean over sites [per ring].
    shape : float
        Shape of the gamma distribution of the rate between sites; infinite where no spread is known.
    in_all_cores : float
        Of the rings absent from a core, the share that the tree's other cores lack too; NaN for false rings.
    width_mm : float
        Mean ring width at which that mean holds [mm]; NaN where it does not matter.
    source : str
        Where the numbers come from.
    known : Known
        How they are known.
    """

    mean: float
    shape: float
    in_all_cores: float
    width_mm: float
    source: str
    known: Known


def ring_rate(kind: str, species: str | None = None) -> RingRate:
    """Rate of `absent` or `false` rings of a species, else of its genus, else of all (data/ring_rates.csv)."""
    words = " ".join((species or "").lower().split())
    return _ring_rates(kind).get(words) or _ring_rates(kind).get(words.split(" ")[0]) or _ring_rates(kind)[""]


@cache
def _ring_rates(kind: str) -> Mapping[str, RingRate]:
    rates = {}
    for row in data_rows("ring_rates.csv"):
        if row["kind"] == kind and row["rate_per_1000"]:
            shape, both, width = (float(row[name] or "nan") for name in ("shape", "in_all_cores", "width_mm"))
            shape = shape if shape > 0 else float("inf")
            mean, known = float(row["rate_per_1000"]) / 1000.0, Known(row["known"])
            rates[row["level"].lower()] = RingRate(mean, shape, both, width, row["source"], known)
    return MappingProxyType(rates)


def ring_rate_factor(kind: str, group: str, level: str | None) -> float:
    """Factor on the rate in a group, such as a crown class (1 where not listed); or the slope on the log width."""
    for row in data_rows("ring_rates.csv"):
        if (row["kind"], row["group"], row["level"].lower()) == (kind, group, (level or "").strip().lower()):
            return float(row["factor"] or 1.0)
    return 1.0


def defaults_table() -> pd.DataFrame:
    """Every default with its source: columns name, value, unit, meaning, source, known.

    >>> defaults_table()["name"][0]
    'eccentricity'
    """
    import pandas as pd

    columns = ("value", "unit", "meaning", "source", "known")
    return pd.DataFrame(
        [{"name": name, **{key: getattr(entry, key) for key in columns}} for name, entry in entries().items()]
    )
