"""Probabilities on whole years or rings: one distribution for people (`Pmf`), stacks of rows for the engine (`Mass`).

Exact arithmetic of discrete distributions (convolution, product, mixture); own derivation.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, fields
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, NoReturn, TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from treeage.display import Result
from treeage.errors import Fault, InputError, ModelError, kind_of, public, require_level, show

if TYPE_CHECKING:
    import pandas as pd
    from _typeshed import DataclassInstance

_NEXT_TO_NOTHING = 1e-7  # choice: what either end may hold that is left out; single precision tells no more
_TINY = 1e-12  # choice: probability below which a quantile does not step on, so that rounding cannot move an interval


class Pmf(Result):
    """Probability mass function on consecutive whole numbers.

    Parameters
    ----------
    start : int
        First whole number of the support (a year, or a number of rings).
    mass : array-like, shape (n,)
        Probabilities of start, start + 1, ...; not negative, finite, not all 0; scaled to sum to 1.

    Raises
    ------
    InputError
        If the mass is empty, negative, not finite or sums to 0.

    Notes
    -----
    Intervals are equal-tailed and made of whole numbers: the low end leaves at most (1 - prob)/2 below
    it and the high end at most (1 - prob)/2 above it, so they contain at least prob.

    Examples
    --------
    A fair die, and the sum of two.

    >>> die = Pmf(1, [1, 1, 1, 1, 1, 1])
    >>> die.mean(), die.median(), die.interval(0.5)
    (3.5, 3, (2, 5))
    >>> round(die.convolve(die).prob_at(7), 4)
    0.1667
    """

    __slots__ = ("_mass", "_start")

    _start: int
    _mass: NDArray[np.float64]

    def __init__(self, start: int, mass: ArrayLike) -> None:
        try:
            if np.iscomplexobj(mass):
                raise TypeError
            values, first = np.array(mass, dtype=np.float64), int(start)
        except (TypeError, ValueError, OverflowError) as error:
            got, need = f"{kind_of(start)} and {kind_of(mass)}", "a whole number and probabilities"
            raise InputError(Fault(got, need, "Pass numbers.", "Pmf", 0, "start, mass")) from error
        if values.ndim != 1 or values.size == 0:
            raise InputError(
                Fault(f"shape {values.shape}", "one row of probabilities", "Pass a list.", "Pmf", 0, "mass")
            )
        if not (values.min() >= 0 and values.max() < np.inf):
            worst = values[~np.isfinite(values) | (values < 0)][0]
            raise InputError(
                Fault(show(float(worst)), "finite probabilities of at least 0", "Correct it.", "Pmf", 0, "mass")
            )
        total = values.sum()
        if total <= 0:
            raise InputError(Fault("a sum of 0", "some probability above 0", "Check the inputs.", "Pmf", 0, "mass"))
        values /= total
        values.flags.writeable = False
        object.__setattr__(self, "_start", first)
        object.__setattr__(self, "_mass", values)

    def __setattr__(self, name: str, value: object) -> None:
        raise AttributeError(
            f"Pmf is immutable: got {name} = {show(value)}, need a new Pmf; make one with Pmf(start, mass)"
        )

    def __reduce__(self) -> tuple[Any, ...]:
        return (_restored, (self._start, np.array(self._mass)))

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Pmf) and self._start == other._start and np.array_equal(self._mass, other._mass)

    def __hash__(self) -> int:
        return hash((self._start, self._mass.tobytes()))

    def __repr__(self) -> str:
        low, high = self.interval(0.9)
        return f"Pmf(median {self.median()}, 90 % {low} to {high}, mean {self.mean():.2f}, sd {self.sd():.2f})"

    # ------------------------------------------------------------------ reading

    @property
    def start(self) -> int:
        """First whole number of the support: the lowest number that is stored."""
        return self._start

    @property
    def stop(self) -> int:
        """Last whole number of the support: the highest number that is stored (included)."""
        return self._start + self._mass.size - 1

    @property
    def support(self) -> NDArray[np.int64]:
        """Whole numbers that carry the mass: shape (n,). start, start + 1, ..., stop."""
        return np.arange(self._start, self._start + self._mass.size)

    @property
    def mass(self) -> NDArray[np.float64]:
        """Probabilities, read-only: shape (n,). One for each number of the support; they sum to 1."""
        return self._mass

    def mean(self) -> float:
        """Mean.

        Returns
        -------
        float
            Expected value.
        """
        return float(self._start + np.arange(self._mass.size) @ self._mass)

    def var(self) -> float:
        """Variance.

        Returns
        -------
        float
            Expected squared distance from the mean.
        """
        steps = np.arange(self._mass.size)
        return float((steps - steps @ self._mass) ** 2 @ self._mass)

    def sd(self) -> float:
        """Standard deviation.

        Returns
        -------
        float
            Square root of the variance.
        """
        return float(np.sqrt(self.var()))

    @public
    def prob_at(self, value: int) -> float:
        """Probability of one whole number.

        Parameters
        ----------
        value : int
            The number; a float is read as the number it is.

        Returns
        -------
        float
            Its probability; 0 outside the support and between whole numbers, where there is none.

        Raises
        ------
        InputError
            If value is not one number.

        Examples
        --------
        >>> Pmf.point(95).prob_at(95.0), Pmf.point(95).prob_at(95.5)
        (1.0, 0.0)
        """
        try:
            step = math.floor(value) - self._start
        except (TypeError, ValueError, OverflowError):
            need, do = "one whole number", "Ask for one number at a time; all of them are in .support and .mass."
            raise InputError(Fault(kind_of(value), need, do, "Pmf.prob_at", 0, "value")) from None
        if step + self._start != value:
            return 0.0
        return float(self._mass[step]) if 0 <= step < self._mass.size else 0.0

    @public
    def cdf(self, value: int) -> float:
        """Probability of at most a whole number.

        Parameters
        ----------
        value : int
            The number.

        Returns
        -------
        float
            Sum of the mass up to and with it.
        """
        step = int(np.floor(value)) - self._start
        return float(min(1.0, self._mass[: max(0, step + 1)].sum()))

    @public
    def quantile(self, prob: float) -> int:
        """Smallest whole number with at least the given probability up to it.

        Parameters
        ----------
        prob : float
            Probability, strictly between 0 and 1.

        Returns
        -------
        int
            The quantile.

        Raises
        ------
        InputError
            If prob is not one number between 0 and 1.
        """
        return self._quantiles(require_level("Pmf.quantile", "prob", prob))[0]

    def median(self) -> int:
        """Smallest whole number with at least half of the probability up to it.

        Returns
        -------
        int
            The median.
        """
        return self._quantiles(0.5)[0]

    @public
    def interval(self, prob: float = 0.9) -> tuple[int, int]:
        """Equal-tailed interval of whole numbers that contains at least the given probability.

        Parameters
        ----------
        prob : float, default 0.9
            Probability, strictly between 0 and 1 (0.9: the package's one interval probability).

        Returns
        -------
        tuple of int
            Low and high end, both included.

        Raises
        ------
        InputError
            If prob is not one number between 0 and 1.
        """
        prob = require_level("Pmf.interval", "prob", prob)
        low, high = self._quantiles(*interval_levels(prob)[1:])
        return low, high

    def _quantiles(self, *probs: float) -> list[int]:
        steps = np.searchsorted(np.cumsum(self._mass), np.array(probs) - _TINY)
        return [self._start + int(step) for step in np.minimum(steps, self._mass.size - 1)]

    def sentence(self) -> str:
        """Median and 90 % interval."""
        low, high = self.interval(0.9)
        return f"Median {self.median()}, 90 % interval {low} to {high}."

    def to_frame(self) -> pd.DataFrame:
        """Columns value and prob, one row a whole number of the support."""
        import pandas as pd

        return pd.DataFrame({"value": self.support, "prob": self._mass})

    # ------------------------------------------------------------------ makers

    @classmethod
    def point(cls, value: int) -> Pmf:
        """All probability on one whole number.

        Parameters
        ----------
        value : int
            The certain value.

        Returns
        -------
        Pmf
            Mass 1 at value.
        """
        return cls(value, [1.0])

    @classmethod
    def mixture(cls, pmfs: Sequence[Pmf], weights: ArrayLike | None = None) -> Pmf:
        """Mix several mass functions: one of them holds, with the given probabilities.

        Parameters
        ----------
        pmfs : sequence of Pmf
            The parts, at least one.
        weights : array-like, shape (n,), optional
            Probabilities of the parts, scaled to sum to 1; equal by default.

        Returns
        -------
        Pmf
            The weighted sum.

        Examples
        --------
        >>> Pmf.mixture([Pmf.point(0), Pmf.point(2)], [1, 3]).mean()
        1.5
        """
        shares = np.ones(len(pmfs)) if weights is None else np.asarray(weights, dtype=np.float64)
        start = min(pmf.start for pmf in pmfs)
        size = max(pmf.stop for pmf in pmfs) - start + 1
        mass = sum(share * pmf.on(start, size) for pmf, share in zip(pmfs, shares, strict=True))
        return cls(start, np.asarray(mass))

    # ------------------------------------------------------------------ arithmetic

    def shift(self, steps: int) -> Pmf:
        """Move every value by a whole number.

        Parameters
        ----------
        steps : int
            How far, in years or rings.

        Returns
        -------
        Pmf
            Distribution of the value plus steps.
        """
        return _made(self._start + int(steps), self._mass)

    def negate(self) -> Pmf:
        """Turn the sign of every value.

        Returns
        -------
        Pmf
            Distribution of minus the value.
        """
        return _made(-self.stop, self._mass[::-1])

    def convolve(self, other: Pmf) -> Pmf:
        """Add an independent value.

        Parameters
        ----------
        other : Pmf
            Distribution of the value to add.

        Returns
        -------
        Pmf
            Distribution of the sum.
        """
        if min(self._mass.size, other._mass.size) == 1:  # one of them is certain
            return _made(self._start + other._start, self._mass if other._mass.size == 1 else other._mass)
        return Pmf(self._start + other._start, np.convolve(self._mass, other._mass))

    def multiply(self, other: Pmf) -> Pmf:
        """Multiply the two mass functions number by number and scale to 1.

        Parameters
        ----------
        other : Pmf
            A likelihood of the same quantity from an independent source.

        Returns
        -------
        Pmf
            The combined distribution.

        Raises
        ------
        ModelError
            If the two share no number with any probability.
        """
        start = max(self.start, other.start)
        size = min(self.stop, other.stop) - start + 1
        product = self.on(start, size) * other.on(start, size) if size > 0 else np.zeros(1)
        if product.sum() <= 0:
            ranges = f"{self.start} to {self.stop} and {other.start} to {other.stop}"
            need = "two ranges with a number in common"
            raise ModelError(Fault(ranges, need, "Check both sources.", "Pmf.multiply", 0, "other"))
        return Pmf(start, product)

    def condition(self, low: int | None = None, high: int | None = None) -> Pmf:
        """Restrict to a range of whole numbers.

        Parameters
        ----------
        low, high : int, optional
            Lowest and highest number allowed, both included; no bound by default.

        Returns
        -------
        Pmf
            Scaled to 1 inside the range.

        Raises
        ------
        ModelError
            If the range has no probability.
        """
        first = self.start if low is None else int(low)
        last = self.stop if high is None else int(high)
        return self.multiply(Pmf(first, np.ones(max(1, last - first + 1))))

    def trim(self, eps: float = 1e-9) -> Pmf:
        """Cut ends that hold next to nothing.

        Parameters
        ----------
        eps : float, default 1e-9
            Probability that may be cut at each end (choice: far below any printed figure).

        Returns
        -------
        Pmf
            The same distribution on a shorter support.
        """
        total = np.cumsum(self._mass)
        low = int(np.searchsorted(total, eps, side="right"))
        high = int(np.searchsorted(total, 1 - eps))
        low, high = min(low, self._mass.size - 1), min(high, self._mass.size - 1)
        kept = self._mass[low : max(low, high) + 1]
        return _made(self._start + low, kept / kept.sum())

    def on(self, start: int, size: int) -> NDArray[np.float64]:
        """Lay the mass on a given stretch of whole numbers.

        Parameters
        ----------
        start : int
            First number of the stretch.
        size : int
            Its length.

        Returns
        -------
        numpy.ndarray, shape (size,)
            Probabilities there; what lies outside is left out, not scaled.
        """
        out = np.zeros(max(0, size))
        low, high = max(start, self.start), min(start + size - 1, self.stop)
        if high >= low:
            out[low - start : high - start + 1] = self._mass[low - self._start : high - self._start + 1]
        return out

    def sample(self, count: int, rng: np.random.Generator) -> NDArray[np.int64]:
        """Draw values.

        Parameters
        ----------
        count : int
            How many.
        rng : numpy.random.Generator
            Source of randomness.

        Returns
        -------
        numpy.ndarray of int, shape (count,)
            Independent draws.
        """
        steps = np.searchsorted(np.cumsum(self._mass), rng.random(count), side="right")
        return self._start + np.minimum(steps, self._mass.size - 1)


class ReadOnlyDict(dict[Any, Any]):
    """A dict that stays as it was made, in depth, also when it is pickled or copied."""

    def __init__(self, items: Any = ()) -> None:
        super().__init__((key, _read_only(value)) for key, value in dict(items).items())

    def _refuse(self, *_: Any, **__: Any) -> NoReturn:
        raise TypeError("This cannot be changed: make a new one, for example with dataclasses.replace.")

    __setitem__ = __delitem__ = __ior__ = _refuse
    update = pop = popitem = setdefault = clear = _refuse

    def __reduce__(self) -> tuple[Any, ...]:
        return (type(self), (dict(self),))


def read_only_row(row: Mapping[str, Any]) -> ReadOnlyDict:
    """A row of values that cannot be changed themselves, made in a moment."""
    out = ReadOnlyDict.__new__(ReadOnlyDict)
    dict.update(out, row)
    return out


class ReadOnlyTables(ReadOnlyDict):
    """The same with tables among its values: what it gives is a copy of the table."""

    def __getitem__(self, key: Any) -> Any:
        return _given(super().__getitem__(key))

    def __iter__(self) -> Iterator[Any]:
        return super().__iter__()  # with an iterator of its own, dict(...) and {**...} ask for the values as well

    def get(self, key: Any, default: Any = None) -> Any:
        """The value of a key, a table as a copy."""
        return _given(super().get(key, default))

    def values(self) -> Any:
        """The values, tables as copies."""
        return [self[key] for key in self]

    def items(self) -> Any:
        """The pairs, tables as copies."""
        return [(key, self[key]) for key in self]


def _is_table(value: Any) -> bool:
    return hasattr(value, "iloc")  # a frame or a series, without loading pandas


def _given(value: Any) -> Any:
    return value.copy() if _is_table(value) else value


class _Table:
    """A table of a frozen dataclass: every access gives a copy; the maker's own table is copied where it is set."""

    def __init__(self, name: str, set_copied: bool) -> None:
        self.name, self.set_copied = name, set_copied

    def __get__(self, instance: Any, owner: type) -> Any:
        if instance is None:
            raise AttributeError(self.name)
        return _given(vars(instance)[self.name])

    def __set__(self, instance: Any, value: Any) -> None:
        vars(instance)[self.name] = _given(value) if self.set_copied else value


Frozen = TypeVar("Frozen")


def keeps_tables(made_of: type[Frozen], *, set_copied: bool = False) -> type[Frozen]:
    """Class decorator above @dataclass: what is done to a table that was given out never reaches the object.

    set_copied: also what is done to the table that the object was made of. The package itself reads `vars(object)`
    where a copy would cost time.
    """
    for each in fields(made_of):  # type: ignore[arg-type]
        if "DataFrame" in str(each.type) and "Mapping" not in str(each.type):
            setattr(made_of, each.name, _Table(each.name, set_copied))
    return made_of


def _read_only(value: Any) -> Any:
    """Read-only views of arrays, read-only copies of dicts, tuples in place of lists; anything else as it is."""
    if isinstance(value, np.ndarray):
        value = value.view()
        value.flags.writeable = False
        return value
    if type(value) in (list, tuple):
        return tuple(map(_read_only, value))
    if not isinstance(value, (dict, MappingProxyType)):
        return value
    return (ReadOnlyTables if any(map(_is_table, value.values())) else ReadOnlyDict)(value)


def _restored(start: int, mass: NDArray[np.float64]) -> Pmf:
    """A pickled distribution, not scaled again, so that it equals the one that was pickled."""
    return _made(start, mass)


def _made(start: int, mass: NDArray[np.float64]) -> Pmf:
    """A distribution from mass that is known to be right, neither checked nor scaled."""
    pmf = object.__new__(Pmf)
    mass.flags.writeable = False
    object.__setattr__(pmf, "_start", start)
    object.__setattr__(pmf, "_mass", mass)
    return pmf


def freeze_arrays(result: DataclassInstance) -> None:
    """Make arrays and dicts of a frozen dataclass read-only, for its `__post_init__`: the maker keeps their own."""
    for name, value in vars(result).items():
        if isinstance(value, (np.ndarray, dict, MappingProxyType)):
            object.__setattr__(result, name, _read_only(value))


def interval_levels(prob: float) -> list[float]:
    """Levels of the median, the low and the high end of the equal-tailed interval of a probability.

    >>> interval_levels(0.5)
    [0.5, 0.25, 0.75]
    """
    tail = (1 - prob) / 2
    return [0.5, tail, 1 - tail]


def median_and_interval(pmf: Pmf, prob: float) -> list[int]:
    """`Pmf.median` and `Pmf.interval` from one sum over the mass; prob is not checked.

    >>> median_and_interval(Pmf(1, [1, 1, 1, 1, 1, 1]), 0.5)
    [3, 2, 5]
    """
    return pmf._quantiles(*interval_levels(prob))


@dataclass(frozen=True, eq=False)
class Mass:
    """Rows of probabilities on whole numbers, all on one stretch that begins at `start`.

    Parameters
    ----------
    start : int
        Whole number of the first place of the last axis.
    mass : numpy.ndarray, shape (..., n)
        Probabilities of start, start + 1, ...; scaled by whoever makes it. Read-only.

    Examples
    --------
    >>> Mass(-1, np.array([[0.25, 0.75]])).on(0, 2).tolist()
    [[0.75, 0.0]]
    """

    start: int
    mass: NDArray[np.float64]

    def __post_init__(self) -> None:
        freeze_arrays(self)

    __iter__ = None  # rows are taken by index; unpacking it fails, also where there are two rows

    @property
    def size(self) -> int:
        """Places of the last axis."""
        return int(self.mass.shape[-1])

    @property
    def stop(self) -> int:
        """Whole number of the last place, included."""
        return self.start + self.size - 1

    def __getitem__(self, rows: Any) -> Mass:
        return Mass(self.start, self.mass[rows])

    def pmf(self) -> Pmf:
        """The distribution of a single row."""
        return Pmf(self.start, self.mass)

    def since(self, first: int) -> Mass:
        """The rows without the numbers below `first`, each scaled to a sum of 1; as it is where none has any there."""
        drop = first - self.start
        if drop <= 0 or not self.mass[..., :drop].any() or not self.mass[..., drop:].any(axis=-1).all():
            return self
        kept = self.mass[..., drop:]
        return Mass(first, kept / kept.sum(axis=-1, keepdims=True))

    def compact(self) -> Mass:
        """The same in single precision, without ends that hold next to nothing in every row: a third of its size."""
        most = self.mass.reshape(-1, self.size).max(axis=0)
        first, last = (int((np.cumsum(side) <= _NEXT_TO_NOTHING).sum()) % self.size for side in (most, most[::-1]))
        return Mass(self.start + first, self.mass[..., first : self.size - last].astype(np.float32))

    def sample(self, rows: NDArray[np.int64], rng: np.random.Generator) -> NDArray[np.int64]:
        """One draw of each given row of masses (n_row, n); all are halved at once, so no order of rows is slow."""
        sums = np.cumsum(self.mass, axis=1, dtype=np.float64)
        sums /= np.maximum(sums[:, -1:], 1e-300)
        width = 1 << self.size.bit_length()  # more than there are, so that the halves are even
        flat = np.pad(sums, [(0, 0), (0, width - self.size)], constant_values=2.0).ravel()
        first, uniform = rows * width - 1, rng.random(rows.size)
        last = first.copy()  # the last place whose sum is not above the uniform number
        while width := width // 2:
            last += width * (flat[last + width] <= uniform)
        return np.asarray(self.start + last - first)

    def on(self, start: int, size: int) -> NDArray[np.float64]:
        """The rows on another stretch, 0 where nothing is stored; what lies outside is left out, not scaled."""
        out = np.zeros((*self.mass.shape[:-1], max(0, size)), dtype=self.mass.dtype)
        low, high = max(start, self.start), min(start + size - 1, self.stop)
        if high >= low:
            out[..., low - start : high - start + 1] = self.mass[..., low - self.start : high - self.start + 1]
        return out

    @classmethod
    def stack(cls, rows: Sequence[Mass | Pmf]) -> Mass:
        """Rows side by side on the shortest stretch that holds them all."""
        start = min(row.start for row in rows)
        size = max(row.stop for row in rows) - start + 1
        return cls(start, np.stack([row.on(start, size) for row in rows]))
