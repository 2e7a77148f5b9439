"""What every result offers: a figure, a sentence, a table, and the three together in a notebook.

The one edge upwards of the package is here: a result that is asked for its figure has `treeage.plots` loaded, whose
functions have entered themselves under the name of the result they draw.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from html import escape
from importlib import import_module
from typing import TYPE_CHECKING, Any, ClassVar, TypeVar

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

    Figure = TypeVar("Figure", bound=Callable[..., Axes])

VERSION = "0.1.0"  # as in pyproject.toml; a test compares them
FIGURES: dict[str, Callable[..., Any]] = {}  # by name of the class of the result; filled when `treeage.plots` loads


def draws(result: str) -> Callable[[Figure], Figure]:
    """Enter a function as the figure of the results of a class, given by name."""

    def enter(figure: Figure) -> Figure:
        FIGURES[result] = figure
        return figure

    return enter


def counted(number: int, noun: str) -> str:
    """A number with its noun: 1 tree, 2 trees."""
    return f"{number} {noun}{'' if number == 1 else 's'}"


def year_text(year: int) -> str:
    """An astronomical year for people: the BCE year for 0 and below.

    >>> year_text(1892), year_text(0), year_text(-274)
    ('1892', '1 BCE', '275 BCE')
    """
    return str(year) if year > 0 else f"{1 - year} BCE"


class Result:
    """Base of every result: `.plot()`, `.sentence()`, `.to_frame()`, and how a notebook shows it.

    Examples
    --------
    >>> Result().sentence().startswith("<treeage.display.Result")
    True
    """

    __slots__ = ()

    _digits: ClassVar[int] = 1  # decimals shown in a notebook; frames stay unrounded
    _rows: ClassVar[int] = 12  # rows shown before the middle is left out
    _caveats: ClassVar[tuple[str, ...]] = ()  # assumptions, folded away in a notebook

    def __init_subclass__(cls) -> None:
        """Let a result say itself in a terminal too, before a dataclass would print its arrays."""
        if cls.__repr__ in (object.__repr__, Result.__repr__):
            cls.__repr__ = Result.__repr__  # type: ignore[method-assign]

    def __repr__(self) -> str:
        own = type(self).sentence is not Result.sentence
        return f"{type(self).__name__}: {self.sentence()}" if own else super().__repr__()

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw the result: the figure of `treeage.plots` that is made for it.

        Parameters
        ----------
        ax : matplotlib.axes.Axes, optional
            Where to draw; a new figure by default.

        Returns
        -------
        matplotlib.axes.Axes
            The axes drawn on.

        Raises
        ------
        TypeError
            If `ax` is something else than axes.
        """
        if ax is not None and not hasattr(ax, "spines"):
            do = "Leave it out for a new figure."
            raise TypeError(f"plot, ax: got a {type(ax).__name__}, need axes of matplotlib. {do}")
        import_module(f"{__package__}.plots")
        figure = next(FIGURES[each.__name__] for each in type(self).__mro__ if each.__name__ in FIGURES)
        axes: Axes = figure(self, ax=ax)
        return axes

    def sentence(self) -> str:
        """Say the result in plain words that can be defended.

        Returns
        -------
        str
            One sentence, or a few where a result has several parts.
        """
        return repr(self)

    def to_frame(self) -> pd.DataFrame:
        """The result as a tidy table, unrounded.

        Returns
        -------
        pandas.DataFrame
            Columns named as in the result, with units.
        """
        raise NotImplementedError(f"{type(self).__name__} has no table")

    def _repr_html_(self) -> str:
        return html_block(
            self.to_frame(), sentence=self.sentence(), notes=self._caveats, rows=self._rows, digits=self._digits
        )


ADD_UP = (
    "Each line is a distribution of its own: medians need not add up, because the median of a sum is not the sum of "
    "the medians; means do."
)


def is_binomial(name: str) -> bool:
    """Whether a text begins with the name of a species, which print sets in italics.

    >>> is_binomial("Larix decidua (19)"), is_binomial("Larix"), is_binomial("All trees")
    (True, False, False)
    """
    found = re.match(r"[A-Z][a-z]+ (x )?[a-z]{3,}(-[a-z]+)?(?= |$|\(|,)", name)
    return found is not None and found[0].split()[-1] not in ("trees", "not", "given")


def in_one_cell(frame: pd.DataFrame, *, digits: int = 1) -> pd.DataFrame:
    """A table for people: median and interval of a quantity in one cell, words without underscores.

    >>> import pandas as pd
    >>> in_one_cell(pd.DataFrame({"age_median": [70], "age_lo": [62], "age_hi": [81]})).to_dict("list")
    {'age': ['70 (62 to 81)']}
    """
    import pandas as pd

    def text(value: Any) -> str:
        if isinstance(value, str) or value is None or pd.isna(value):
            return value if isinstance(value, str) else ""
        return f"{round(float(value), digits):g}" if isinstance(value, float) else str(value)

    cells: dict[str, list[str]] = {}
    for name in map(str, frame.columns):
        stem, _, end = name.rpartition("_")
        ends = [f"{stem}_{part}" for part in ("median", "lo", "hi")]
        if not set(ends) <= set(frame.columns):
            cells[name.replace("_", " ")] = [text(value) for value in frame[name]]
        elif end == "median":
            rows = zip(*([text(value) for value in frame[each]] for each in ends), strict=True)
            cells[stem.replace("_", " ")] = [f"{one} ({low} to {high})" if one else "" for one, low, high in rows]
    return pd.DataFrame(cells)


def table_html(cells: pd.DataFrame, *, rows: int = 20) -> str:
    """HTML of a table made by `in_one_cell`; an interval is never broken over two lines."""
    made = cells.to_html(index=False, max_rows=rows, border=0)
    return re.sub(r"(?<=\d) (?=\(|to )|(?<=to) (?=-?\d)", "&nbsp;", made)


def html_block(
    frame: pd.DataFrame, *, sentence: str, notes: Sequence[str] = (), rows: int = 12, digits: int = 1
) -> str:
    """HTML of a sentence, a table rounded for the eye, and notes that fold away."""
    table = table_html(in_one_cell(frame, digits=digits), rows=rows) if len(frame) else ""
    items = "".join(f"<li>{escape(note)}</li>" for note in notes)
    folded = f"<details><summary>Assumptions</summary><ul>{items}</ul></details>" if items else ""
    return f"<p>{escape(sentence)}</p>{table}{folded}"
