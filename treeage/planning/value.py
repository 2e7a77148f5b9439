"""What helps most next: expected gain of every action for every tree and for the stand, ranked, and within a budget.

Preposterior analysis, own derivation; the outcomes are those of `planning.outcomes`, the gains on the stand add up from
the trees' own errors, which alone an action on one tree can lessen.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from treeage.display import Result, counted
from treeage.errors import Fault, InputError, kind_of, public, require_field, require_positive, require_seed, show
from treeage.planning.actions import Action, Gain, Today, date_today, seedling_actions, tree_actions
from treeage.pmf import Mass, Pmf, keeps_tables
from treeage.schema import LATEST_YEAR, InnerEnd, Word

if TYPE_CHECKING:
    import pandas as pd

    from treeage.results import TreeAge
    from treeage.tables import Field

Array = NDArray[np.float64]
Ints = NDArray[np.int64]


class Goal(Word):
    """What is to be known better."""

    TREES = "trees"
    MEAN_DATE = "mean_date"
    AFTER_EVENT = "after_event"
    PULSE_DATE = "pulse_date"


FEWEST_OF_PULSE = 0.5  # choice: with fewer trees expected between its years there is no pulse to date
_GOAL_WORDS: Mapping[str, str] = {
    Goal.TREES: "all dates",
    Goal.MEAN_DATE: "the mean date",
    Goal.AFTER_EVENT: "the number after the event",
    Goal.PULSE_DATE: "the pulse's date",
}
MINUTES: Mapping[str, float] = {  # choice: with walking and preparing; every user has others
    Action.CORE: 25.0,
    Action.CROSSDATE: 45.0,
    Action.RINGS: 40.0,
    Action.LOWER: 30.0,
    Action.SEEDLINGS: 60.0,
}
"""Minutes for one action; `minutes_of` of `next_steps` replaces them."""


@keeps_tables
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
            return f"No step is known that would make {_GOAL_WORDS[self.goal]} surer: {self.notes[-1]}."
        best = self.table.iloc[0]
        on = f"on tree {best['tree']}" if best["tree"] else f"of {best['species']}"
        of, ends, unit = "the date", ("sd_now", "sd_after"), "years"
        if self.goal != Goal.TREES:
            of, ends, unit = _GOAL_WORDS[self.goal], ("goal_now", "goal_after"), self.unit
        first = (
            f"Most per hour: {best['action']} {on}, expected sd of {of} {best[ends[0]]:.1f} to "
            f"{best[ends[1]]:.1f} {unit} in {best['minutes']:.0f} minutes."
        )
        if self.chosen.empty:
            return first
        last = self.chosen.iloc[-1]
        return (
            f"{first} {counted(len(self.chosen), 'step')} in {last['minutes_total']:.0f} minutes should bring the "
            f"{'' if self.goal != Goal.TREES else 'sum of the '}sd of {_GOAL_WORDS[self.goal]} from "
            f"{self.chosen.iloc[0]['goal_now']:.1f} to {last['goal_after']:.1f} {self.unit}."
        )

    def to_frame(self) -> pd.DataFrame:
        """The ranked table."""
        return self.table


@public
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
        If an argument is not one of these, a goal lacks its years, or no tree is of the pulse.
    ModelError
        As from `estimate_ages`.

    Notes
    -----
    Preposterior: what the action may show is drawn from today's posterior, the tree is dated anew from each outcome,
    and the standard deviations are averaged. One more core is aimed at the centre as usual, grows and is read as the
    tree's best core; a lower one stands at 0.3 m, or at half the height of lower ones; crossdating makes all counts of
    the tree sure, up to the share that is misdated; measuring shows what ring by ring says beyond a mean width;
    seedlings are five more of the same sites. The shared errors of aim and reading are averaged, what cores share of
    the growth is kept.
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
    asked = {str(action): (minutes_of or {}).get(action, MINUTES[action]) for action in Action}
    require_positive(where, minutes=1.0 if minutes is None else minutes, minutes_of=list(asked.values()))
    costs = {action: float(cost) for action, cost in asked.items()}
    today = date_today(field, event if goal == Goal.AFTER_EVENT else None)
    found = [*tree_actions(today, seed), *seedling_actions(today, seed)]
    aim = _Aim(today, Goal(goal), pulse)
    return aim.ranked(found, costs, minutes)


def _faults(
    goal: str, event: int | None, pulse: tuple[int, int] | None, minutes_of: Mapping[str, float]
) -> list[Fault]:
    """What is wrong with the goal and the minutes."""
    where, faults = "next_steps", []
    if goal not in list(Goal):
        faults.append(Fault(show(goal), f"one of {', '.join(Goal)}", "Use one of them.", where, 0, "goal"))
    if goal == Goal.AFTER_EVENT and event is None:
        faults.append(Fault("no event", "its ring year", "Pass event=1926, for example.", where, 0, "event"))
    if event is not None and not _is_year(event):
        do = "Pass event=1926, for example."
        faults.append(Fault(kind_of(event), "a ring year, whole", do, where, 0, "event"))
    if goal == Goal.PULSE_DATE and not _are_years(pulse):
        do = "Pass pulse=(1926, 1960), for example."
        faults.append(Fault(show(pulse), "its first and last ring year", do, where, 0, "pulse"))
    for name in minutes_of:
        if name not in list(Action):
            faults.append(Fault(show(name), f"one of {', '.join(Action)}", "Use these words.", where, 0, "minutes_of"))
    return faults


def _is_year(value: object) -> bool:
    return isinstance(value, (int, np.integer)) and not isinstance(value, bool) and abs(int(value)) <= LATEST_YEAR


def _are_years(pulse: object) -> bool:
    """Whether these are the first and the last year of something."""
    pair = isinstance(pulse, (tuple, list)) and len(pulse) == 2 and all(map(_is_year, pulse))
    return pair and pulse[0] <= pulse[1]  # type: ignore[index]


# ------------------------------------------------------------------ goals and ranks


@dataclass(eq=False)
class _Aim:
    """The goal as a function of what is left of every tree's error."""

    today: Today
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
            if dates and member.sum() < FEWEST_OF_PULSE:
                got, need = f"{member.sum():.2g} trees from {low} to {high}", "at least one tree of the pulse"
                raise InputError(Fault(got, need, "Look at the dates, and widen the years.", "next_steps", 0, "pulse"))
            self.weight = member / max(member.sum(), 1e-9)
        self.chance = np.array([_later_than(date, self.today.event) for date in dates])
        self.growth, self.height = self._shared()

    def _shared(self) -> tuple[Array, dict[str, Array]]:
        """Movement of every tree's mean date with the states, (n_tree, n_state), and with each height group.

        For the number after an event, that of its chance to be after it.
        """
        answers, shared = self.today.answers, self.today.shared
        if not self.trees:
            return np.zeros((0, 1)), {}
        moves = [self._moves(answers[tree]) for tree in self.trees]
        states = [own for own, _ in moves]
        weights = [shared.weights(answers[tree].species) for tree in self.trees]
        growth = np.array([own @ weights[k] if own.ndim == 2 else own for k, own in enumerate(states)])
        height: dict[str, Array] = {}
        for k, tree in enumerate(self.trees):
            parts = answers[tree].parts
            if parts is None or parts.shared_values == 1:
                continue
            moved = height.setdefault(parts.height_group, np.zeros((len(self.trees), parts.shared_values)))
            mean = states[k].mean(axis=0) if parts.tied else moves[k][1]
            moved[k] = (mean - weights[k] @ mean) * np.sqrt(weights[k] * weights[k].size)
        return growth - growth.mean(axis=1, keepdims=True), height

    def _moves(self, answer: TreeAge) -> tuple[Array, Array]:
        """Years before the date, or chance to be after the event, by state (and shared height) and by height."""
        parts = answer.parts
        if parts is None:  # never: these trees are dated
            return np.zeros(1), np.zeros(1)
        if self.goal != Goal.AFTER_EVENT or self.today.event is None:
            return _row_means(parts.added), _row_means(parts.years)
        # the date is after it where so many years or fewer are added
        limit = parts.reference_year - self.today.event - 1
        collar = answer.distributions["collar_years"]
        if parts.tied:
            return _at_most(collar, parts.added, limit), np.zeros(0)
        weights = self.today.shared.weights(answer.species)
        other = Pmf(parts.years.start, weights @ parts.years.mass).convolve(collar)
        rings = Pmf(parts.added.start, parts.added.mass.mean(axis=0)).convolve(collar)
        return _at_most(other, parts.added, limit), _at_most(rings, parts.years, limit)

    def value(self, sd: Array, own: Array, learned: Array, shared: Mapping[str, float]) -> float:
        """The goal where these factors are left of the trees' sd and own variance, and of the shared heights."""
        if self.goal == Goal.TREES:
            return float((np.sqrt(self.variance) * sd).sum())
        by_height = {name: (rows**2).mean(axis=1) for name, rows in self.height.items()}
        both = (self.growth**2).mean(axis=1) + sum(by_height.values(), np.zeros(len(self.trees)))
        alone = np.maximum(self.variance - both, 0.0)
        weight = self.weight
        if self.goal == Goal.AFTER_EVENT:
            weight = np.ones(len(self.trees))
            mine = np.maximum(self.chance * (1 - self.chance) - both, 0.0)
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

    def _after(self, gain: Gain, state: tuple[Array, Array, Array, dict[str, float]]) -> Any:
        """The factors with one action more: gains on one tree multiply."""
        sd, own, learned, shared = state[0].copy(), state[1].copy(), state[2].copy(), dict(state[3])
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

    def ranked(self, found: list[Gain], costs: Mapping[str, float], minutes: float | None) -> NextSteps:
        """Table and greedy list."""
        import pandas as pd

        start = self._factors()
        now = self.value(*start) if self.trees else 0.0
        rows = [self._row(gain, start, now, costs) for gain in found]
        names = ["action", "tree", "species", "minutes", "sd_now", "sd_after", "gain_years", "goal_now", "goal_after",
                 "gain", "gain_per_hour"]  # fmt: skip
        table = pd.DataFrame(rows, columns=names)
        table = table.sort_values(
            ["gain_per_hour", "gain", "action", "tree"], ascending=[False, False, True, True], kind="stable"
        )
        table = table.reset_index(drop=True)
        table.insert(0, "rank", np.arange(1, len(table) + 1))
        chosen = self._greedy(found, costs, minutes, names)
        unit = "trees" if self.goal == Goal.AFTER_EVENT else "years"
        left = len(self.today.field.trees) - len({tree for gain in found for tree in gain.trees})
        rotten = self._rotten()
        told = {
            f"gain is what the sd of {_GOAL_WORDS[self.goal]} loses [{unit}]"
            f"{', summed over the trees' if self.goal == Goal.TREES else ''}; sd_now and sd_after are those of the "
            "date of the tree, or the mean over the trees of a species": True,
            "one more core is aimed at the centre; treeage aim does better": True,
            "what a tree teaches the others, and what two ring tables read against each other tell, is left out": True,
            f"a core ended in rot ({', '.join(rotten)}): another core there is taken to be mostly lost too": bool(
                rotten
            ),
            f"{counted(left, 'tree')} left out: no dated core (treeage check names what was not measured), cores at "
            "several heights, or cores that exclude each other": left > 0,
        }
        return NextSteps(table, chosen, str(self.goal), unit, tuple(words for words, holds in told.items() if holds))

    def _rotten(self) -> list[str]:
        """Trees that would be cored again although a core of theirs ended in rot."""
        cores = self.today.cores
        return [tree for tree in self.trees if any(cores.inner_end[row] == InnerEnd.ROT for row in cores.rows_of[tree])]

    def _row(self, gain: Gain, state: Any, now: float, costs: Mapping[str, float]) -> list[Any]:
        at = [self.place[tree] for tree in gain.trees]
        before = np.sqrt(self.variance[at]) * state[0][at]
        left = before * np.array(gain.sd)
        after = self.value(*self._after(gain, state))
        cost = costs[gain.action]
        tree = gain.trees[0] if gain.action != Action.SEEDLINGS else ""
        years = float((before - left).sum())
        return [gain.action, tree, gain.species, cost, float(before.mean()), float(left.mean()), years, now, after,
                now - after, 60 * (now - after) / cost]  # fmt: skip

    def _greedy(
        self, found: list[Gain], costs: Mapping[str, float], minutes: float | None, names: list[str]
    ) -> pd.DataFrame:
        """The largest gain per minute that still fits, again and again."""
        import pandas as pd

        rows: list[list[Any]] = []
        state, spent, left = self._factors(), 0.0, list(found)
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


def _at_most(one: Pmf, rows: Mass, limit: int) -> Array:
    """Probability that a number and that of each row together are at most a limit, (...)."""
    total = np.concatenate([[0.0], np.cumsum(one.mass)])
    left = limit - rows.start - np.arange(rows.mass.shape[-1]) - one.start + 1
    return np.asarray(rows.mass @ total[np.clip(left, 0, total.size - 1)])
