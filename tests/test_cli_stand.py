"""The commands for the history of a stand, for crossdating and for learned parameters, on the demo tables."""

from pathlib import Path

import pandas as pd
import pytest
from field_cases import first_trees

from treeage.cli import main

DEMO = Path(__file__).parents[1] / "data" / "highpasture"


def test_stand_adds_tables_and_figures_to_the_report(tmp_path, capsys):
    """`treeage stand` leaves what `estimate` leaves and the stand's tables, figures and sentences."""
    out = tmp_path / "out"
    assert main(["stand", str(DEMO), "--out", str(out), "--draws", "4000"]) == 0
    names = {path.name for path in out.rglob("*")}
    assert {"ages.csv", "report.html", "stand_pulses.csv", "stand_recruitment.csv", "stand_events.csv"} <= names
    assert {"stand_recruitment.png", "stand_pulses.svg", "dates.png"} <= names
    page = (out / "report.html").read_text(encoding="utf-8")
    assert "Establishment by year" in page and "blur" not in page
    counted = pd.read_csv(out / "stand_age_structure.csv")
    assert len(counted) > 3
    said = " ".join(capsys.readouterr().out.split())
    assert "stand_pulses.csv" in said
    assert "The stand" in said and "pulses of establishment" in said and "Effective number of trees" in said
    methods = (out / "methods.md").read_text(encoding="utf-8")
    assert "mixtures fitted by sequential Monte Carlo" in methods and "the dead are missing" in methods


def test_check_with_crossdating_names_places_and_changes_nothing(tmp_path, capsys):
    """`treeage check --crossdating` lists suspect cores and says that a person decides."""
    folder = first_trees(DEMO, tmp_path / "field", "T16")
    assert main(["check", str(folder), "--crossdating"]) == 0
    said = capsys.readouterr().out
    assert "the surest first" in said and "a ring is absent near" in said
    assert "A person decides at the wood; nothing was changed." in said


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore")  # samplers warn about themselves
def test_learned_parameters_from_the_command_line(tmp_path):
    """`treeage estimate --learn` dates the demo trees with learned parameters and writes the same files."""
    out = tmp_path / "out"
    assert main(["estimate", str(DEMO), "--out", str(out), "--learn"]) == 0
    assert pd.read_csv(out / "ages.csv")["establishment_year_median"].notna().sum() == 48  # trees of the demo
    assert "parameters" in (out / "report.html").read_text(encoding="utf-8")
