"""Writes the invented field folders of golden.py, which between them reach the branches of the pipeline.

They do not depend on the code under test: the standard library writes them (pandas the Parquet files).
"""

import shutil
from pathlib import Path

from golden_faults import (
    faults_cells,
    faults_files,
    faults_rings,
    faults_settings,
    faults_text,
    faults_toml,
    noted,
    noted_rings,
    unit_slips,
)
from golden_fields import lost_inner, lost_outer, marks, no_heights, one_core, pairs, south, tilt_shrinkage, two_heights
from golden_more_fields import bounds, crossdating, height_words, minimum_all, old_years, parquet, ring_files, single
from golden_pieces import write_table

DEMO = Path(__file__).parents[2] / "data" / "highpasture"

CASES = {
    name: make
    for make in (
        two_heights,
        tilt_shrinkage,
        lost_outer,
        south,
        no_heights,
        one_core,
        marks,
        lost_inner,
        pairs,
        bounds,
        minimum_all,
        single,
        old_years,
        height_words,
        crossdating,
        parquet,
        ring_files,
        noted,
        faults_cells,
        faults_rings,
        noted_rings,
        faults_files,
        faults_text,
        faults_settings,
        faults_toml,
        unit_slips,
    )
    for name in (make.__name__,)
}


def write_case(name, folder):
    """Write one field folder; `highpasture` is the demo as it stands in the data folder."""
    if name == "highpasture":
        shutil.copytree(DEMO, folder)
        return
    folder.mkdir(parents=True)
    tables, toml, files = CASES[name]()
    for table, rows in tables.items():
        if rows:
            write_table(folder / f"{table}.csv", rows)
    if toml is not None:
        (folder / "field.toml").write_text(toml, encoding="utf-8")
    for file, text in files.items():
        if file:
            (folder / file).write_text(text, encoding="utf-8")
    if files.get("") == "parquet":
        import pandas as pd

        for path in sorted(folder.glob("*.csv")):
            pd.read_csv(path).to_parquet(path.with_suffix(".parquet"), index=False)
            path.unlink()
