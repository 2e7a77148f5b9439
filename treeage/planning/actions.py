"""The actions on the trees of a field, and what is expected to be left of the errors of their dates after each.

Own derivation; the outcomes are those of `planning.outcomes`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from treeage.estimate import Cores, Shared, date_trees, height_models, prepare, read_cores, tree_answer, weigh_heights
from treeage.height import HEIGHT_APART_M, HeightModel, height_model
from treeage.planning.outcomes import (
    ENDS,
    Added,
    Dated,
    Expected,
    after_another,
    after_crossdating,
    after_lower,
    after_rings,
    count_of,
    distances_of,
    growth_if_measured,
    missed_tables,
    posterior,
    virtual_ends,
)
from treeage.planning.plan import LOW_HEIGHT_M, seedlings_like
from treeage.pmf import Pmf
from treeage.results import TreeAge
from treeage.rings import LOG_STEP
from treeage.schema import ERA_LOG_SD, FEWEST_YOUNG_TREES, Dating, HeightChoice, Word

if TYPE_CHECKING:
    from treeage.tables import Field

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

_REFITS = 8  # choice: virtual sets of seedlings behind their expected gain
_MORE_SEEDLINGS = 5
_OPEN = {"model": HeightChoice.OPEN_DATA.value}
_MOVES = np.array([-1.2, 0.0, 1.2])  # choice: three moves with the variance of a normal
_LIKELY = np.array([1.0, 0.88, 1.0]) / 2.88  # their probabilities: 2 p 1.2**2 = 1, so p = 0.347


class Action(Word):
    """What can be done next."""

    CORE = "one more core"
    CROSSDATE = "crossdate"
    RINGS = "measure the rings"
    LOWER = "core lower"
    SEEDLINGS = "five more seedlings"


# ------------------------------------------------------------------ today


@dataclass(frozen=True, eq=False)
class Today:
    """A field as it is dated today."""

    field: Field
    cores: Cores
    shared: Shared
    answers: Mapping[str, TreeAge]
    event: int | None


@dataclass(frozen=True)
class Gain:
    """An action, the trees it concerns, and what is left of the sd and variance of each, and what is learned."""

    action: str
    species: str
    trees: tuple[str, ...]
    sd: tuple[float, ...]  # factor on the standard deviation of each tree's date
    own: tuple[float, ...]  # factor on its own variance
    learned: tuple[float, ...] = ()  # variance that is taken from its chance to lie after the event
    shared: float = 1.0  # factor on the shared variance of the height model of the species


def date_today(field: Field, event: int | None) -> Today:
    """Date a field as `estimate_ages` does, and keep what the actions need."""
    cores, shared, _ = prepare(field)
    posteriors = date_trees(cores, shared)
    shared = weigh_heights(shared, posteriors.values())
    answers = {tree: tree_answer(own, cores, shared, prob=0.9) for tree, own in sorted(posteriors.items())}
    return Today(field, cores, shared, answers, event)


def _pieces(answer: TreeAge) -> tuple[float, Pmf]:
    """Variance of years to height and collar, and their mass, of a tree dated at one height."""
    parts = [
        answer.distributions[name] for name in ("years_to_core_height", "collar_years") if name in answer.distributions
    ]
    total = Pmf.point(0)
    for each in parts:
        total = total.convolve(each)
    return float(total.var()), total


def _dated(today: Today, tree: str, found: tuple[Ints, Array]) -> Dated:
    """Today's posterior of a tree with what lies after the pith."""
    years, mass = found
    variance, later = _pieces(today.answers[tree])
    after = None
    if today.event is not None:
        after = np.array([later.mass[: max(0, int(year) - today.event - later.start)].sum() for year in years])
    return Dated(years, mass, variance, after)


# ------------------------------------------------------------------ actions on trees


def tree_actions(today: Today, seed: int) -> list[Gain]:
    """All actions on single trees, species by species."""
    cores = today.cores
    found: list[Gain] = []
    sure = read_cores(replace(today.field, cores=today.field.cores.assign(dating=Dating.CROSSDATED.value)))
    for name in sorted(today.shared.species):
        trees = {tree: cores.rows_of[tree] for tree, own in today.answers.items() if own.species == name}
        trees = {tree: rows for tree, rows in trees.items() if _one_height(cores, rows)}
        if trees:
            found += _of_species(today, name, trees, sure, np.random.default_rng([seed, len(found)]))
    return found


def _one_height(cores: Cores, rows: tuple[int, ...]) -> bool:
    """Whether a tree's informative cores stand at one height."""
    heights = cores.height_m[[row for row in rows if not cores.bound_only[row]]]
    return bool(np.ptp(heights) <= HEIGHT_APART_M)


def _of_species(
    today: Today, name: str, trees: Mapping[str, tuple[int, ...]], sure: Cores, rng: np.random.Generator
) -> list[Gain]:
    """All actions on the trees of one species."""
    cores, own = today.cores, today.shared[name]
    rows = np.array([row for its in trees.values() for row in its if not cores.bound_only[row]])
    missed = dict(
        zip(rows.tolist(), missed_tables(cores, own, rows, cores.growth.take(rows), cores.distance[rows]), strict=True)
    )
    leads = np.array([_best(cores, its, missed) for its in trees.values()])
    ends, of = virtual_ends(cores, today.shared.states, leads, rng)
    distance = distances_of(ends, today.shared.states)
    # nothing bounds the distance of some: they would say nothing, and are left to do so
    blind = distance.sum(axis=1) <= 0
    distance[blind, -1] = 1.0
    virtual = missed_tables(cores, own, of, cores.growth.take(of), distance)
    flat = rows[cores.growth.mean_only[rows]]
    measured = _measured(cores, own, flat)
    weights = own.growth.weights
    found: list[Gain] = []
    for place, (tree, its) in enumerate(trees.items()):
        informing = [row for row in its if row in missed]
        counts = {row: count_of(cores, today.shared.states, row) for row in informing}
        added = {row: missed[row].with_count(*counts[row]) for row in informing}
        now = posterior([(int(cores.innermost_year[row]), added[row]) for row in informing], weights)
        if now is None:
            continue
        dated = _dated(today, tree, now)
        lead = int(leads[place])
        new = [each.with_count(*counts[lead]) for each in virtual[place * ENDS : (place + 1) * ENDS]]
        results = {Action.CORE: after_another(dated, new)}
        counted = [row for row in informing if cores.dating[row] != Dating.CROSSDATED]
        if counted:
            known = []
            for row in informing:
                error = counts[row] if row in counted else (0, np.ones(1))
                known.append(
                    (int(cores.innermost_year[row]), missed[row], error, count_of(sure, today.shared.states, row))
                )
            results[Action.CROSSDATE] = after_crossdating(dated, known, weights, rng)
        if any(row in measured for row in informing):
            tables = []
            for row in informing:
                ways = [one.with_count(*counts[row]) for one in measured.get(row, [missed[row]])]
                tables.append((int(cores.innermost_year[row]), ways))
            results[Action.RINGS] = after_rings(dated, tables, weights, _LIKELY)
        lower = _lower(today, tree, lead, dated, new)
        if lower is not None:
            results[Action.LOWER] = lower
        found += [_gain(dated, action, name, tree, result) for action, result in results.items()]
    return found


def _gain(dated: Dated, action: str, species: str, tree: str, after: Expected) -> Gain:
    """What an action leaves of a tree's error, against the same reckoning of today."""
    now = dated.variance + dated.later
    ratio = min(after.sd / np.sqrt(now), 1.0) if now > 0 else 1.0
    own = min(after.variance / now, 1.0) if now > 0 else 1.0
    return Gain(action, species, (tree,), (float(ratio),), (float(own),), (after.learned,))


def _best(cores: Cores, rows: tuple[int, ...], missed: Mapping[int, Added]) -> int:
    """The informative core with the fewest open rings."""
    informing = [row for row in rows if row in missed]
    spread = {row: Pmf(0, missed[row].mass.mean(axis=0)).var() for row in informing}
    return min(informing, key=lambda row: (spread[row], row))


def _measured(cores: Cores, own: Any, rows: Ints) -> dict[int, list[Added]]:
    """Missed rings of cores without a ring table as they would be with one, at three moves of the expected width."""
    out: dict[int, list[Added]] = {}
    if not rows.size:
        return out
    growth, move, spread = growth_if_measured(cores.growth.take(rows), cores.distance[rows], cores.growth)
    for place, row in enumerate(rows.tolist()):
        tables = []
        for step in _MOVES:
            moved = LOG_STEP * round(float(move[place] + step * spread[place]) / LOG_STEP)
            nodes = replace(own, growth=replace(own.growth, shifts=own.growth.shifts + moved))
            at = np.array([row])
            tables += missed_tables(cores, nodes, at, growth.take([place]), cores.distance[at])
        out[row] = tables
    return out


def _lower(today: Today, tree: str, lead: int, dated: Dated, new: list[Added]) -> Expected | None:
    """One more core lower down; None where the height model adds nothing or the tree is cored low already."""
    cores, own = today.cores, today.shared[today.answers[tree].species]
    height = own.height_of(cores, lead)
    high_m = float(cores.height_m[lead])
    low_m = LOW_HEIGHT_M if high_m > 2 * LOW_HEIGHT_M else high_m / 2
    if height.is_none or high_m - low_m < HEIGHT_APART_M or high_m <= 0:
        return None
    pairs, frequency = _year_pairs(height, today.shared.weights(today.answers[tree].species), high_m, low_m)
    years = np.arange(int(dated.years[0] - pairs[:, 0].max()), int(dated.years[-1] - pairs[:, 0].min()) + 1)
    collar = today.answers[tree].distributions["collar_years"]
    after = None
    if today.event is not None:
        after = np.array([collar.mass[: max(0, int(year) - today.event - collar.start)].sum() for year in years])
    at = Dated(years, np.ones((1, years.size)) / years.size, float(collar.var()), after)
    return after_lower(dated, new, (pairs, frequency), at)


def _year_pairs(height: HeightModel, weights: Array, high_m: float, low_m: float) -> tuple[Ints, Array]:
    """Years to two heights of one tree that go together, (n, 2), and their probabilities."""
    high, low = height.passing_years(high_m), height.passing_years(low_m)
    wide = int(low.max()) + 1
    frequency = np.bincount((high * wide + low).ravel(), np.repeat(weights, high.shape[1]))
    kept = np.flatnonzero(frequency > 1e-4 * frequency.sum())
    return np.stack([kept // wide, kept % wide], axis=1), frequency[kept] / frequency[kept].sum()


# ------------------------------------------------------------------ seedlings


def seedling_actions(today: Today, seed: int) -> list[Gain]:
    """Five more young trees of each species whose height model they would reach."""
    import pandas as pd

    found: list[Gain] = []
    for name in sorted(today.shared.species):
        model = today.shared[name].height
        trees = [
            own for own in today.answers.values() if own.species == name and "establishment_year" in own.distributions
        ]
        trees = [own for own in trees if own.facts["core_height_m"] > 0]
        if model.is_none or not trees:
            continue
        young = today.field.seedlings[today.field.seedlings["species"] == name]
        sized = int((young["height_m"].notna() & young["age_years"].notna()).sum())
        top = 1.3 * max(float(own.facts["core_height_m"]) for own in trees)
        rng, then = np.random.default_rng([seed, 7, len(found)]), []
        for level in (np.arange(_REFITS) + 0.5) / _REFITS:
            more = seedlings_like(model, name, _MORE_SEEDLINGS, top, level=float(level), rng=rng)
            every = pd.concat([today.field.seedlings, more], ignore_index=True)
            if model.grade:
                every = every[every["species"] == name]
                then.append(height_model(_OPEN, seedlings=every.to_dict("list"), species=name))  # type: ignore[arg-type]
            else:
                then.append(height_models(replace(today.field, seedlings=every))[name])
            if sized >= FEWEST_YOUNG_TREES:
                break  # the law of a mean tells the rest
        if any(one.name == model.name and np.array_equal(one.intercept, model.intercept) for one in then):
            continue  # the chosen model does not rest on young trees
        heights = sorted({float(own.facts["core_height_m"]) for own in trees})
        spread = {height: _height_spread(model, then, height, sized) for height in heights}
        sds, owns = [], []
        for tree in trees:
            now, after, before = tree.date.var(), *spread[float(tree.facts["core_height_m"])][:2]
            left = max(now - before, 0.0) + after * min(1.0, now / max(before, 1e-9))
            sds.append(float(min(np.sqrt(left / now), 1.0)) if now > 0 else 1.0)
            owns.append(1.0)
        shared = float(np.mean([own[2] for own in spread.values()]))
        found.append(
            Gain(Action.SEEDLINGS, name, tuple(own.tree for own in trees), tuple(sds), tuple(owns), (), shared)
        )
    return found


def _height_spread(
    now: HeightModel, then: list[HeightModel], height_m: float, sized: int
) -> tuple[float, float, float]:
    """Variance of the years to a height then (mean over what may be found) and now, and the ratio of the shared parts.

    With enough young trees of their own the shared error is that of their mean beside that of the era, which stays.
    """

    def parts(model: HeightModel) -> tuple[float, float, float]:
        years = model.passing_years(height_m).astype(np.float64)
        square = max(float(years.mean()) ** 2, 1e-9)  # errors of heights are shares of the years
        return float(years.var()), float(years.var()) / square, float(years.mean(axis=1).var()) / square

    before, later = parts(now), [parts(each) for each in then]
    if sized >= FEWEST_YOUNG_TREES:
        mean = max(before[2] - ERA_LOG_SD**2, 0.0)
        less = mean * _MORE_SEEDLINGS / (sized + _MORE_SEEDLINGS) / max(before[2], 1e-9)
        return before[0] * (1 - less * before[2] / max(before[1], 1e-9)), before[0], 1 - less
    whole, shared = (min(float(np.mean([own[at] for own in later])) / max(before[at], 1e-9), 1.0) for at in (1, 2))
    return whole * before[0], before[0], shared
