"""From path probabilities to events: which ring, which core, how likely, and the single best set of events.

Layer 2. Own derivation: places chosen so that as much probability as possible lies within three rings.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from treeage.alignment_engine import KINDS
from treeage.alignment_features import Array

if TYPE_CHECKING:
    import pandas as pd

NEAR_RINGS = 3  # choice: the window in which a person would look at the wood
_POINT_WEIGHT = 0.1  # choice: between equally good windows the likelier ring wins
EVENT_COLUMNS = ("kind", "ring_from_bark", "prob", "prob_near")


@dataclass(frozen=True)
class EventGrids:
    """Probability of every event by ring and offset.

    Parameters
    ----------
    grids : dict of str to numpy.ndarray, shape (rings, width)
        For each kind, by ring of the core that has one ring more there (outermost first) and by the
        offset j - i before the event.
    path : numpy.ndarray, shape (rings of A, width)
        Probability that ring i of A and ring i + offset of B are the same year.
    shift : int
        Half width of the band of offsets.
    """

    grids: dict[str, Array]
    path: Array
    shift: int

    def by_ring(self, kind: str) -> Array:
        """Probability of one kind at every ring.

        Parameters
        ----------
        kind : str
            One of the four kinds of event.

        Returns
        -------
        numpy.ndarray, shape (rings,)
            Probabilities, outermost ring first.
        """
        return np.asarray(np.minimum(self.grids[kind].sum(axis=1), 1.0))


def near_sums(probs: Array, reach: int = NEAR_RINGS) -> Array:
    """Sum of probabilities within some rings either side.

    Parameters
    ----------
    probs : numpy.ndarray, shape (n,)
        Probabilities by ring.
    reach : int, default 3
        Rings either side (3: the package's window for looking at the wood).

    Returns
    -------
    numpy.ndarray, shape (n,)
        Sums.

    Examples
    --------
    >>> near_sums(np.array([0.1, 0.2, 0.4]), 1).round(6).tolist()
    [0.3, 0.7, 0.6]
    """
    total = np.concatenate([[0.0], np.cumsum(probs)])
    ring = np.arange(probs.size)
    return np.asarray(total[np.minimum(ring + reach + 1, probs.size)] - total[np.maximum(ring - reach, 0)])


def event_table(grids: EventGrids, min_prob: float) -> pd.DataFrame:
    """List the events whose probability passes a floor.

    Parameters
    ----------
    grids : EventGrids
        Event probabilities.
    min_prob : float
        Smallest probability within three rings that is listed.

    Returns
    -------
    pandas.DataFrame
        Columns kind, ring_from_bark, prob, prob_near; likeliest first.
    """
    rows = []
    for kind in KINDS:
        probs = grids.by_ring(kind)
        near = np.minimum(near_sums(probs), 1.0)
        for ring in np.flatnonzero((near >= min_prob) & (probs >= min_prob / 10)):
            rows.append((kind, int(ring) + 1, float(probs[ring]), float(near[ring])))
    rows.sort(key=lambda row: (-row[3], -row[2], row[0], row[1]))
    return _frame(rows)


def _frame(rows: list[tuple[str, int, float, float]]) -> pd.DataFrame:
    import pandas as pd

    types = {"kind": "str", "ring_from_bark": "int64", "prob": "float64", "prob_near": "float64"}
    return pd.DataFrame(rows, columns=list(EVENT_COLUMNS)).astype(types)


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


def best_events(grids: EventGrids) -> pd.DataFrame:
    """Choose the single most probable set of events.

    Parameters
    ----------
    grids : EventGrids
        Event probabilities.

    Returns
    -------
    pandas.DataFrame
        Columns kind, ring_from_bark, prob, prob_near, from the bark inward; empty if no event is likelier than not.

    Notes
    -----
    The likeliest offset between the two series at every ring says how many events there are and in which
    direction. Each is then put where most of the probability of a change of offset in that direction lies
    within three rings, and gets the kind that holds most of it there.
    """
    offsets = _offset_path(grids.path, grids.shift)
    changes = [(ring, int(offsets[ring]), int(offsets[ring - 1])) for ring in range(1, offsets.size)]
    changes = [change for change in changes if change[1] != change[2]]
    places = [ring for ring, _, _ in changes]
    rows: list[tuple[str, int, float, float]] = []
    for index, (ring, now, before) in enumerate(changes):
        low = 0 if index == 0 else (places[index - 1] + ring) // 2
        high = offsets.size if index + 1 == len(changes) else (ring + places[index + 1]) // 2
        turn = 1 if now > before else -1
        for offset in range(before, now, turn):
            rows.append(_place_event(grids, offset, turn, low, high))
    return _frame(rows)


def _place_event(grids: EventGrids, offset: int, turn: int, low: int, high: int) -> tuple[str, int, float, float]:
    kinds = ("absent_in_a", "false_in_b") if turn > 0 else ("absent_in_b", "false_in_a")
    column = offset + grids.shift
    lead = offset if turn > 0 else 0  # the ring is one of B: shift the limits, which count rings of A
    size = grids.grids[kinds[0]].shape[0]
    first, last = min(max(0, low + lead), size - 1), max(1, min(size, high + lead + 1))
    here = [grids.grids[kind][:, column] for kind in kinds]
    window = near_sums(here[0] + here[1]) + _POINT_WEIGHT * (here[0] + here[1])
    ring = first + int(np.argmax(window[first : max(first + 1, last)]))
    near = [near_sums(probs)[ring] for probs in here]
    kind = kinds[int(np.argmax(near))]
    probs = grids.by_ring(kind)
    return kind, ring + 1, float(probs[ring]), float(min(near_sums(probs)[ring], 1.0))


def lines_up(grids: EventGrids, best: pd.DataFrame, signals_a: Array, signals_b: Array) -> pd.DataFrame:
    """Lay two series side by side as a set of events says.

    Parameters
    ----------
    grids : EventGrids
        Path probabilities.
    best : pandas.DataFrame
        Events as from `best_events`.
    signals_a, signals_b : numpy.ndarray
        Signals of the two cores, outermost first.

    Returns
    -------
    pandas.DataFrame
        Columns year_from_bark, ring_a, ring_b, kind, signal_a, signal_b, prob_in_line; a false ring is given by its
        outer band, its inner band has no row.
    """
    import pandas as pd

    steps = {"both": (1, 1), "absent_in_a": (0, 1), "absent_in_b": (1, 0), "false_in_a": (2, 1), "false_in_b": (1, 2)}
    due = {
        ("b" if kind in ("absent_in_a", "false_in_b") else "a", ring): kind
        for kind, ring in zip(best["kind"], best["ring_from_bark"], strict=True)
    }
    rows = []
    at_a = at_b = 0
    while at_a < signals_a.size and at_b < signals_b.size:
        kind = due.pop(("a", at_a + 1), None) or due.pop(("b", at_b + 1), None) or "both"
        step_a, step_b = steps[kind]
        column = at_b - at_a + grids.shift
        inside = kind == "both" and 0 <= column < grids.path.shape[1]
        rows.append(
            {
                "ring_a": at_a + 1 if step_a else None,
                "ring_b": at_b + 1 if step_b else None,
                "kind": kind,
                "signal_a": signals_a[at_a] if step_a else np.nan,
                "signal_b": signals_b[at_b] if step_b else np.nan,
                "prob_in_line": float(grids.path[at_a, column]) if inside else np.nan,
            }
        )
        at_a, at_b = at_a + step_a, at_b + step_b
    frame = pd.DataFrame(rows).astype({"ring_a": "Int64", "ring_b": "Int64"})
    frame.insert(0, "year_from_bark", np.arange(1, len(frame) + 1))
    return frame
