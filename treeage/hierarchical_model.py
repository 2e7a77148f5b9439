"""The PyMC model of a stand: rates, error factors and early height growth, with years and counts summed out.

Layer 5, part of the family of `hierarchical`. Own derivation, see Notes of `build_model`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from treeage.hierarchical_growth import GrowthKernel
from treeage.hierarchical_height import FORMS
from treeage.hierarchical_op import StandKernel, TreeKernel, likelihood_operation
from treeage.hierarchical_parameters import NAMES, ParameterMap
from treeage.hierarchical_priors import LearningPriors

if TYPE_CHECKING:
    import pymc

    from treeage.hierarchical_data import StandData

DIMS = {
    "rate_bias": "species",
    "tree_sd": "species",
    "distance_factor": "method",
    "count_factor": "dating",
    "height_level": "height_species",
    "height_slope": "height_species",
    "height_spread": "height_species",
}
"""Named dimension of each parameter."""


def build_model(data: StandData, priors: LearningPriors | None = None) -> pymc.Model:
    """Build the model of one stand.

    Parameters
    ----------
    data : StandData
        Arrays of the stand.
    priors : LearningPriors, optional
        Priors; the package's by default.

    Returns
    -------
    pymc.Model
        With named dims species, method, dating, height_species, form and teaching_tree; parameters that nothing in the
        field refers to are left out. The free variable z is standard normal; the named parameters follow from it.

    Notes
    -----
    For a tree with cores c, shared deviation s = b[species] + u and error factors f,

        L(s, f) = sum over pith years P of prod_c p_c(missed + count error = innermost year_c - P | s, f)

    is summed exactly beforehand for every shift s on an even grid and kept as a polynomial in the log factors, so that

        log L = log sum_s N(s; b[species], tree_sd[species]) L(s, f)

    is all that is left for the sampler: no latent variable for any tree. A tree with one core has a constant L under
    the flat prior on P and drops out; it still gets its date from what the others teach. Early height growth has a
    level, slope and spread for each species with the growth forms averaged inside the likelihood; a tree cored at two
    heights adds the sum over the years between them. All of it is one operation in NumPy with a gradient by hand: PyMC
    samples it with its own NUTS and nothing has to be compiled, however many trees there are.

    References
    ----------
    .. [1] Own derivation; the non-centred form: Papaspiliopoulos, Roberts & Skold 2007, Stat. Sci. 22 (from memory).
    """
    import pymc as pm

    parameters = ParameterMap(data, priors or LearningPriors())
    coords = {
        "species": data.species,
        "method": parameters.methods,
        "dating": parameters.datings,
        "height_species": data.heights.species,
        "form": tuple(f"{form} {share:g}" for form, share in FORMS) if data.heights.species else (),
        "teaching_tree": data.trees.trees,
        "coordinate": tuple(str(place) for place in range(parameters.size)),
    }
    kernel = stand_kernel(data, parameters)
    with pm.Model(coords={name: list(values) for name, values in coords.items() if values}) as model:
        z = pm.Normal("z", 0.0, 1.0, dims="coordinate")
        total, per_tree, forms, *values = likelihood_operation(kernel)(z)
        pm.Potential("log_likelihood", total)
        for name, value in zip(NAMES, values, strict=True):
            if name == "own_factor" or coords[DIMS[name]]:
                pm.Deterministic(name, value, dims=DIMS.get(name))
        if data.trees.trees:
            pm.Deterministic("tree_log_likelihood", per_tree, dims="teaching_tree")
        if data.heights.species:
            pm.Deterministic("form_log_weight", forms, dims=("height_species", "form"))
    return model


def stand_kernel(data: StandData, parameters: ParameterMap) -> StandKernel:
    """Likelihood of a stand in NumPy.

    Parameters
    ----------
    data : StandData
        Arrays of the stand.
    parameters : ParameterMap
        From coordinates to parameters.

    Returns
    -------
    StandKernel
        Value and gradient at a vector of coordinates.
    """
    growth = GrowthKernel(data.heights, data.difference) if data.heights.species else None
    trees = TreeKernel(data.trees, data.tree_species) if data.trees.trees else None
    return StandKernel(parameters, trees, growth, data.difference_species)
