"""What helps most next: expected gain of every action for every tree and for the stand, ranked, and within a budget.

Preposterior analysis, own derivation; the outcomes are those of `planning.outcomes`, the gains on the stand add up from
the trees' own errors, which alone an action on one tree can lessen.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from treeage.display import Result
from treeage.errors import Fault, InputError, require_field, require_positive, require_seed, show
from treeage.estimate import Cores, Shared, date_trees, height_models, prepare, read_cores, tree_answer, weigh_heights
from treeage.height import HEIGHT_APART_M, HeightModel
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
from treeage.pmf import Mass, Pmf
from treeage.results import TreeAge
from treeage.rings import LOG_STEP
from treeage.schema import Dating, Word

if TYPE_CHECKING:
    import pandas as pd

    from treeage.tables import Field

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

_REFITS = 6  # choice: virtual sets of seedlings behind their expected gain
_MORE_SEEDLINGS = 5
_MOVES = np.array([-1.2, 0.0, 1.2])  # choice: three moves with the variance of a normal
_LIKELY = np.array([1.0, 0.88, 1.0]) / 2.88  # their probabilities: 2 p 1.2**2 = 1, so p = 0.347


class Action(Word):
    """What can be done next."""

    CORE = "one more core"
    CROSSDATE = "crossdate"
    RINGS = "measure the rings"
    LOWER = "core lower"
    SEEDLINGS = "five more seedlings"


class Goal(Word):
    """What is to be known better."""

    TREES = "trees"
    MEAN_DATE = "mean_date"
    AFTER_EVENT = "after_event"
    PULSE_DATE = "pulse_date"


MINUTES: Mapping[str, float] = {  # choice: with walking and preparing; every user has others
    Action.CORE: 25.0,
    Action.CROSSDATE: 45.0,
    Action.RINGS: 40.0,
    Action.LOWER: 30.0,
    Action.SEEDLINGS: 60.0,
}
"""Minutes for one action; `minutes_of` of `next_steps` replaces them."""


@dataclass(frozen=True, eq=False)
class NextSteps(Result):
    """What helps most next.

    Parameters
    ----------
    table : pandas.DataFrame
        One row an action on a tree (or on a species, for seedlings), the best for the goal first: rank, action, tree,
        species, minutes, sd_now, sd_after (mean over the trees it concerns) [years], gain_years (sum over the trees of
        the lessened sd), goal_now, goal_after, gain (of the goal), gain_per_hour.
    chosen : pandas.DataFrame
        The greedy list within the minutes: the same columns, with minutes_total and goal_after of all so far; empty
        without a budget.
    goal : str
        What is to be known better: trees (sum of the sd of all dates), mean_date (sd of the mean date), after_event (sd
        of the number established after the event), pulse_date (sd of the mean date of the pulse's trees).
    unit : str
        Unit of the goal.
    notes : tuple of str
        What was assumed and what was left out.
    """

    table: pd.DataFrame
    chosen: pd.DataFrame
    goal: str
    unit: str
    notes: tuple[str, ...]

    def sentence(self) -> str:
        """The best step, and what the budget buys."""
        if self.table.empty:
            return "Nothing that is known of would make the dates surer."
        best = self.table.iloc[0]
        on = f"on tree {best['tree']}" if best["tree"] else f"of {best['species']}"
        first = (
            f"Most per hour: {best['action']} {on}, expected sd of the date {best['sd_now']:.1f} to "
            f"{best['sd_after']:.1f} years in {best['minutes']:.0f} minutes."
        )
        if self.chosen.empty:
            return first
        last = self.chosen.iloc[-1]
        words = {"trees": "the sum of the sd of all dates", "mean_date": "the sd of the mean date",
                 "after_event": "the sd of the number after the event", "pulse_date": "the sd of the pulse's date"}  # fmt: skip
        return (
            f"{first} {len(self.chosen)} steps in {last['minutes_total']:.0f} minutes are expected to bring "
            f"{words[self.goal]} from {self.chosen.iloc[0]['goal_now']:.1f} to {last['goal_after']:.1f} {self.unit}."
        )

    def to_frame(self) -> pd.DataFrame:
        """The ranked table."""
        return self.table


def next_steps(
    field: Field,
    *,
    goal: str = "trees",
    event: int | None = None,
    pulse: tuple[int, int] | None = None,
    minutes: float | None = None,
    minutes_of: Mapping[str, float] | None = None,
    seed: int = 0,
) -> NextSteps:
    """Tell what would make the dates of a field surer, for every tree and action.

    Parameters
    ----------
    field : Field
        From `read_field`.
    goal : {"trees", "mean_date", "after_event", "pulse_date"}, default "trees"
        What is to be known better.
    event : int, optional
        Ring year of the event, for goal "after_event": trees that established later count.
    pulse : tuple of int, optional
        First and last ring year of the pulse, for goal "pulse_date".
    minutes : float, optional
        Budget [minutes], above 0, for the greedy list.
    minutes_of : mapping of str to float, optional
        Minutes of an action, by its words ("one more core", "crossdate", "measure the rings", "core lower", "five more
        seedlings"), above 0; `MINUTES` for the others.
    seed : int, default 0
        Seed of the virtual outcomes.

    Returns
    -------
    NextSteps
        Ranked table and greedy list.

    Raises
    ------
    InputError
        If an argument is not one of these, or a goal lacks its years.
    ModelError
        As from `estimate_ages`.

    Notes
    -----
    Preposterior: what the action may show is drawn from today's posterior, the tree is dated anew from each outcome, and
    the standard deviations are averaged. One more core is aimed at the centre as usual, grows and is read as the tree's
    best core; a lower one stands at 0.3 m, or at half the height of lower ones; crossdating makes all counts of the tree
    sure, up to the share that is misdated; measuring shows what ring by ring says beyond a mean width; seedlings are five
    more of the same sites. The shared errors of aim and reading are averaged, what cores share of the growth is kept.
    Left out: what a tree teaches the others, what two ring tables read against each other tell of the count, cores that
    depend on each other along one line. For the stand, the own variance of each tree adds up and what is shared stays,
    but for seedlings. The greedy list takes the largest gain per minute, anew after each step; gains on one tree
    multiply.

    References
    ----------
    .. [1] Raiffa, H. & Schlaifer, R. 1961, Applied Statistical Decision Theory (from memory): preposterior analysis.

    Examples
    --------
    >>> from treeage.simulate import scenario, simulate_stand
    >>> from dataclasses import replace
    >>> stand = simulate_stand(replace(scenario("counted"), trees=6), seed=1)
    >>> steps = next_steps(stand.field(), minutes=60)
    >>> bool((steps.table["sd_after"] <= steps.table["sd_now"] + 1e-9).all()), steps.goal
    (True, 'trees')
    """
    where = "next_steps"
    require_field(where, field)
    seed = require_seed(where, seed)
    faults = _faults(goal, event, pulse, minutes_of or {})
    if faults:
        raise InputError(faults)
    costs = {str(action): float((minutes_of or {}).get(action, MINUTES[action])) for action in Action}
    require_positive(where, minutes=1.0 if minutes is None else minutes, minutes_of=list(costs.values()))
    today = _today(field, event if goal == Goal.AFTER_EVENT else None)
    found = [*_tree_actions(today, seed), *_seedling_actions(today, seed)]
    aim = _Aim(today, Goal(goal), pulse)
    return aim.ranked(found, costs, minutes)


def _faults(goal: str, event: int | None, pulse: tuple[int, int] | None, minutes_of: Mapping[str, float]) -> list[Fault]:
    """What is wrong with the goal and the minutes."""
    where, faults = "next_steps", []
    if goal not in list(Goal):
        faults.append(Fault(show(goal), f"one of {', '.join(Goal)}", "Use one of them.", where, 0, "goal"))
    if goal == Goal.AFTER_EVENT and event is None:
        faults.append(Fault("no event", "its ring year", "Pass event=1926, for example.", where, 0, "event"))
    if goal == Goal.PULSE_DATE and (pulse is None or pulse[0] > pulse[1]):
        do = "Pass pulse=(1926, 1960), for example."
        faults.append(Fault(show(pulse), "its first and last ring year", do, where, 0, "pulse"))
    for name in minutes_of:
        if name not in list(Action):
            faults.append(Fault(show(name), f"one of {', '.join(Action)}", "Use these words.", where, 0, "minutes_of"))
    return faults


# ------------------------------------------------------------------ today


@dataclass(frozen=True, eq=False)
class _Today:
    """A field as it is dated today."""

    field: Field
    cores: Cores
    shared: Shared
    answers: Mapping[str, TreeAge]
    event: int | None


@dataclass(frozen=True)
class _Gain:
    """An action, the trees it concerns, and what is left of each: ratios of the sd, of the variance, and what is learned."""

    action: str
    species: str
    trees: tuple[str, ...]
    sd: tuple[float, ...]  # factor on the standard deviation of each tree's date
    own: tuple[float, ...]  # factor on its own variance
    learned: tuple[float, ...] = ()  # variance that is taken from its chance to lie after the event
    shared: float = 1.0  # factor on the shared variance of the height model of the species


def _today(field: Field, event: int | None) -> _Today:
    cores, shared, _ = prepare(field)
    posteriors = date_trees(cores, shared)
    shared = weigh_heights(shared, posteriors.values())
    answers = {tree: tree_answer(own, cores, shared, prob=0.9) for tree, own in sorted(posteriors.items())}
    return _Today(field, cores, shared, answers, event)


def _pieces(answer: TreeAge) -> tuple[float, Pmf]:
    """Variance of years to height and collar, and their mass, of a tree dated at one height."""
    parts = [answer.distributions[name] for name in ("years_to_core_height", "collar_years") if name in answer.distributions]
    total = Pmf.point(0)
    for each in parts:
        total = total.convolve(each)
    return float(total.var()), total


def _dated(today: _Today, tree: str, found: tuple[Ints, Array]) -> Dated:
    """Today's posterior of a tree with what lies after the pith."""
    years, mass = found
    variance, later = _pieces(today.answers[tree])
    after = None
    if today.event is not None:
        after = np.array([later.mass[: max(0, int(year) - today.event - later.start)].sum() for year in years])
    return Dated(years, mass, variance, after)


# ------------------------------------------------------------------ actions on trees


def _tree_actions(today: _Today, seed: int) -> list[_Gain]:
    """All actions on single trees, species by species."""
    cores, found = today.cores, []
    sure = read_cores(replace(today.field, cores=today.field.cores.assign(dating=Dating.CROSSDATED.value))).count
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
    today: _Today, name: str, trees: Mapping[str, tuple[int, ...]], sure: Mass, rng: np.random.Generator
) -> list[_Gain]:
    """All actions on the trees of one species."""
    cores, own = today.cores, today.shared[name]
    rows = np.array([row for its in trees.values() for row in its if not cores.bound_only[row]])
    missed = dict(zip(rows.tolist(), missed_tables(cores, own, rows, cores.growth.take(rows), cores.distance[rows]), strict=True))
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
    found: list[_Gain] = []
    for place, (tree, its) in enumerate(trees.items()):
        informing = [row for row in its if row in missed]
        counts = {row: count_of(cores.count, row) for row in informing}
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
            known = [(int(cores.innermost_year[row]), missed[row],
                      counts[row] if row in counted else (0, np.ones(1)), count_of(sure, row)) for row in informing]  # fmt: skip
            results[Action.CROSSDATE] = after_crossdating(dated, known, weights, rng)
        if any(row in measured for row in informing):
            tables = [(int(cores.innermost_year[row]),
                       [one.with_count(*counts[row]) for one in measured.get(row, [missed[row]])]) for row in informing]  # fmt: skip
            results[Action.RINGS] = after_rings(dated, tables, weights, _LIKELY)
        lower = _lower(today, tree, lead, dated, new)
        if lower is not None:
            results[Action.LOWER] = lower
        found += [_gain(dated, action, name, tree, result) for action, result in results.items()]
    return found


def _gain(dated: Dated, action: str, species: str, tree: str, after: Expected) -> _Gain:
    """What an action leaves of a tree's error, against the same reckoning of today."""
    now = dated.variance + dated.later
    ratio = min(after.sd / np.sqrt(now), 1.0) if now > 0 else 1.0
    own = min(after.variance / now, 1.0) if now > 0 else 1.0
    return _Gain(action, species, (tree,), (float(ratio),), (float(own),), (after.learned,))


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
    growth, move, spread = growth_if_measured(cores.growth.take(rows), cores.distance[rows])
    for place, row in enumerate(rows.tolist()):
        tables = []
        for step in _MOVES:
            moved = LOG_STEP * round(float(move[place] + step * spread[place]) / LOG_STEP)
            nodes = replace(own, growth=replace(own.growth, shifts=own.growth.shifts + moved))
            at = np.array([row])
            tables += missed_tables(cores, nodes, at, growth.take([place]), cores.distance[at])
        out[row] = tables
    return out


def _lower(today: _Today, tree: str, lead: int, dated: Dated, new: list[Added]) -> Expected | None:
    """One more core lower down; None where the height model adds nothing or the tree is cored low already."""
    cores, own = today.cores, today.shared[today.answers[tree].species]
    height = own.height_of(cores, lead)
    high_m = float(cores.height_m[lead])
    low_m = LOW_HEIGHT_M if high_m > 2 * LOW_HEIGHT_M else high_m / 2
    if height.is_none or high_m - low_m < HEIGHT_APART_M or high_m <= 0:
        return None
    high, low = height.passing_years(high_m), height.passing_years(low_m)
    weights = np.repeat(today.shared.weights(today.answers[tree].species)[:, None], high.shape[1], axis=1)
    pairs, place = np.unique(np.stack([high.ravel(), low.ravel()], axis=1), axis=0, return_inverse=True)
    frequency = np.bincount(place.ravel(), weights.ravel())
    frequency = frequency / frequency.sum()
    kept = frequency > 1e-4
    years = np.arange(int(dated.years[0]) - int(pairs[kept, 0].max()), int(dated.years[-1]) - int(pairs[kept, 0].min()) + 1)
    collar = today.answers[tree].distributions["collar_years"]
    after = None
    if today.event is not None:
        after = np.array([collar.mass[: max(0, int(year) - today.event - collar.start)].sum() for year in years])
    at = Dated(years, np.ones((1, years.size)) / years.size, float(collar.var()), after)
    return after_lower(dated, new, (pairs[kept], frequency[kept] / frequency[kept].sum()), at)


# ------------------------------------------------------------------ seedlings


def _seedling_actions(today: _Today, seed: int) -> list[_Gain]:
    """Five more young trees of each species whose height model they would reach."""
    import pandas as pd

    found = []
    for name in sorted(today.shared.species):
        model = today.shared[name].height
        trees = [own for own in today.answers.values() if own.species == name and "establishment_year" in own.distributions]
        trees = [own for own in trees if own.facts["core_height_m"] > 0]
        if model.is_none or not trees:
            continue
        rng = np.random.default_rng([seed, 7, len(found)])
        top = 1.3 * max(float(own.facts["core_height_m"]) for own in trees)
        then = []
        for _ in range(_REFITS):
            young = seedlings_like(model, name, _MORE_SEEDLINGS, top, rng)
            every = pd.concat([today.field.seedlings, young], ignore_index=True)
            then.append(height_models(replace(today.field, seedlings=every))[name])
        if any(one.name == model.name and np.array_equal(one.intercept, model.intercept) for one in then):
            continue  # the chosen model does not rest on young trees
        heights = sorted({float(own.facts["core_height_m"]) for own in trees})
        spread = {height: _height_spread(model, then, height) for height in heights}
        sds, owns = [], []
        for tree in trees:
            now, after, before = tree.date.var(), *spread[float(tree.facts["core_height_m"])][:2]
            left = max(now - before, 0.0) + after * min(1.0, now / max(before, 1e-9))
            sds.append(float(min(np.sqrt(left / now), 1.0)) if now > 0 else 1.0)
            owns.append(1.0)
        shared = float(np.mean([own[2] for own in spread.values()]))
        found.append(_Gain(Action.SEEDLINGS, name, tuple(own.tree for own in trees), tuple(sds), tuple(owns), (), shared))
    return found


def _height_spread(now: HeightModel, then: list[HeightModel], height_m: float) -> tuple[float, float, float]:
    """Variance of the years to a height then (mean over what may be found) and now, and the ratio of the shared parts."""

    def parts(model: HeightModel) -> tuple[float, float]:
        years = model.passing_years(height_m).astype(np.float64)
        return float(years.var()), float(years.mean(axis=1).var())

    before, later = parts(now), [parts(each) for each in then]
    whole, shared = (float(np.mean([own[at] for own in later])) for at in (0, 1))
    return min(whole, before[0]), before[0], min(shared / max(before[1], 1e-9), 1.0)


# ------------------------------------------------------------------ goals and ranks


@dataclass(eq=False)
class _Aim:
    """The goal as a function of what is left of every tree's error."""

    today: _Today
    goal: Goal
    pulse: tuple[int, int] | None

    def __post_init__(self) -> None:
        answers = self.today.answers
        self.trees = list(answers)
        self.place = {tree: k for k, tree in enumerate(self.trees)}
        dates = [answers[tree].date for tree in self.trees]
        self.variance = np.array([date.var() for date in dates])
        self.weight = np.ones(len(dates)) / max(len(dates), 1)
        if self.goal == Goal.PULSE_DATE and self.pulse is not None:
            low, high = self.pulse
            member = np.array([sum(date.on(low, high - low + 1)) for date in dates])
            self.weight = member / max(member.sum(), 1e-9)
        self.chance = np.array([_later_than(date, self.today.event) for date in dates])
        self.growth, self.height = self._shared()

    def _shared(self) -> tuple[Array, dict[str, Array]]:
        """Movement of every tree's mean date with the states, (n_tree, n_state), and with each height group's values."""
        answers, shared = self.today.answers, self.today.shared
        states = [_row_means(answers[tree].parts.added) for tree in self.trees]  # type: ignore[union-attr]
        growth = np.array([own.mean(axis=1) if own.ndim == 2 else own for own in states])
        height: dict[str, Array] = {}
        for k, tree in enumerate(self.trees):
            parts = answers[tree].parts
            if parts is None or (parts.tied or parts.years.mass.shape[0] == 1):
                continue
            moved = height.setdefault(parts.height_group, np.zeros((len(self.trees), parts.years.mass.shape[0])))
            weights = shared.weights(answers[tree].species)
            mean = _row_means(parts.years)
            moved[k] = (mean - weights @ mean) * np.sqrt(weights * weights.size)
        return growth - growth.mean(axis=1, keepdims=True), height

    def value(self, sd: Array, own: Array, learned: Array, shared: Mapping[str, float]) -> float:
        """The goal where these factors are left of the trees' sd and own variance, and of the shared heights."""
        if self.goal == Goal.TREES:
            return float((np.sqrt(self.variance) * sd).sum())
        by_height = {name: (rows**2).mean(axis=1) for name, rows in self.height.items()}
        both = (self.growth**2).mean(axis=1) + sum(by_height.values(), np.zeros(len(self.trees)))
        alone = np.maximum(self.variance - both, 0.0)
        weight = self.weight
        if self.goal == Goal.AFTER_EVENT:
            density = np.array([_density(self.today.answers[tree].date, self.today.event) for tree in self.trees])
            weight = density  # a shared move of one year moves so many trees across the event
            mine = np.maximum(self.chance * (1 - self.chance) - density**2 * both, 0.0)
            separate = float(np.maximum(mine - learned, 0.0).sum())
        else:
            separate = float((weight**2 * np.maximum(alone - self.variance * (1 - own), 0.0)).sum())
        moved = float(((weight @ self.growth) ** 2).mean())
        for name, rows in self.height.items():
            moved += shared.get(name, 1.0) * float(((weight @ rows) ** 2).mean())
        return float(np.sqrt(separate + moved))

    def _factors(self) -> tuple[Array, Array, Array, dict[str, float]]:
        size = len(self.trees)
        return np.ones(size), np.ones(size), np.zeros(size), {}

    def _after(self, gain: _Gain, state: tuple[Array, Array, Array, dict[str, float]]) -> Any:
        """The factors with one action more: gains on one tree multiply."""
        sd, own, learned, shared = (each.copy() for each in state)
        for k, tree in enumerate(gain.trees):
            at = self.place[tree]
            sd[at] *= gain.sd[k]
            own[at] *= gain.own[k]
            if gain.learned:
                left = self.chance[at] * (1 - self.chance[at])
                share = 1 - gain.learned[k] / left if left > 1e-12 else 1.0
                learned[at] = left - (left - learned[at]) * min(max(share, 0.0), 1.0)
        if gain.action == Action.SEEDLINGS:
            group = self.today.shared[gain.species].height_group
            shared[group] = shared.get(group, 1.0) * gain.shared
        return sd, own, learned, shared

    def ranked(self, found: list[_Gain], costs: Mapping[str, float], minutes: float | None) -> NextSteps:
        """Table and greedy list."""
        import pandas as pd

        start = self._factors()
        now = self.value(*start) if self.trees else 0.0
        rows = [self._row(gain, start, now, costs) for gain in found]
        names = ["action", "tree", "species", "minutes", "sd_now", "sd_after", "gain_years", "goal_now", "goal_after",
                 "gain", "gain_per_hour"]  # fmt: skip
        table = pd.DataFrame(rows, columns=names)
        table = table.sort_values(["gain_per_hour", "gain", "action", "tree"], ascending=[False, False, True, True], kind="stable")
        table = table.reset_index(drop=True)
        table.insert(0, "rank", np.arange(1, len(table) + 1))
        chosen = self._greedy(found, costs, minutes, names)
        unit = "trees" if self.goal == Goal.AFTER_EVENT else "years"
        left = len(self.today.field.trees) - len({tree for gain in found for tree in gain.trees})
        notes = (
            "one more core is aimed at the centre; treeage aim does better",
            "what a tree teaches the others, and what two ring tables read against each other tell, is left out",
            f"{left} trees are left out: no dated core, cores at several heights, or cores that exclude each other",
        )
        return NextSteps(table, chosen, str(self.goal), unit, notes if left else notes[:2])

    def _row(self, gain: _Gain, state: Any, now: float, costs: Mapping[str, float]) -> list[Any]:
        at = [self.place[tree] for tree in gain.trees]
        before = np.sqrt(self.variance[at]) * state[0][at]
        left = before * np.array(gain.sd)
        after = self.value(*self._after(gain, state))
        cost = costs[gain.action]
        tree = gain.trees[0] if gain.action != Action.SEEDLINGS else ""
        years = float((before - left).sum())
        return [gain.action, tree, gain.species, cost, float(before.mean()), float(left.mean()), years, now, after,
                now - after, 60 * (now - after) / cost]  # fmt: skip

    def _greedy(self, found: list[_Gain], costs: Mapping[str, float], minutes: float | None, names: list[str]) -> pd.DataFrame:
        """The largest gain per minute that still fits, again and again."""
        import pandas as pd

        rows, state, spent, left = [], self._factors(), 0.0, list(found)
        while minutes is not None and left:
            now = self.value(*state)
            fits = [gain for gain in left if spent + costs[gain.action] <= minutes + 1e-9]
            tried = [(self._row(gain, state, now, costs), gain) for gain in fits]
            if not tried:
                break
            row, best = max(tried, key=lambda item: (item[0][-1], item[1].action, item[1].trees))
            if row[-1] <= 1e-9:
                break
            spent, state = spent + costs[best.action], self._after(best, state)
            rows.append([len(rows) + 1, *row, spent])
            left.remove(best)
        return pd.DataFrame(rows, columns=["step", *names, "minutes_total"])


def _row_means(mass: Mass) -> Array:
    """Mean of every row, (...)."""
    return np.asarray(mass.start + mass.mass @ np.arange(mass.mass.shape[-1]))


def _later_than(date: Pmf, event: int | None) -> float:
    """Probability that a date lies after an event."""
    return 0.0 if event is None else float(date.mass[max(0, event + 1 - date.start) :].sum())


def _density(date: Pmf, event: int | None) -> float:
    """Probability per year of a date about an event."""
    return 0.0 if event is None else float(np.mean(date.on(event - 1, 4)))
