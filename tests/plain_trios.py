"""Two cores and the mean of the stand read together in the plainest way: an oracle for `treeage.alignment`.

One pair and one correlation at a time, every state of the band, every density by itself, in doubles; sums as the
recursion is written down.
"""

import numpy as np

from treeage.alignment.lattice import DEGREES_OF_FREEDOM, Move, rough_evidence
from treeage.alignment.paths import ABSENT_IN_BOTH, MOVES
from treeage.alignment.prior import alignment_model
from treeage.alignment.years import LAGS, Node

RETURN, TEMPER, DISTURBED = 0.005, 0.65, (0.02, 0.15)  # of the model
KEEP, STRANGE, EDGE, WIDEN, WIDEST = 0.1, 0.5, 1e-4, 4, 24  # of the model


def plain_align(trio, prior):
    """Joint mass of the final states, log evidence, and probability of every move by year and state."""
    nodes, weights = _correlations(trio, prior)
    shift = prior.max_shift
    while True:
        logs, lasts, probs = [], [], []
        for node, weight in zip(nodes, weights, strict=True):
            step = _Years(trio, prior, shift, node)
            moves, dull = {move: each[..., None] for move, each in step.moves.items()}, step.dull[..., None]
            ahead, scale = _forward(moves, dull, shift)
            probs.append(_probs(moves, dull, ahead, _backward(moves, dull)))
            logs.append(scale[0] + np.log(weight))
            lasts.append(ahead[-1].sum(axis=0)[..., 0])
        evidence = np.logaddexp.reduce(logs)
        share = np.exp(np.array(logs) - evidence)
        joint = sum(one * last for one, last in zip(share, lasts, strict=True))
        joint = joint / joint.sum()
        if shift >= WIDEST or joint[[0, -1]].sum() + joint[:, [0, -1]].sum() <= EDGE:
            mixed = {move: sum(s * p[move][..., 0] for s, p in zip(share, probs, strict=True)) for move in MOVES}
            return joint, evidence, mixed
        shift = min(shift + WIDEN, WIDEST)


def _correlations(trio, prior):
    """Correlations of the cores, and of each with the reference, worth the full sums, with their prior weights.

    The last node has no reference: that it is none of these trees is weighed by the evidence.
    """
    model = alignment_model()
    a, b, stand = trio.core_a, trio.core_b, trio.reference
    own = np.asarray(model["correlation_nodes"])
    far = np.asarray(model["reference_nodes"])
    with np.errstate(divide="ignore"):
        logs = np.log(prior.correlation_weights) + rough_evidence([(a, b)], own)[0]
    logs_far = np.log(model["reference_weights"]) + rough_evidence([(a, stand), (b, stand)], far)
    weights = np.exp(logs_far - logs_far.max(axis=1, keepdims=True))
    middle = (weights / weights.sum(axis=1, keepdims=True)) @ far
    kept = np.flatnonzero(np.exp(logs - logs.max()) >= KEEP)
    nodes = [Node(float(own[at]), _feasible(float(own[at]), *middle.tolist())) for at in kept]
    before = np.asarray(prior.correlation_weights)[kept]
    before = np.append((1 - STRANGE) * before / before.sum(), STRANGE)
    return [*nodes, Node(float(own[logs.argmax()]), None)], before


def _feasible(own, far_a, far_b):
    """Correlations with the reference, shrunk as far as the correlation of the cores asks for."""
    form = (far_a**2 + far_b**2 - 2 * own * far_a * far_b) / (1 - own**2)  # below 1 for a law of three series
    shrink = min(1.0, float(np.sqrt(0.94 / max(form, 1e-9))))  # choice: short of the bound, where there is no width
    return far_a * shrink, far_b * shrink


class _Years:
    """Factors of the moves of every year and state, each of shape (years, states of A, states of B)."""

    def __init__(self, trio, prior, shift, node):
        self.own, self.far = node.own, node.far or (0.0, 0.0)
        years = trio.years + shift
        self.cores = tuple(_Spread(core, years, shift, axis) for axis, core in enumerate((trio.core_a, trio.core_b)))
        self.stand = _Spread(trio.reference, years, 0, 2)
        self.stand.there &= _rows(trio.known, years)[:, None, None] & (node.far is not None)
        self._score(prior)

    def _score(self, prior):
        (a, b), r = self.cores, self.stand
        self.plain = self._three(a.plain, b.plain, r.plain, 0)
        self.with_a, self.with_b = (self._stand_two(each.plain, r.plain, each, 0) for each in (a, b))
        narrow = self._narrowness(prior)
        one = {
            Move.ABSENT_IN_A: self.with_b + self._absent(Move.ABSENT_IN_A),
            Move.ABSENT_IN_B: self.with_a + self._absent(Move.ABSENT_IN_B),
            ABSENT_IN_BOTH: self._absent(ABSENT_IN_BOTH),
            Move.FALSE_IN_A: self._false(a),
            Move.FALSE_IN_B: self._false(b),
        }
        shares = {
            Move.ABSENT_IN_A: prior.absent_share_a * narrow * (a.there & (b.there | r.there)),
            Move.ABSENT_IN_B: prior.absent_share_b * narrow * (b.there & (a.there | r.there)),
            ABSENT_IN_BOTH: prior.both_share * narrow * (a.there & b.there & r.there),
            Move.FALSE_IN_A: prior.false_share_a * (a.there & a.inner & (b.there | r.there)),
            Move.FALSE_IN_B: prior.false_share_b * (b.there & b.inner & (a.there | r.there)),
        }
        stay = max(1.0 - sum(_shares(prior)), 0.1)
        self.dull = np.full(self.plain.shape, stay)
        self.moves = {Move.BOTH: stay * np.exp(self.plain)}
        for move, logs in one.items():
            self.moves[move] = shares[move] * np.exp(logs)
            _keep_inside(self.moves[move], MOVES[move])

    def _narrowness(self, prior):
        """Factor by which absent rings prefer narrow years of the reference, or of a core where that is not known."""
        (a, b), r = self.cores, self.stand
        level = np.where(r.there, r.narrow, np.where(b.there, b.narrow, a.narrow))
        return prior.narrow_factor(level)

    def _three(self, a, b, r, back):
        """Log density ratio of the signals of one year; `back`: rings outside the year whose presence is asked."""
        has_a, has_b, has_r = (_outside(each.there, back) for each in (*self.cores, self.stand))
        both = trivariate(a, b, r, self.own, self.far)
        rows = ~has_r[:, 0, 0]
        if rows.any():
            both[rows] = bivariate(a[rows], b[rows], self.own)
        one = np.where(has_b, bivariate(b, r, self.far[1]) * has_r, bivariate(a, r, self.far[0]) * (has_r & has_a))
        return np.where(has_a & has_b, both, one)

    def _stand_two(self, own, stand, core, back):
        there = _outside(core.there, back) & _outside(self.stand.there, back)
        return np.where(there, bivariate(own, stand, self.far[core.axis]), 0.0)

    def _absent(self, move):
        """What an absent ring changes: the other series are read as if they did not have its year either."""
        (a, b), r = self.cores, self.stand
        total = np.zeros(self.plain.shape)
        for back in range(1, LAGS + 1):
            was_a, was_b, was_r = (_outside(each.plain, back) for each in (a, b, r))
            now_a = was_a if move != Move.ABSENT_IN_B else a.removed(back)
            now_b = was_b if move != Move.ABSENT_IN_A else b.removed(back)
            now_r = r.removed(back)
            change = self._three(now_a, now_b, now_r, back) - _outside(self.plain, back)
            if move == Move.ABSENT_IN_A:
                change -= self._stand_two(now_b, now_r, b, back) - _outside(self.with_b, back)
            elif move == Move.ABSENT_IN_B:
                change -= self._stand_two(now_a, now_r, a, back) - _outside(self.with_a, back)
            total[back:] += change[back:]
        return total

    def _false(self, core):
        """What two bands of a core count for as one ring."""
        (a, b), r = self.cores, self.stand
        ring_a, ring_b = (each.joined(0) if each is core else each.plain for each in (a, b))
        total = core.split + self._three(ring_a, ring_b, r.plain, 0)
        for back in range(1, LAGS + 1):
            now_a, now_b = (each.joined(back) if each is core else _outside(each.plain, back) for each in (a, b))
            now_r = _outside(r.plain, back)
            total[back:] += (self._three(now_a, now_b, now_r, back) - _outside(self.plain, back))[back:]
        return total


class _Spread:
    """Signals of one series by year and state: its ring y - state; not `there` outside the series."""

    def __init__(self, series, years, shift, axis):
        ring = np.arange(years)[:, None] - np.arange(-shift, shift + 1)
        self.series, self.axis = series, axis
        self.ring = np.clip(ring, 0, series.size - 1)
        self.there = self._on_axis((ring >= 0) & (ring < series.size))
        self.inner = self._on_axis(ring < series.size - 1)
        self.plain = self._of(series.plain)
        self.narrow = self._of(series.narrowness)
        with np.errstate(divide="ignore"):
            self.split = self._of(np.log(series.joined_factor))

    def removed(self, back):
        """Signals `back` rings outside if the ring of the year were not there."""
        return self._of(self.series.removed[:, back - 1])

    def joined(self, back):
        """Signals `back` rings outside if the ring of the year and the next were one."""
        return self._of(self.series.joined[:, back])

    def _of(self, values):
        return self._on_axis(values[self.ring])

    def _on_axis(self, values):
        return values[:, :, None] if self.axis == 0 else values[:, None, :]


def _shares(prior):
    one = (prior.absent_share_a, prior.absent_share_b, prior.false_share_a, prior.false_share_b)
    return *one, prior.both_share


def _rows(known, years):
    out = np.zeros(years, dtype=bool)
    out[: known.size] = known[:years]
    return out


def _outside(values, back):
    """The rows so many years nearer the bark; those of the first years are used by nobody."""
    return values if back == 0 else np.concatenate([values[:back], values[:-back]])


def _keep_inside(factors, turn):
    """No move past the edge of the band; a move back towards 0 is unlikely."""
    middle = factors.shape[1] // 2
    for axis, step in ((1, turn[0]), (2, turn[1])):
        if step:
            on_axis = np.moveaxis(factors, axis, 0)
            on_axis[-1 if step > 0 else 0] = 0.0
            on_axis[: middle if step > 0 else 0] *= RETURN
            on_axis[middle + 1 if step < 0 else on_axis.shape[0] :] *= RETURN


_ONE = 0.375  # closed form: Gamma(5/2) / (Gamma(2) sqrt(4 pi)) of the t law with 4 degrees of freedom
_TWO = 2.0 / (4.0 * np.pi)  # closed form: Gamma(3) / (Gamma(2) 4 pi)
_THREE = 3.3233509704478426 / (4.0 * np.pi) ** 1.5  # closed form: Gamma(7/2) / (Gamma(2) (4 pi)**1.5)


def bivariate(one, two, correlation):
    """Log density ratio of two signals against unrelated ones: t laws with 4 degrees of freedom, tempered."""
    free = 1.0 - correlation**2
    form = (one * one + two * two - 2 * correlation * one * two) / free
    logs = np.log(_TWO / _ONE**2) - 0.5 * np.log(free) - 3.0 * np.log1p(form / DEGREES_OF_FREEDOM)
    return np.asarray(TEMPER * (logs + _single(one) + _single(two)))


def trivariate(a, b, r, own, far):
    """Log density ratio of the signals of two cores and of the reference against three unrelated ones."""
    far_a, far_b = far
    det = 1.0 - own**2 - far_a**2 - far_b**2 + 2 * own * far_a * far_b
    form = (1 - far_b**2) * a * a + (1 - far_a**2) * b * b + (1 - own**2) * r * r
    form = form + 2 * (far_a * far_b - own) * a * b
    form = form + 2 * (own * far_b - far_a) * a * r + 2 * (own * far_a - far_b) * b * r
    logs = np.log(_THREE / _ONE**3) - 0.5 * np.log(det) - 3.5 * np.log1p(form / det / DEGREES_OF_FREEDOM)
    return np.asarray(TEMPER * (logs + _single(a) + _single(b) + _single(r)))


def _single(values):
    return np.asarray(2.5 * np.log1p(values * values / DEGREES_OF_FREEDOM))


def _slices(step):
    if step == 0:
        return slice(None), slice(None)
    return (slice(1, None), slice(None, -1)) if step > 0 else (slice(None, -1), slice(1, None))


def _forward(moves, dull, shift):
    """Sums over all paths from the bark to the states of every year, each year scaled to 1; log of the total."""
    years, *states, items = moves[Move.BOTH].shape
    enter, leave = DISTURBED
    value = np.zeros((years + 1, 2, *states, items))
    value[0, :, shift, shift] = np.array([leave, enter])[:, None] / (enter + leave)
    scale = np.zeros(items)
    for year in range(years):
        agree, disturbed = value[year]
        matched, inside = agree * moves[Move.BOTH][year], disturbed * dull[year]
        new = value[year + 1]
        new[0] = (1 - enter) * matched + leave * inside
        new[1] = enter * matched + (1 - leave) * inside
        for move, turn in MOVES.items():
            if move != Move.BOTH:
                (to_a, from_a), (to_b, from_b) = (_slices(step) for step in turn)
                new[0, to_a, to_b] += (agree * moves[move][year])[from_a, from_b]
        total = new.sum(axis=(0, 1, 2))
        new /= total
        scale += np.log(total)
    return value, scale


def _backward(moves, dull):
    """Sums over all paths from the states of every year to the end, scaled by their largest."""
    years, *states, items = moves[Move.BOTH].shape
    enter, leave = DISTURBED
    value = np.ones((years + 1, 2, *states, items))
    for year in range(years - 1, -1, -1):
        after, dull_after = value[year + 1]
        agree = ((1 - enter) * after + enter * dull_after) * moves[Move.BOTH][year]
        for move, turn in MOVES.items():
            if move != Move.BOTH:
                (to_a, from_a), (to_b, from_b) = (_slices(step) for step in turn)
                agree[from_a, from_b] += moves[move][year, from_a, from_b] * after[to_a, to_b]
        value[year, 0] = agree
        value[year, 1] = (leave * after + (1 - leave) * dull_after) * dull[year]
        value[year] /= value[year].max(axis=(0, 1, 2))
    return value


def _probs(moves, dull, ahead, behind):
    """Probability of each move in every year and state of every item."""
    enter, leave = DISTURBED
    after, dull_after = behind[1:, 0], behind[1:, 1]
    both = ahead[:-1, 0] * moves[Move.BOTH] * ((1 - enter) * after + enter * dull_after)
    both += ahead[:-1, 1] * dull * (leave * after + (1 - leave) * dull_after)
    out = {Move.BOTH.value: both}
    for move, turn in MOVES.items():
        if move != Move.BOTH:
            (to_a, from_a), (to_b, from_b) = (_slices(step) for step in turn)
            out[move] = ahead[:-1, 0] * moves[move]
            out[move][:, from_a, from_b] *= after[:, to_a, to_b]
    total = sum(prob.sum(axis=(1, 2)) for prob in out.values())
    return {move: prob / total[:, None, None] for move, prob in out.items()}
