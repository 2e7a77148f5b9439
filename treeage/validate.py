"""Checks whether the ages of a field keep their promise, on stands whose truth is known.

Layer 5. Own derivation; the scores are in `validate_scores`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from treeage.errors import Fault, InputError
from treeage.validate_scores import (
    BAND,
    PROBS,
    bias,
    binomial_band,
    coverage,
    rank_interval,
    rank_statistics,
    sharpness,
)

if TYPE_CHECKING:
    import pandas as pd

    from treeage.pmf import Pmf
    from treeage.results import Ages
    from treeage.simulate import Scenario, SimulatedStand
    from treeage.tables import Field

__all__ = [
    "BAND",
    "PROBS",
    "Validation",
    "bias",
    "binomial_band",
    "coverage",
    "rank_interval",
    "rank_statistics",
    "score_against_truth",
    "sharpness",
    "validate_scenario",
    "validate_stands",
]


def score_against_truth(ages: Ages, truth: pd.DataFrame | Mapping[str, int]) -> pd.DataFrame:
    """Set the ages of a field beside the true establishment years, tree by tree.

    Parameters
    ----------
    ages : Ages
        The answer.
    truth : pandas.DataFrame or mapping of str to int
        Columns tree and establishment_year, or establishment years by tree.

    Returns
    -------
    pandas.DataFrame, one row a dated tree that has a truth
        tree, establishment_year_true, establishment_year_median, establishment_year_lo,
        establishment_year_hi, prob, error (median less truth), inside (bool), rank_low, rank_high (stated
        probability below, and up to and with, the truth), sd and log_score.

    Raises
    ------
    InputError
        If the truth has no column establishment_year or shares no tree with the ages.

    Notes
    -----
    Trees dated as a minimum only or at coring height are left out. `coverage`, `rank_statistics` and `bias` take
    `[ages[tree].establishment_year for tree in table["tree"]]` and the column of truths.

    Examples
    --------
    >>> from treeage.simulate import simulate_stand
    >>> truth = simulate_stand("demo", seed=1).truth["trees"]
    >>> truth[["tree", "establishment_year"]].shape
    (48, 2)
    """
    import pandas as pd

    known = _truth_by_tree(truth)
    frame = ages.to_frame()
    frame = frame[frame["tree"].isin(known) & frame["establishment_year_median"].notna()]
    if frame.empty:
        need = "at least one dated tree in common that has an establishment year"
        raise InputError(Fault("no such tree", need, "Check the names.", "score_against_truth", 0, "truth"))
    trees = frame["tree"].tolist()
    answers = {answer.tree: answer for answer in ages}
    pmfs = [answers[tree].establishment_year for tree in trees]
    values = np.array([known[tree] for tree in trees], dtype=np.int64)
    below, up_to = rank_interval(pmfs, values)
    ends = ["establishment_year_median", "establishment_year_lo", "establishment_year_hi"]
    middle, low, high = (frame[name].to_numpy(dtype=np.int64) for name in ends)
    with np.errstate(divide="ignore"):
        logs = -np.log(up_to - below)
    return pd.DataFrame(
        {
            "tree": trees,
            "establishment_year_true": values,
            **dict(zip(ends, (middle, low, high), strict=True)),
            "prob": frame["prob"].to_numpy(),
            "error": middle - values,
            "inside": (low <= values) & (values <= high),
            "rank_low": below,
            "rank_high": up_to,
            "sd": [pmf.sd() for pmf in pmfs],
            "log_score": logs,
        }
    )


def _truth_by_tree(truth: pd.DataFrame | Mapping[str, int]) -> dict[str, int]:
    if isinstance(truth, Mapping):
        return {str(tree): int(year) for tree, year in truth.items()}
    missing = [name for name in ("tree", "establishment_year") if name not in truth.columns]
    if missing:
        got = "columns " + ", ".join(str(name) for name in truth.columns)
        need = "the columns tree and establishment_year"
        raise InputError(Fault(got, need, f"Add {missing[0]}.", "score_against_truth", 0, "truth"))
    return {str(tree): int(year) for tree, year in zip(truth["tree"], truth["establishment_year"], strict=True)}


@dataclass(frozen=True, eq=False)
class Validation:
    """How the whole estimate did on stands whose truth is known.

    Parameters
    ----------
    name : str
        Name of the scenario.
    stands, trees, dated : int
        Numbers of stands, of trees in them, and of trees with an estimate (the others as a minimum only or
        refused).
    coverage, ranks, sharpness, bias : pandas.DataFrame
        See the functions of these names.
    scores : pandas.DataFrame
        One row a dated tree, with the number of its stand; see `score_against_truth`.
    """

    name: str
    stands: int
    trees: int
    dated: int
    coverage: pd.DataFrame
    ranks: pd.DataFrame
    sharpness: pd.DataFrame
    bias: pd.DataFrame
    scores: pd.DataFrame

    def __repr__(self) -> str:
        hits = ", ".join(
            f"{100 * prob:g} % holds {100 * covered:.1f} %"
            for prob, covered in zip(self.coverage["prob"], self.coverage["covered"], strict=True)
        )
        return f"Validation({self.name!r}, {self.dated} of {self.trees} trees, {hits})"


def validate_stands(
    stands: Sequence[SimulatedStand],
    *,
    probs: Sequence[float] = PROBS,
    estimate: Callable[[Field], Ages] | None = None,
) -> Validation:
    """Run the whole estimate on virtual stands and score it against their truth.

    Parameters
    ----------
    stands : sequence of SimulatedStand
        From `simulate_stand` or `simulate_from_model`, at least one.
    probs : sequence of float, default (0.5, 0.8, 0.9, 0.95)
        Interval probabilities.
    estimate : callable, optional
        Field to Ages; `estimate_ages` with its defaults when left out. Stands of `simulate_from_model` need
        `estimate_ages` with from_stand=False and from_pairs=False, because their cores stand alone.

    Returns
    -------
    Validation
        Coverage, ranks, sharpness and bias of the establishment years.

    Raises
    ------
    InputError
        If there is no stand.

    Notes
    -----
    Uses the public path only: tables to `Field`, `estimate_ages`, the faces of `Ages`.

    Examples
    --------
    >>> validate_stands([])
    Traceback (most recent call last):
        ...
    treeage.errors.InputError: validate_stands, stands: got nothing, need at least one stand. Draw some.
    """
    if not stands:
        raise InputError(Fault("nothing", "at least one stand", "Draw some.", "validate_stands", 0, "stands"))
    import pandas as pd

    from treeage.estimate import estimate_ages

    run = estimate or estimate_ages
    pmfs: list[Pmf] = []
    tables = []
    for number, stand in enumerate(stands):
        ages = run(stand.field())
        table = score_against_truth(ages, stand.truth["trees"])
        answers = {answer.tree: answer for answer in ages}
        pmfs += [answers[tree].establishment_year for tree in table["tree"]]
        tables.append(table.assign(stand=number))
    scores = pd.concat(tables, ignore_index=True)
    truths = scores["establishment_year_true"].to_numpy()
    return Validation(
        name=stands[0].scenario.name,
        stands=len(stands),
        trees=sum(len(stand.tables["trees"]) for stand in stands),
        dated=len(scores),
        coverage=coverage(pmfs, truths, probs=probs),
        ranks=rank_statistics(pmfs, truths),
        sharpness=sharpness(pmfs, probs=probs),
        bias=bias(pmfs, truths),
        scores=scores,
    )


def validate_scenario(
    recipe: Scenario | str,
    *,
    stands: int = 10,
    seed: int = 0,
    probs: Sequence[float] = PROBS,
    estimate: Callable[[Field], Ages] | None = None,
) -> Validation:
    """Draw stands of a scenario, estimate them and score the answers.

    Parameters
    ----------
    recipe : Scenario or str
        The recipe, or the name of one that ships.
    stands : int, default 10
        Number of stands (choice: stands share errors, so few large stands say less than many small ones).
    seed : int, default 0
        Seed of the first stand; the others follow.
    probs : sequence of float, default (0.5, 0.8, 0.9, 0.95)
        Interval probabilities.
    estimate : callable, optional
        Field to Ages; `estimate_ages` with its defaults when left out.

    Returns
    -------
    Validation
        Coverage, ranks, sharpness and bias of the establishment years.

    Raises
    ------
    InputError
        If there is no scenario of that name, or stands is below 1.

    Notes
    -----
    The virtual stands do not follow the model of the estimate exactly (see `simulate_stand`): this shows
    how the intervals hold outside it, and what stands share makes the share of hits vary more than the
    binomial band.

    Examples
    --------
    >>> validate_scenario("pith", stands=0)
    Traceback (most recent call last):
        ...
    treeage.errors.InputError: validate_stands, stands: got nothing, need at least one stand. Draw some.
    """
    from treeage.simulate import simulate_stand

    drawn = [simulate_stand(recipe, seed=seed + step) for step in range(stands)]
    return validate_stands(drawn, probs=probs, estimate=estimate)
