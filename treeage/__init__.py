"""treeage: ages and establishment dates of cored trees, with honest intervals, and the history of their stand.

The ten calls that most work is done with:

    field = treeage.read_field("FOLDER")         read and check a folder of field tables
    ages = treeage.estimate_ages(field)          date every tree; fit_hierarchical(field) learns the parameters first
    ages["T17"]                                  one tree: .establishment_year, .age, .sentence(), .cores
    ages.to_frame()                              the table, one row a tree
    ages.draws(4000)                             joint draws, for everything that concerns several trees
    ages.plot()                                  a figure; every result has .plot(ax=), .sentence() and .to_frame()
    treeage.stand_history(ages)                  structure, recruitment, pulses and events of the stand
    treeage.predictive_checks(ages)              whether the model could have produced what was seen
    treeage.missing_rings(12.0, [1.1, 0.9, 1.2]) rings between a core and the pith; arc_radius, align_cores likewise
    treeage.write_outputs(ages, "OUT")           report, tables, figures, methods text and record in a folder

A demo folder to try them on: treeage.example_field("FOLDER"). On the command line: treeage --help.
"""

from __future__ import annotations

import sys
from importlib import import_module
from types import ModuleType
from typing import TYPE_CHECKING, Any

from treeage.display import VERSION as __version__

if TYPE_CHECKING:
    from treeage.alignment import Alignment, align_cores
    from treeage.batch import Batch, estimate_sites
    from treeage.checks import predictive_checks, sensitivity
    from treeage.distance import arc_radius
    from treeage.errors import ConflictWarning, InputError, ModelError, ModelWarning, PriorWarning, TreeageWarning
    from treeage.estimate import date_tree, estimate_ages
    from treeage.height import years_to_height
    from treeage.hierarchical import fit_hierarchical
    from treeage.planning import aim_second_core, next_steps, plan_coring
    from treeage.pmf import Pmf
    from treeage.proof import validate_field
    from treeage.report import write_outputs
    from treeage.results import Ages, TreeAge
    from treeage.rings import calibrate_missing_rings, missing_rings, missing_rings_many
    from treeage.simulate import example_field
    from treeage.stand import StandHistory, stand_history
    from treeage.tables import Field, read_field

_HOME = {
    "Ages": "results",
    "Alignment": "alignment",
    "Batch": "batch",
    "ConflictWarning": "errors",
    "Field": "tables",
    "InputError": "errors",
    "ModelError": "errors",
    "ModelWarning": "errors",
    "Pmf": "pmf",
    "PriorWarning": "errors",
    "TreeageWarning": "errors",
    "StandHistory": "stand",
    "TreeAge": "results",
    "aim_second_core": "planning",
    "align_cores": "alignment",
    "arc_radius": "distance",
    "calibrate_missing_rings": "rings",
    "date_tree": "estimate",
    "estimate_ages": "estimate",
    "estimate_sites": "batch",
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
    "validate_field": "proof",
    "write_outputs": "report",
    "years_to_height": "height",
}

_MODULES = (
    "alignment",
    "batch",
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
    "proof",
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
    "Batch",
    "ConflictWarning",
    "Field",
    "InputError",
    "ModelError",
    "ModelWarning",
    "Pmf",
    "PriorWarning",
    "StandHistory",
    "TreeAge",
    "TreeageWarning",
    "__version__",
    "aim_second_core",
    "align_cores",
    "arc_radius",
    "calibrate_missing_rings",
    "date_tree",
    "estimate_ages",
    "estimate_sites",
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
    "validate_field",
    "write_outputs",
    "years_to_height",
]


def __getattr__(name: str) -> Any:
    if name in _MODULES:
        return import_module(f"treeage.{name}")
    if name not in _HOME:
        from difflib import get_close_matches

        near = get_close_matches(name, [*__all__, *_MODULES], n=1)
        do = f"did you mean {near[0]}? " if near else ""
        raise AttributeError(f"module 'treeage' has no attribute {name!r}; {do}it has {', '.join(__all__)}")
    return getattr(import_module(f"treeage.{_HOME[name]}"), name)


def __dir__() -> list[str]:
    return sorted({*__all__, *_MODULES})


class _Package(ModuleType):
    """The package, whose modules list what they give away and not what they took from elsewhere."""

    def __setattr__(self, name: str, value: Any) -> None:
        if isinstance(value, ModuleType):  # set by the import system once a module is loaded
            own = [key for key, item in vars(value).items() if getattr(item, "__module__", "") == value.__name__]
            listed = sorted(getattr(value, "__all__", [key for key in own if not key.startswith("_")]))
            vars(value)["__dir__"] = listed.copy
        super().__setattr__(name, value)


sys.modules[__name__].__class__ = _Package
