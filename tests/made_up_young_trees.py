"""Invented young trees in the columns that tests/fitting/fit_heights.py reads."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

NAMES = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
EFFECTS = {"conifer": 2.2, "broadleaf": 1.5, "conifer slope": 0.5, "broadleaf slope": 0.6, "planted": -0.4}
GENERA = (("Picea", "Pinaceae", "conifer"), ("Larix", "Pinaceae", "conifer"), ("Quercus", "Fagaceae", "broadleaf"))


def made_up_young_trees(effects=EFFECTS, seed=1):
    """Forty studies of three genera: half counted plant by plant, a third planted, a few under a canopy or as means."""
    rng, rows = np.random.default_rng(seed), []
    for number in range(40):
        genus, family, clade = GENERA[number % 3]
        condition = "planted" if number % 4 == 0 else "wild"
        design, unit = ("age", "size")[number % 2], "stand mean" if number % 5 == 0 else "plant"
        study = 0.3 * rng.normal()
        for stand in range(2):
            site, age = study + 0.2 * rng.normal(), rng.uniform(3, 20)
            for plant in range(1 if unit == "stand mean" else 6):
                own, light = 0.25 * rng.normal(), 10.0 if number == 7 else 40.0 if number == 9 else np.nan
                level = effects[clade] + site + own + (effects["planted"] if condition == "planted" else 0)
                level += 0.5 * np.isfinite(light)
                height = (
                    np.exp((np.log(age) - level) / effects[f"{clade} slope"])
                    if design == "age"
                    else rng.uniform(0.1, 4)
                )
                years = age if design == "age" else np.exp(level + effects[f"{clade} slope"] * np.log(height))
                rows.append(
                    {"study": f"{NAMES[number % 26]}lder{1950 + number}", "source_db": "BAAD",
                     "citation": f"Invented {number} (in no data)",
                     "genus": genus, "species": f"{genus} sp{number % 2}", "family": family, "clade": clade,
                     "habit": "tree", "unit": unit, "condition": condition, "origin": "seed",
                     "stand": f"s{number}-{stand}", "design": design, "age_years": round(years, 2),
                     "height_m": round(float(height), 3),
                     "light_pct": light, "plant_id": f"p{plant}"}
                )  # fmt: skip
    return pd.DataFrame(rows)


def write_young_trees(folder: Path) -> Path:
    """Write the table into a folder."""
    made_up_young_trees().to_csv(folder / "young_made_up.csv.gz", index=False)
    return folder
