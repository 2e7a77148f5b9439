"""One measured width series as read from a file.

Layer 1, part of the family of `formats`. Own derivation.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class RingSeries:
    """Widths of one core by year.

    Parameters
    ----------
    name : str
        Name of the series in the file.
    first_year : int
        Year of the innermost ring; astronomical, so 0 is 1 BCE.
    widths_mm : numpy.ndarray, shape (n,)
        Widths [mm], innermost first; 0 for a dated ring without width, NaN for a ring that was not measured.
    tree, core : str
        Tree and core if the format names them, otherwise empty.
    line : int
        Line of the file on which the series starts.
    dated : bool, default True
        Whether the years are calendar years (the XML standard also holds relative ones).

    Examples
    --------
    >>> RingSeries("ABC01A", 1999, np.array([0.8, 0.0])).last_year
    2000
    """

    name: str
    first_year: int
    widths_mm: NDArray[np.float64]
    tree: str = ""
    core: str = ""
    line: int = 0
    dated: bool = True

    @property
    def last_year(self) -> int:
        """Year of the outermost ring.

        Returns
        -------
        int
            Astronomical year.
        """
        return self.first_year + int(self.widths_mm.size) - 1

    @property
    def years(self) -> NDArray[np.int64]:
        """Year of every ring.

        Returns
        -------
        numpy.ndarray of int, shape (n,)
            Astronomical years, innermost first.
        """
        return np.arange(self.first_year, self.last_year + 1)
