"""Standardised growth signals of a width series, as they are and with one ring removed or two bands joined.

Own derivation: log widths whitened by a fitted autoregression, heavy tails, exact event windows.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

DEGREES_OF_FREEDOM = 4.0  # choice: a t law near the fitted 6.5, lower because wrong rings also fall in its tails
# closed form: upper quartile of a t law with 4 degrees of freedom; 1.32 fitted
_MEDIAN_TO_SCALE = 1.32 / 0.7406970841126831
_FLOOR = 0.2  # choice: share of the median width added before the logarithm, so that absent rings stay finite
_SCALE_RINGS = 8.0  # choice: weight, in rings, of the typical scale in a short series
_TYPICAL_SCALE = 0.28  # median over 165 archive sites (tests/fitting/fit_alignment.py)
_NARROW_HALF_WIDTH = 5  # choice: rings either side in the local mean against which a ring is called narrow
_LIMIT = 12.0  # choice: signals are cut here, in scales; the t law is almost flat by then


@dataclass(frozen=True)
class Signals:
    """One width series of n rings as the alignment sees it, outermost ring first.

    The autoregression reaches `order` rings inwards, so an event at ring i changes the signals of the `order` rings
    outside it: they are kept as they would be after the event.
    """

    plain: Array  # (n,): whitened log widths in units of their scale
    removed: Array  # (n, order): column k - 1 is the signal k rings outside ring i if ring i were not there
    joined: Array  # (n, order + 1): column k is the signal k rings outside ring i if rings i and i + 1 were one ring
    joined_factor: Array  # (n,): density of the joined series times that of the split, over that of the series as it is
    narrowness: Array  # (n,): log width less the local mean, in units of its scale; negative for narrow rings

    def __post_init__(self) -> None:
        for field in fields(self):
            getattr(self, field.name).setflags(write=False)

    def inward(self, rings: int) -> Signals:
        """Leave out some of the outermost rings."""
        if rings == 0:
            return self
        return Signals(*(getattr(self, field.name)[rings:] for field in fields(self)))

    @property
    def size(self) -> int:
        """Number of rings."""
        return int(self.plain.size)


def signals(widths_mm: Array, coefficients: Array, split_shape: float) -> Signals:
    """Turn widths [mm], outermost first, at least 0 and with a median above 0, into the signals of the alignment.

    `coefficients` are those of `whiten`; `split_shape` is both shape parameters of the beta law of the share of the
    outer band in a false ring. With x = log(w + c), two bands w1, w2 of one ring of width s = w1 + w2 and share f = w1
    / s have the density p(x1, x2) = p(x_s) p(f) (w1 + c)(w2 + c) / (s (s + c)); for c = 0 the last factor is f (1 - f).
    """
    order = coefficients.size
    size = widths_mm.size
    added = _FLOOR * median(widths_mm)
    logs = np.log(widths_mm + added)
    padded = np.concatenate([logs, np.full(order + 1, logs[-order:].mean())])
    scale = _signal_scale(whiten(padded[:-1], coefficients))

    def cut(innovations: Array) -> Array:
        return np.clip(innovations / scale, -_LIMIT, _LIMIT)

    plain = cut(whiten(padded, coefficients))  # one longer than the series: the ring inside ring n is the padding

    outward = np.concatenate([np.full(order, logs[0]), padded, np.full(order, padded[-1])])

    def near(*steps: int) -> list[Array]:  # log widths that many rings further in, for every ring
        return [outward[order + step : order + step + size] for step in steps]

    before = near(*range(-order, 0))
    removed = cut(whiten(np.stack([*before, *near(*range(1, order + 1))]).T, coefficients))[:, ::-1]

    second = np.append(widths_mm[1:], 0.0)
    total = widths_mm + second
    merged = np.log(total + added)
    joined = cut(whiten(np.stack([*before, merged, *near(*range(2, order + 2))]).T, coefficients))[:, ::-1]

    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(total > 0, widths_mm / total, 0.0)
        stretch = np.where(total > 0, (widths_mm + added) * (second + added) / (total * (total + added)), 0.0)
    split = _beta_density(share, split_shape) * stretch
    was, now = np.concatenate([np.ones(order), t_density(plain)]), t_density(joined)
    old, new = was[order + 1 :], np.ones(size)
    for step in range(order + 1):  # up to `order` rings outside, as far as there are any
        old = old * was[order - step : order - step + size]
        new[step:] *= now[step:, step]
    factor = np.where(np.arange(size) < size - 1, scale * new / old * split, 0.0)
    return Signals(plain[:size], removed, joined, factor, _narrowness(logs))


def log_widths(widths_mm: Array) -> Array:
    """Logarithm of widths plus a fixed share of their median, which keeps absent rings finite."""
    return np.log(widths_mm + _FLOOR * median(widths_mm))


def whiten(logs: Array, coefficients: Array) -> Array:
    """Take from each log width (outermost first, last axis) what the next rings inward foretell.

    `coefficients` are the weights of the 1st, 2nd, ... ring inward; they sum to 1, so that level and units drop out.
    The last axis is shorter by their number.
    """
    order = coefficients.size
    size = logs.shape[-1] - order
    out = logs[..., :size].copy()
    for step in range(1, order + 1):
        out -= coefficients[step - 1] * logs[..., step : step + size]
    return out


def t_density(values: Array) -> Array:
    """Density of the t law with 4 degrees of freedom, (3/8) (1 + x**2 / 4)**(-5/2)."""
    spread = 1.0 + values * values / DEGREES_OF_FREEDOM
    return np.asarray(0.375 / (spread * spread * np.sqrt(spread)))


def _signal_scale(innovations: Array) -> float:
    own = median(np.abs(innovations)) * _MEDIAN_TO_SCALE
    weight = innovations.size / (innovations.size + _SCALE_RINGS)
    return max(weight * own + (1 - weight) * _TYPICAL_SCALE, 1e-3 * _TYPICAL_SCALE)


def _narrowness(logs: Array) -> Array:
    kernel = np.ones(2 * _NARROW_HALF_WIDTH + 1)
    near = np.convolve(np.ones(logs.size), kernel)[_NARROW_HALF_WIDTH : _NARROW_HALF_WIDTH + logs.size]
    mean = np.convolve(logs, kernel)[_NARROW_HALF_WIDTH : _NARROW_HALF_WIDTH + logs.size] / near
    rest = logs - mean
    return np.asarray(rest / max(median(np.abs(rest)) * 1.4826, 0.02))  # closed form: normal; choice: floor


def _beta_density(share: Array, shape: float) -> Array:
    from scipy.special import beta

    return np.asarray((share * (1 - share)) ** (shape - 1) / beta(shape, shape))


def median(values: Array) -> float:
    """Median of one row of finite values, without the checks of NumPy's own, which take ten times as long."""
    low, high = (values.size - 1) // 2, values.size // 2
    parts = np.partition(values, (low, high))
    return float(parts[low] + parts[high]) / 2
