"""Figures of two cores read against each other: artists, marks and axes."""

import numpy as np
import pytest
from matplotlib.figure import Figure

from treeage.alignment import align_cores
from treeage.plots import plot_in_line, plot_offset_path, plot_reliability
from treeage.validate import reliability


@pytest.fixture(scope="module")
def alignment():
    """Two made-up cores, one ring taken out of B."""
    rng = np.random.default_rng(3)
    shared = 0.35 * rng.standard_normal(120)
    one, two = (np.exp(shared + 0.12 * rng.standard_normal(120)) for _ in range(2))
    return align_cores(one, np.delete(two, 60))


def test_series_stand_side_by_side_with_the_event_marked(alignment):
    """Two lines, one mark and its words for the one ring that was taken out (known truth)."""
    ax = Figure().subplots()
    assert plot_in_line(alignment, ax=ax) is ax
    words = [text.get_text() for text in ax.texts]
    assert len(words) == 1 and words[0].startswith("absent, p ")
    long_lines = [line for line in ax.lines if len(line.get_xdata()) > 100]
    assert len(long_lines) == 2
    assert "bark" in ax.get_xlabel()
    assert [label.get_text() for label in ax.get_yticklabels()] == ["core A", "core B"]


def test_words_of_near_events_stand_apart():
    """Four lost rings within thirty, one at the inner end: no two words meet, none leaves the axes sideways."""
    rng = np.random.default_rng(5)
    shared = 0.5 * rng.standard_normal(120)
    one, two = (np.exp(shared + 0.05 * rng.standard_normal(120)) for _ in range(2))
    ax = plot_in_line(align_cores(one, np.delete(two, [8, 90, 98, 108])), ax=Figure(figsize=(6.4, 3)).subplots())
    ax.figure.draw_without_rendering()
    boxes = [text.get_window_extent() for text in ax.texts]
    assert len(boxes) == 4
    assert not any(one.overlaps(two) for at, one in enumerate(boxes) for two in boxes[:at])
    frame = ax.get_window_extent()
    assert all(frame.x0 <= box.x0 and box.x1 <= frame.x1 + 1 for box in boxes)


def test_path_steps_by_the_lost_ring(alignment):
    """The likeliest offset is 0 at the bark and one ring off at the inner end (known truth)."""
    ax = Figure().subplots()
    assert plot_offset_path(alignment, ax=ax) is ax
    shown = np.asarray(ax.images[0].get_array())
    offsets = alignment.path().columns.to_numpy()
    assert offsets[shown[:, 2].argmax()] == 0
    assert abs(offsets[shown[:, -3].argmax()]) == 1
    assert "[rings]" in ax.get_ylabel()


def test_series_without_events_carry_no_mark():
    """A series against itself has no event (property of the alignment)."""
    widths = np.exp(0.3 * np.random.default_rng(1).standard_normal(80))
    ax = plot_in_line(align_cores(widths, widths), ax=Figure().subplots())
    assert len(ax.texts) == 0


def test_reliability_figure_shows_every_bin():
    """One point and one count a bin, at the stated mean and the share that came true."""
    ax = Figure().subplots()
    table = reliability([0.1, 0.1, 0.9, 0.8], [False, True, True, True], bins=5)
    assert plot_reliability(table, ax=ax) is ax
    points = next(line for line in ax.lines if line.get_marker() == "o")
    assert np.allclose(points.get_xdata(), [0.1, 0.8, 0.9])  # 0.8 is the upper edge of its bin
    assert np.allclose(points.get_ydata(), [0.5, 1.0, 1.0])
    assert [text.get_text() for text in ax.texts] == ["2", "1", "1"]
