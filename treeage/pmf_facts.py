"""What can be read off a mass function on whole numbers: moments, quantiles, intervals.

Layer 0. Definitions of discrete distributions; own derivation.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from treeage.errors import Fault, InputError, kind_of, require_level

_TINY = 1e-12  # choice: probability below which a quantile does not step on, so that rounding cannot move an interval


class MassFacts:
    """The reading side of `Pmf`.

    Examples
    --------
    >>> from treeage.pmf import Pmf
    >>> isinstance(Pmf.point(3), MassFacts)
    True
    """

    __slots__ = ("_mass", "_start")

    _start: int
    _mass: NDArray[np.float64]

    @property
    def start(self) -> int:
        """First whole number of the support.

        Returns
        -------
        int
            The lowest number that is stored.
        """
        return self._start

    @property
    def stop(self) -> int:
        """Last whole number of the support.

        Returns
        -------
        int
            The highest number that is stored (included).
        """
        return self._start + self._mass.size - 1

    @property
    def support(self) -> NDArray[np.int64]:
        """Whole numbers that carry the mass.

        Returns
        -------
        numpy.ndarray of int, shape (n,)
            start, start + 1, ..., stop.
        """
        return np.arange(self._start, self._start + self._mass.size)

    @property
    def mass(self) -> NDArray[np.float64]:
        """Probabilities, read-only.

        Returns
        -------
        numpy.ndarray, shape (n,)
            One for each number of the support; they sum to 1.
        """
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
        >>> from treeage.pmf import Pmf
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
        low, high = self._quantiles((1 - prob) / 2, 1 - (1 - prob) / 2)
        return low, high

    def _quantiles(self, *probs: float) -> list[int]:
        steps = np.searchsorted(np.cumsum(self._mass), np.array(probs) - _TINY)
        return [self._start + int(step) for step in np.minimum(steps, self._mass.size - 1)]
