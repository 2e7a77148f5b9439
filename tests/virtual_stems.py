"""Virtual stems with known diameters: an off-centre pith that wanders, local growth, thickening bark, straight cores.

Nothing of `treeage` is used but the record that the growth functions take.
"""

from dataclasses import dataclass

import numpy as np

from treeage.growth import CoreWidths

LAST = 2020


@dataclass
class Stem:
    """True inside-bark radius by year [mm], first year, single bark of today [mm], and the rings' centres (n, 2)."""

    first: int
    radius: np.ndarray
    bark: float
    power: float
    centre: np.ndarray
    seed: int

    def inside_cm(self, year):
        """Diameter inside the bark at the end of a year."""
        return 0.2 * self.radius[year - self.first]

    def outside_cm(self, year):
        """Diameter outside the bark."""
        return self.inside_cm(year) + 0.2 * self.bark * (self.radius[year - self.first] / self.radius[-1]) ** self.power


def smooth(rng, years, sd, spans=(60, 110, 200)):
    """A slow random course: waves of some spans [years]."""
    time = np.arange(years)
    waves = [rng.normal(0, 1) * np.sin(2 * np.pi * time / s + rng.uniform(0, 6.3)) for s in spans]
    return sd * np.sum(waves, axis=0) * np.sqrt(2 / len(spans))


def draw_stem(rng, years=180):
    """A stem of about 150 mm radius; the pith lies off its centre by about a tenth of the radius, and wanders."""
    widths = rng.uniform(0.6, 1.2) * np.exp(smooth(rng, years, 0.35) + 0.2 * rng.standard_normal(years))
    radius = np.cumsum(widths)
    share = 0.08 * rng.standard_normal(2)[:, None] + np.stack([smooth(rng, years, 0.025, (150, 300)) for _ in range(2)])
    bark = radius[-1] * rng.uniform(0.05, 0.12)
    power = rng.uniform(0.55, 0.95)
    return Stem(LAST - years + 1, radius, bark, power, (share * radius).T, int(rng.integers(2**31)))


def core(stem, rng, azimuth_deg, *, start=None, miss_mm=None, along=False):
    """A straight core: widths, with the distance to the pith read to 15 %; it starts where cut or nearest the pith.

    start: year of its first ring at the earliest; miss_mm: how far beside the pith it is aimed.
    """
    years = stem.radius.size
    angle = np.deg2rad(azimuth_deg)
    inward = -np.array([np.cos(angle), np.sin(angle)])
    side = np.array([-inward[1], inward[0]])
    miss = rng.normal(0, 5) if miss_mm is None else miss_mm
    # boundaries of the rings (circles about their centres) on the line; pith at the origin, places along the inward way
    away = stem.centre @ side - miss
    chord = np.sqrt(np.maximum(stem.radius**2 - away**2, 0.0))
    place = np.where(np.abs(away) < stem.radius, stem.centre @ inward - chord, np.nan)  # negative: before the pith
    position = -place
    radial = np.hypot(position, miss)
    first = int(np.flatnonzero(np.isfinite(position) & (position > 0))[0])
    if start is not None:
        first = max(first, start - stem.first)
    # so that opposite cores differ as pairs of real cores do (variogram of the log ratio and spread of the shares of
    # the radius; `fit` split of tests/fitting/fit_sections.py), those at a right angle by a little less
    local = (
        0.12 * rng.standard_normal(years)
        + smooth(rng, years, 0.13)
        + 0.18 * np.repeat(rng.standard_normal(years // 4 + 1), 4)[:years]
    )
    ends = position[first:] if along else radial[first:]
    widths = np.maximum(np.diff(ends), 0.0) * np.exp(local[first + 1 :])
    distance = radial[first]
    read = np.maximum(distance * np.exp(rng.normal(0, 0.15)), 0.5) * np.exp(rng.normal(0, 0.15, 400))
    return CoreWidths(
        np.arange(stem.first + first + 1, LAST + 1),
        widths,
        pith_distance_mm=read,
        miss_mm=np.minimum(abs(miss) * read / distance, read) if along else 0.0,
        azimuth_deg=float(azimuth_deg),
    )
