"""Two cores of one tree read against each other: probabilities of absent and false rings and what they add to the age.

Own derivation: a pair hidden-Markov model whose constants were fitted to ring widths of 165 archive sites.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from treeage.alignment.engine import EventGrids, PairSums, align_batch
from treeage.alignment.lattice import EVENTS, Array, Move, Signals, median, signals
from treeage.alignment.prior import HIGHEST_SHARE, AlignmentPrior, alignment_model
from treeage.alignment.trio import align_trios
from treeage.alignment.years import LAGS, Trio
from treeage.errors import Fault, InputError, public, require_nonnegative, require_row
from treeage.pmf import Pmf, freeze_arrays

if TYPE_CHECKING:
    import pandas as pd

_NEAR_RINGS = 3  # choice: the window in which a person would look at the wood
_POINT_WEIGHT = 0.1  # choice: between equally good windows the likelier ring wins
_LISTED = 0.01  # choice: events less likely than this within three rings are not listed
_FEWEST = 5  # choice: fewer rings cannot be told apart
_STAND_RINGS = 3000.0  # choice: the prior shares count as much as so many rings of the stand
_STAND_PAIRS = 6.0  # choice: the prior of the correlation counts as much as so many pairs
_EVENT_TYPES = {
    "kind": "str", "ring_from_bark": "int64", "prob": "float64", "prob_near": "float64", "window_prob": "float64",
}  # fmt: skip
Row = tuple[Move, int, float, float, float]
_PARTNERS = {
    Move.ABSENT_IN_A: (Move.ABSENT_IN_A, Move.FALSE_IN_B),
    Move.FALSE_IN_B: (Move.ABSENT_IN_A, Move.FALSE_IN_B),
    Move.ABSENT_IN_B: (Move.ABSENT_IN_B, Move.FALSE_IN_A),
    Move.FALSE_IN_A: (Move.ABSENT_IN_B, Move.FALSE_IN_A),
}  # kinds that put the two counts out of step the same way


@dataclass(frozen=True)
class Alignment:
    """Two ring series read against each other, every way of doing so weighed by its probability.

    Parameters
    ----------
    grids : EventGrids
        Probability of every event by ring and offset, and of the path (for the likeliest outer shift).
    joint_mass : numpy.ndarray, shape (k, m)
        Probability of true minus counted rings in core A (rows) and core B (columns).
    start_a, start_b : int
        True minus counted rings of the first row and of the first column.
    signals_a, signals_b : Signals
        Growth signals of the two cores, outermost ring first.
    sums : PairSums
        Evidence, correlation and outer shift.
    """

    grids: EventGrids
    joint_mass: Array
    start_a: int
    start_b: int
    signals_a: Signals
    signals_b: Signals
    sums: PairSums

    def __post_init__(self) -> None:
        freeze_arrays(self)

    def __repr__(self) -> str:
        none = self.ring_difference.prob_at(0)
        return (
            f"Alignment({len(self.best)} events in the best set, P(no difference) {none:.3f}, r {self.correlation:.2f})"
        )

    @cached_property
    def events(self) -> pd.DataFrame:
        """Every possible event with at least 1 % within three rings.

        Columns kind (absent_in_a, absent_in_b, false_in_a, false_in_b), ring_from_bark (1 = outermost, counted in the
        core that has one ring more there; the outer band of a false ring), prob (this kind at this ring), prob_near
        (this kind within three rings either side), window_prob (the two counts go out of step this way within three
        rings either side, by an absent ring of one core or a false ring of the other); likeliest first.
        """
        return _event_table(self.grids)

    @cached_property
    def best(self) -> pd.DataFrame:
        """Return the single most probable set of events.

        Columns as in `events`, from the bark inward; empty if no event is likelier than not. `ring_from_bark` is the
        ring in the middle of the likeliest window of seven rings: the stretch to look at in the wood.
        """
        return _frame(self.best_rows)

    @cached_property
    def best_rows(self) -> list[Row]:
        """Rows of `best`: kind, ring_from_bark, prob, prob_near, window_prob."""
        return _best_events(self.grids)

    @property
    def joint(self) -> tuple[int, int, Array]:
        """Joint mass of true minus counted rings in both cores.

        First value for A, first value for B, mass with A in rows and B in columns. Rings absent in both cores do not
        show and are not in it: see `unseen_rings`.
        """
        return self.start_a, self.start_b, self.joint_mass

    @cached_property
    def extra_rings_a(self) -> Pmf:
        """True minus counted rings of core A over the span the cores share.

        Positive when rings are absent in A, negative when some were counted twice.
        """
        return Pmf(self.start_a, self.joint_mass.sum(axis=1)).trim(1e-12)

    @cached_property
    def extra_rings_b(self) -> Pmf:
        """True minus counted rings of core B over the span the cores share.

        Positive when rings are absent in B, negative when some were counted twice.
        """
        return Pmf(self.start_b, self.joint_mass.sum(axis=0)).trim(1e-12)

    @cached_property
    def ring_difference(self) -> Pmf:
        """Rings of A minus rings of B over the span they share: 0: nothing missing or false, or the events cancel."""
        rows, columns = self.joint_mass.shape
        mass = np.zeros(rows + columns - 1)
        np.add.at(mass, np.arange(columns)[None, :] - np.arange(rows)[:, None] + rows - 1, self.joint_mass)
        return Pmf(self.start_b - self.start_a - (rows - 1), mass).trim(1e-12)

    @property
    def correlation(self) -> float:
        """Correlation of the two cores' growth signals: posterior mean."""
        return self.sums.correlation

    @property
    def log_evidence(self) -> float:
        """Natural logarithm of the likelihood ratio against two unrelated series.

        Positive when the cores agree better than chance.
        """
        return self.sums.log_evidence

    @property
    def outer_shift(self) -> Pmf:
        """Rings that core A lacks at its outer end against core B: all at 0 unless the prior left it open."""
        return self.sums.outer_shift

    def in_line(self) -> pd.DataFrame:
        """Put the two series side by side as the best set of events says, for a figure.

        Returns
        -------
        pandas.DataFrame
            One row for each year from the bark inward: year_from_bark (1 = outermost), ring_a, ring_b (from the bark,
            missing where the core has none), kind (both or the event), signal_a, signal_b (standardised) and
            prob_in_line (probability that these two rings are the same year).
        """
        return _in_line(self.grids, self.best, self.signals_a.plain, self.signals_b.plain)

    def path(self) -> pd.DataFrame:
        """Probability of every offset between the two counts along core A, for a figure.

        Returns
        -------
        pandas.DataFrame
            Index: ring of A from the bark (1 = outermost); columns: ring number in B minus ring number in A.
        """
        import pandas as pd

        size = self.grids.path.shape[0]
        columns = pd.Index(np.arange(-self.grids.shift, self.grids.shift + 1), name="offset")
        return pd.DataFrame(self.grids.path, index=pd.RangeIndex(1, size + 1, name="ring_a"), columns=columns)


@public
def align_cores(
    widths_a_mm: ArrayLike,
    widths_b_mm: ArrayLike,
    *,
    prior: AlignmentPrior | None = None,
    reference: ArrayLike | None = None,
) -> Alignment:
    """Read two cores of one tree against each other.

    Parameters
    ----------
    widths_a_mm, widths_b_mm : array-like, shape (n,) and (m,)
        Ring widths [mm], innermost first, at least 0 (0: a dated ring without width), both ending at the same outer
        year; one may reach further in. At least 5 rings and a median above 0.
    prior : AlignmentPrior, optional
        Shares of absent and false rings; by default those of two counts that were not crossdated.
    reference : array-like, shape (k,), optional
        Mean index of the stand's other trees (`crossdating.reference_series`), innermost first and ending at the same
        outer year, longer or shorter than the cores, NaN where not known; at least 5 known years. It is taken to have
        every year: a ring that is absent in both cores shows against it.

    Returns
    -------
    Alignment
        Events with probabilities, the best set, and the joint mass of true minus counted rings.

    Raises
    ------
    InputError
        If a width is negative or not finite, a series is too short or mostly without width.

    Notes
    -----
    Five moves, each exactly one true year: both cores have the ring; absent in A; absent in B; false in A (two bands
    of A are one ring of B); false in B. Matched rings follow a bivariate t law of whitened log widths whose
    correlation is integrated over a grid; years in which the cores disagree come in stretches. All sums are exact
    inside a band of offsets. The shares decide only where the widths do not: an event in the last few rings of the
    shorter core can hardly be seen and keeps its prior probability. A ring boundary overlooked in B looks like a
    false ring in A.

    References
    ----------
    .. [1] Durbin, R., Eddy, S., Krogh, A., Mitchison, G. (1998). Biological sequence analysis. Cambridge University
       Press, ch. 4 (pair hidden-Markov models in general). doi:10.1017/CBO9780511790492

    Examples
    --------
    A ring is taken out of a copy of a series: 20th from the bark.

    >>> rng = np.random.default_rng(1)
    >>> core_a = np.exp(rng.normal(0, 0.4, 80))
    >>> core_b = np.delete(core_a, 80 - 20) * np.exp(rng.normal(0, 0.1, 79))
    >>> found = align_cores(core_a, core_b)
    >>> found.best[["kind", "ring_from_bark"]].values.tolist()
    [['absent_in_b', 20]]
    >>> found.extra_rings_b.median()
    1
    """
    return align_many([(widths_a_mm, widths_b_mm)], prior=prior, references=None if reference is None else [reference])[
        0
    ]


def align_many(
    pairs: Sequence[tuple[ArrayLike | Signals, ArrayLike | Signals]],
    *,
    prior: AlignmentPrior | Sequence[AlignmentPrior] | None = None,
    references: Sequence[ArrayLike | None] | None = None,
) -> list[Alignment]:
    """Read many pairs of cores against each other, much faster than one by one.

    Parameters
    ----------
    pairs : sequence of (array-like, array-like)
        Widths of core A and core B of each pair [mm], as in `align_cores`, or their `core_signals`.
    prior : AlignmentPrior or sequence of AlignmentPrior, optional
        One for all or one for each pair.
    references : sequence of array-like or None, optional
        Mean index of the stand for each pair, as in `align_cores`; None where there is none.

    Returns
    -------
    list of Alignment
        One for each pair, in order.

    Raises
    ------
    InputError
        As in `align_cores`, or if there are not as many priors or references as pairs.

    Examples
    --------
    >>> align_many([])
    []
    """
    priors = (
        [prior or AlignmentPrior()] * len(pairs) if prior is None or isinstance(prior, AlignmentPrior) else list(prior)
    )
    if len(priors) != len(pairs):
        got, need = f"{len(priors)} priors", f"one for each of {len(pairs)} pairs"
        raise InputError(Fault(got, need, "Pass one prior for all or one for each.", "align_many", 0, "prior"))
    both = [
        (core_signals(a, name="widths_a_mm"), core_signals(b, name="widths_b_mm", split=not own.one_sided))
        for (a, b), own in zip(pairs, priors, strict=True)
    ]
    stand = [None] * len(pairs) if references is None else list(references)
    if len(stand) != len(pairs):
        got, need = f"{len(stand)} references", f"one, or None, for each of {len(pairs)} pairs"
        raise InputError(Fault(got, need, "Pass as many as pairs.", "align_many", 0, "references"))
    alone = [at for at, reference in enumerate(stand) if reference is None]
    found = dict(zip(alone, align_batch([both[at] for at in alone], [priors[at] for at in alone]), strict=True))
    trios = {at: Trio(*both[at], *reference_signals(each)) for at, each in enumerate(stand) if each is not None}
    found |= zip(trios, align_trios(list(trios.values()), [priors[at] for at in trios]), strict=True)
    return [_answer(pair, found[at]) for at, pair in enumerate(both)]


def reference_signals(reference: ArrayLike) -> tuple[Signals, NDArray[np.bool_]]:
    """Signals of a mean index (innermost first, NaN where unknown), outermost first, and where they are known."""
    require_row("align_cores", "reference", reference)
    values = np.asarray(reference, dtype=np.float64)
    given = np.isfinite(values)
    if values.ndim != 1 or given.sum() < _FEWEST:
        got, need = f"shape {values.shape}, {given.sum()} known", f"one row with at least {_FEWEST} known years"
        raise InputError(Fault(got, need, "Leave the reference out.", "align_cores", 0, "reference"))
    values, given = values[::-1], given[::-1]
    known = given.copy()
    for back in range(1, LAGS + 1):  # whitening takes the next rings inward
        known[:-back] &= given[back:]
    filled = np.where(given, values, 1.0)
    return core_signals(filled[::-1], name="reference", split=False), known


def align_stand(
    pairs: Sequence[tuple[ArrayLike, ArrayLike]], *, prior: AlignmentPrior | None = None
) -> tuple[list[Alignment], AlignmentPrior]:
    """Read the pairs of a stand against each other, with shares and correlations learned from all of them.

    Parameters
    ----------
    pairs : sequence of (array-like, array-like)
        Widths of the two cores of each tree [mm], as in `align_cores`.
    prior : AlignmentPrior, optional
        What is believed before; see `stand_prior` for how much the stand counts against it.

    Returns
    -------
    tuple of (list of Alignment, AlignmentPrior)
        The alignments under the learned prior, and that prior.

    Raises
    ------
    InputError
        As in `align_cores`.

    Examples
    --------
    >>> align_stand([])[0]
    []
    """
    start = prior or AlignmentPrior()
    learned = stand_prior([found.sums for found in align_many(pairs, prior=start)], prior=start)
    return align_many(pairs, prior=learned), learned


def stand_prior(found: Sequence[PairSums], *, prior: AlignmentPrior | None = None) -> AlignmentPrior:
    """Learn shares of absent and false rings and correlations from the pairs of a stand.

    Parameters
    ----------
    found : sequence of PairSums
        `Alignment.sums` of the stand's pairs, aligned under the prior.
    prior : AlignmentPrior, optional
        That prior; it counts as much as 3,000 rings and 6 pairs (choice).

    Returns
    -------
    AlignmentPrior
        With posterior mean shares, the same for both cores unless a share was 0.

    Notes
    -----
    Empirical Bayes in one step: expected numbers of events over rings, and mean weights of the correlations.

    Examples
    --------
    >>> stand_prior([]) == AlignmentPrior()
    True
    """
    start = prior or AlignmentPrior()
    if not found:
        return start
    rings = sum(one.grids.path.shape[0] for one in found)
    learned: dict[str, Any] = {}
    for kind in ("absent", "false"):
        free = [core for core in "ab" if getattr(start, f"{kind}_share_{core}") > 0]
        if not free:
            continue
        events = sum(float(one.grids.events[Move(f"{kind}_in_{core}")].sum()) for one in found for core in free)
        before = sum(getattr(start, f"{kind}_share_{core}") for core in free) / len(free)
        share = (events + before * _STAND_RINGS) / (rings * len(free) + _STAND_RINGS)
        learned |= {f"{kind}_share_{core}": min(share, HIGHEST_SHARE) for core in free}
    weights = np.asarray(start.correlation_weights) / sum(start.correlation_weights) * _STAND_PAIRS
    weights = weights + np.sum([one.correlation_weights for one in found], axis=0)
    return replace(start, correlation_weights=tuple((weights / weights.sum()).tolist()), **learned)


def core_signals(widths_mm: ArrayLike | Signals, *, name: str = "widths_mm", split: bool = True) -> Signals:
    """Turn the widths of a core into the signals the alignment compares.

    Parameters
    ----------
    widths_mm : array-like, shape (n,)
        Widths [mm], innermost first, at least 0; signals are given back as they are.
    name : str
        Name of the argument, for messages.
    split : bool, default True
        Whether one ring may have been counted as two bands.

    Returns
    -------
    Signals
        Outermost ring first.

    Raises
    ------
    InputError
        If a width is negative or not finite, there are fewer than 5 rings, or half of the widths are 0.

    Examples
    --------
    >>> core_signals([1.0, 1.2, 0.8, 1.1, 0.9, 1.0]).size
    6
    """
    if isinstance(widths_mm, Signals):
        return widths_mm
    array = require_nonnegative("align_cores", **{name: widths_mm})[0]
    need = ""
    if array.ndim != 1 or array.size < _FEWEST:
        need = f"one row of at least {_FEWEST} widths"
    elif median(array) <= 0:
        need = "a median width above 0 [mm]"
    if need:
        got = f"shape {array.shape}" if array.ndim != 1 or array.size < _FEWEST else "a median of 0"
        raise InputError(Fault(got, need, "Leave the core out of the comparison.", "align_cores", 0, name))
    model = alignment_model()
    return signals(array[::-1], np.asarray(model["coefficients"]), model["split_shape"], split=split)


def _answer(pair: tuple[Signals, Signals], sums: PairSums) -> Alignment:
    """Turn the counter by (difference in A, final offset) into the joint mass of both differences."""
    rows, width = sums.counter.shape
    most, shift = (rows - 1) // 2, (width - 1) // 2
    extra_a = np.arange(-most, most + 1)[:, None]
    extra_b = extra_a - np.arange(-shift, shift + 1)[None, :]  # both reach the same year: i + e_a = j + e_b
    mass = np.zeros((rows, rows + width - 1))
    np.add.at(mass, (np.broadcast_to(extra_a + most, extra_b.shape), extra_b + most + shift), sums.counter)
    return Alignment(sums.grids, mass / mass.sum(), -most, -most - shift, pair[0], pair[1], sums)


# ------------------------------------------------------------------ events for people


def _event_table(grids: EventGrids) -> pd.DataFrame:
    """Every event likely enough within three rings, likeliest first."""
    rows: list[Row] = []
    for event in EVENTS:
        probs, window = grids.by_ring(event), _window_probs(grids, event)
        near = np.minimum(near_sums(probs), 1.0)
        for ring in np.flatnonzero((near >= _LISTED) & (probs >= _LISTED / 10)):
            rows.append((event, int(ring) + 1, float(probs[ring]), float(near[ring]), float(window[ring])))
    rows.sort(key=lambda row: (-row[3], -row[2], row[0], row[1]))
    return _frame(rows)


def _window_probs(grids: EventGrids, event: Move) -> Array:
    """Probability by ring that within three rings the two counts go out of step the way this event does."""
    one, two = (grids.by_ring(kind) for kind in _PARTNERS[event])
    both = np.zeros(max(one.size, two.size))
    both[: one.size] += one
    both[: two.size] += two
    return np.asarray(np.minimum(near_sums(both), 1.0))


def _frame(rows: list[Row]) -> pd.DataFrame:
    import pandas as pd

    plain = [(event.value, *rest) for event, *rest in rows]
    return pd.DataFrame(plain, columns=list(_EVENT_TYPES)).astype(_EVENT_TYPES)


def _best_events(grids: EventGrids) -> list[Row]:
    """The single most probable set of events, from the bark inward; empty if no event is likelier than not.

    The likeliest offset between the two series at every ring says how many events there are and in which direction.
    Each is then put where most of the probability of a change of offset in that direction lies within three rings, and
    gets the kind that holds most of it there.
    """
    offsets = _offset_path(grids.path, grids.shift)
    changes = [(ring, int(offsets[ring]), int(offsets[ring - 1])) for ring in range(1, offsets.size)]
    changes = [change for change in changes if change[1] != change[2]]
    places = [ring for ring, _, _ in changes]
    rows: list[Row] = []
    for index, (ring, now, before) in enumerate(changes):
        low = 0 if index == 0 else (places[index - 1] + ring) // 2
        high = offsets.size if index + 1 == len(changes) else (ring + places[index + 1]) // 2
        turn = 1 if now > before else -1
        for offset in range(before, now, turn):
            rows.append(_place_event(grids, offset, turn, low, high))
    return rows + _absent_in_both(grids, rows)


def _absent_in_both(grids: EventGrids, rows: Sequence[Row]) -> list[Row]:
    """Rings that both cores lack, which no change of offset shows: an absent ring of each, likelier than not."""
    kinds = (Move.ABSENT_IN_A, Move.ABSENT_IN_B)
    size = min(grids.by_ring(kind).size for kind in kinds)
    probs = [grids.by_ring(kind)[:size] for kind in kinds]
    near = [np.minimum(near_sums(each), 1.0) for each in probs]
    both, out = np.minimum(*near), []
    for _, ring, *_ in rows:  # told already
        both[max(0, ring - 1 - 2 * _NEAR_RINGS) : ring + 2 * _NEAR_RINGS] = 0.0
    while both.size and both.max() > 0.5:
        ring = int(both.argmax())
        window = [float(_window_probs(grids, kind)[ring]) for kind in kinds]
        out += [(kinds[k], ring + 1, float(probs[k][ring]), float(near[k][ring]), window[k]) for k in (0, 1)]
        both[max(0, ring - 2 * _NEAR_RINGS) : ring + 2 * _NEAR_RINGS + 1] = 0.0
    return out


def _place_event(grids: EventGrids, offset: int, turn: int, low: int, high: int) -> Row:
    """The window of seven rings that most likely holds a change of offset, given by the ring in its middle."""
    kinds = _PARTNERS[Move.ABSENT_IN_A if turn > 0 else Move.ABSENT_IN_B]
    lead = offset if turn > 0 else 0  # the ring is one of B: shift the limits, which count rings of A
    window = _window_probs(grids, kinds[0])
    first, last = min(max(0, low + lead), window.size - 1), max(1, min(window.size, high + lead + 1))
    points = [np.pad(each, (0, window.size - each.size)) for each in (grids.by_ring(kind) for kind in kinds)]
    score = window + _POINT_WEIGHT * (points[0] + points[1])
    ring = first + int(np.argmax(score[first : max(first + 1, last)]))
    near = [near_sums(probs)[ring] for probs in points]
    kind = kinds[int(np.argmax(near))]
    prob, within = float(points[kinds.index(kind)][ring]), float(min(near[kinds.index(kind)], 1.0))
    return kind, ring + 1, prob, within, float(window[ring])


def _offset_path(path: Array, shift: int) -> NDArray[np.int64]:
    """Likeliest offset at every ring of A; rings without a partner keep the offset outside them."""
    likeliest = path.argmax(axis=1) - shift
    known = path.sum(axis=1) > 0.5
    out = np.zeros(path.shape[0], dtype=np.int64)
    current = 0
    for ring in range(path.shape[0]):
        if known[ring]:
            current = int(likeliest[ring])
        out[ring] = current
    return out


def near_sums(probs: Array, reach: int = _NEAR_RINGS) -> Array:
    """Sums of the probabilities within some rings either side, by ring."""
    total = np.concatenate([[0.0], np.cumsum(probs)])
    ring = np.arange(probs.size)
    return np.asarray(total[np.minimum(ring + reach + 1, probs.size)] - total[np.maximum(ring - reach, 0)])


def _in_line(grids: EventGrids, best: pd.DataFrame, signals_a: Array, signals_b: Array) -> pd.DataFrame:
    """The rows of `Alignment.in_line`; a false ring is given by its outer band, its inner band has no row."""
    import pandas as pd

    events = [(Move(kind), ring) for kind, ring in zip(best["kind"], best["ring_from_bark"], strict=True)]
    due = {("b" if event.of_b else "a", ring): event for event, ring in events}
    rows = []
    at_a = at_b = 0
    while at_a < signals_a.size and at_b < signals_b.size:
        move = due.pop(("a", at_a + 1), None) or due.pop(("b", at_b + 1), None) or Move.BOTH
        step_a, step_b = move.rings
        column = at_b - at_a + grids.shift
        inside = move is Move.BOTH and 0 <= column < grids.path.shape[1]
        rows.append(
            {
                "ring_a": at_a + 1 if step_a else None,
                "ring_b": at_b + 1 if step_b else None,
                "kind": move.value,
                "signal_a": signals_a[at_a] if step_a else np.nan,
                "signal_b": signals_b[at_b] if step_b else np.nan,
                "prob_in_line": float(grids.path[at_a, column]) if inside else np.nan,
            }
        )
        at_a, at_b = at_a + step_a, at_b + step_b
    frame = pd.DataFrame(rows).astype({"ring_a": "Int64", "ring_b": "Int64"})
    frame.insert(0, "year_from_bark", np.arange(1, len(frame) + 1))
    return frame
