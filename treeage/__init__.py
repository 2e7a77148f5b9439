"""treeage: ages and establishment dates of cored trees, with honest intervals, and the history of their stand.

Top of the package: names and modules only, fetched when first used, so that the import stays quick.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

from treeage.display import VERSION as __version__

if TYPE_CHECKING:
    from treeage.alignment import Alignment, align_cores
    from treeage.checks import predictive_checks, sensitivity
    from treeage.distance import arc_radius
    from treeage.errors import ConflictWarning, InputError, ModelError, ModelWarning, PriorWarning
    from treeage.estimate import date_tree, estimate_ages
    from treeage.height import years_to_height
    from treeage.hierarchical import fit_hierarchical
    from treeage.planning import aim_second_core, next_steps, plan_coring
    from treeage.pmf import Pmf
    from treeage.report import write_outputs
    from treeage.results import Ages, TreeAge
    from treeage.rings import calibrate_missing_rings, missing_rings, missing_rings_many
    from treeage.simulate import example_field
    from treeage.stand import StandHistory, stand_history
    from treeage.tables import Field, read_field

_HOME = {
    "Ages": "results",
    "Alignment": "alignment",
    "ConflictWarning": "errors",
    "Field": "tables",
    "InputError": "errors",
    "ModelError": "errors",
    "ModelWarning": "errors",
    "Pmf": "pmf",
    "PriorWarning": "errors",
    "StandHistory": "stand",
    "TreeAge": "results",
    "aim_second_core": "planning",
    "align_cores": "alignment",
    "arc_radius": "distance",
    "calibrate_missing_rings": "rings",
    "date_tree": "estimate",
    "estimate_ages": "estimate",
    "example_field": "simulate",
    "fit_hierarchical": "hierarchical",
    "missing_rings": "rings",
    "missing_rings_many": "rings",
    "next_steps": "planning",
    "plan_coring": "planning",
    "predictive_checks": "checks",
    "read_field": "tables",
    "sensitivity": "checks",
    "stand_history": "stand",
    "write_outputs": "report",
    "years_to_height": "height",
}

_MODULES = (
    "alignment",
    "checks",
    "counting",
    "crossdating",
    "distance",
    "errors",
    "estimate",
    "formats",
    "forms",
    "growth",
    "height",
    "hierarchical",
    "planning",
    "plots",
    "pmf",
    "posterior",
    "priors",
    "report",
    "results",
    "rings",
    "schema",
    "simulate",
    "stand",
    "tables",
    "validate",
)

__all__ = [
    "Ages",
    "Alignment",
    "ConflictWarning",
    "Field",
    "InputError",
    "ModelError",
    "ModelWarning",
    "Pmf",
    "PriorWarning",
    "StandHistory",
    "TreeAge",
    "__version__",
    "aim_second_core",
    "align_cores",
    "arc_radius",
    "calibrate_missing_rings",
    "date_tree",
    "estimate_ages",
    "example_field",
    "fit_hierarchical",
    "missing_rings",
    "missing_rings_many",
    "next_steps",
    "plan_coring",
    "predictive_checks",
    "read_field",
    "sensitivity",
    "stand_history",
    "write_outputs",
    "years_to_height",
]


def __getattr__(name: str) -> Any:
    if name in _MODULES:
        return import_module(f"treeage.{name}")
    if name not in _HOME:
        raise AttributeError(f"module 'treeage' has no attribute {name!r}; it has {', '.join(__all__)}")
    return getattr(import_module(f"treeage.{_HOME[name]}"), name)


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__, *_MODULES})
