"""Every core of a field read against the other trees of its species, for a person to check before dating.

Layer 4, part of the family of `estimate`. The statistics are those of `crossdating`; no status is ever changed by it.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import pandas as pd

from treeage.crossdating import DatedCore, crossdate_stand
from treeage.errors import Fault, InputError
from treeage.errors_checks import require_field
from treeage.estimate_cores import core_facts

if TYPE_CHECKING:
    from treeage.tables import Field

LEAST_TREES = 3  # choice: a mean of fewer other trees is no reference
LEAST_RINGS = 30  # choice: shorter series agree with anything


def crossdate_field(field: Field, *, tick: Callable[[int], object] | None = None) -> dict[str, pd.DataFrame]:
    """Read the ring tables of each species against the mean of its other trees.

    Parameters
    ----------
    field : Field
        From `read_field`.
    tick : callable, optional
        Called with the number of cores done, for a progress bar.

    Returns
    -------
    dict of str to pandas.DataFrame
        agreement, places and swaps as in `crossdating.Crossdating`, with a column species in front.

    Raises
    ------
    InputError
        If field is not a Field, or no species has three trees with ring tables of 30 rings.

    Notes
    -----
    Nothing is changed, and a `dating` status is never raised from it: a person decides at the wood.

    References
    ----------
    .. [1] Statistics and their sources: `crossdating` and `crossdating_statistics`.
    """
    require_field("crossdate_field", field)
    facts = core_facts(field)
    by_species: dict[str, list[DatedCore]] = {}
    for record, widths in zip(facts.records, facts.widths_mm, strict=True):
        if widths.size >= LEAST_RINGS:
            core = DatedCore(str(record["tree"]), str(record["core"]), int(record["outer_year"]), widths)
            by_species.setdefault(str(record["species"]), []).append(core)
    tables: dict[str, list[pd.DataFrame]] = {"agreement": [], "places": [], "swaps": []}
    for species, cores in by_species.items():
        if len({core.tree for core in cores}) >= LEAST_TREES:
            found = crossdate_stand(cores)
            for name, parts in tables.items():
                part = getattr(found, name)
                parts.append(part.assign(species=species)[["species", *part.columns]])
        if tick:
            tick(len(cores))
    if not tables["agreement"]:
        need = f"three trees of one species with ring tables of {LEAST_RINGS} rings"
        got = f"{sum(len(cores) for cores in by_species.values())} such cores"
        raise InputError(Fault(got, need, "Measure more cores, or leave this out.", "crossdate_field", 0, "rings.csv"))
    return {name: pd.concat(parts, ignore_index=True) for name, parts in tables.items()}
