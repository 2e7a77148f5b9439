"""The methods text states what was done and nothing else, on small fields that leave steps out."""

import pandas as pd
import pytest

from treeage.checks import with_checks
from treeage.estimate import estimate_ages
from treeage.height.sources import NO_SOURCE
from treeage.report.texts import methods_text
from treeage.tables import Field, Settings

CORE = {"core": "a", "outer_year": 2024, "rings_counted": 90, "dating": "crossdated", "core_height_m": 1.0}
ARC = {"inner_end": "arcs", "chord_mm": 8.0, "rise_mm": 0.6}
MEAN = {"model": "mean_sd", "height_m": 1.0, "mean_years": 8, "sd_years": 3}


def treeage_field(cores, height=None, rings=None, **settings):
    """A field of trees named A, B, ... with one core each, or as the rows say."""
    rows = [{"tree": "ABCDEF"[at]} | CORE | core for at, core in enumerate(cores)]
    names = list(dict.fromkeys(row["tree"] for row in rows))
    trees = pd.DataFrame({"tree": names, "species": [f"Larix {name}" for name in names]})
    return Field.from_frames(trees, pd.DataFrame(rows), rings, settings=Settings(height=height or {}, **settings))


def methods(*cores_and_more, **settings):
    """Methods text of such a field."""
    return methods_text(estimate_ages(treeage_field(*cores_and_more, **settings)), version="1")


def test_no_height_model_is_a_choice():
    """Only `model = "none"` adds nothing; a species of which nothing is said takes open data, and the text says so."""
    pith = {"inner_end": "pith"}
    text = methods([pith, pith, pith], {"Larix A": {"model": "none"}, "Larix C": MEAN})
    assert "added for Larix A (chosen in field.toml)." in text
    assert "came from these models: Larix B: open data on young trees (genus Larix; many studies)" in text
    assert f"Larix C: mean 8, sd 3 years at 1 m ({NO_SOURCE})." in text
    assert "For Larix B (many studies of the genus: 46) they rest on a linear mixed model" in text
    assert "explicit choice" not in text


def test_species_with_one_source_cite_it_once():
    """Three species on open data: the databases stand once among the models and once among the sources."""
    text = methods([{"inner_end": "pith"}] * 3)
    assert text.count("Larix A: open data") == text.count("Larix C: open data") == 2
    assert text.count("Scientific Data 4: 170070") == 2
    assert "(known: fitted; used for 3 trees)." in text


def test_a_tree_cored_at_two_heights_is_said_to_have_told_the_height_model():
    """Its evidence moves the years of every tree of the figure: a reader of the methods must know."""
    pith = {"inner_end": "pith"}
    two = [pith, {"tree": "A", "core": "b", "core_height_m": 0.3, "rings_counted": 99} | pith]
    assert "1 tree cored at two heights told how fast young trees here grew" in methods(two, {"default": MEAN})
    assert "two heights" not in methods([pith], {"default": MEAN})


def test_a_core_at_the_root_collar_needs_no_height_model():
    """Nothing is added by definition: no model is named, and no date is said to refer to a coring height."""
    text = methods([{"inner_end": "pith", "core_height_m": 0.0}])
    assert "came from these models" not in text
    assert "refer to the coring height" not in text


@pytest.mark.parametrize(
    "model", [MEAN, {"model": "quantiles", "height_m": 1.0, "probs": [0.1, 0.9], "years": [4, 14]}]
)
def test_the_source_of_own_figures_is_carried_into_the_text(model):
    """The text `source` of field.toml stands with the model; without one it is said that there is none."""
    text = methods([{"inner_end": "pith"}], {"default": model | {"source": "twelve discs of this valley <2019>."}})
    assert "(twelve discs of this valley &lt;2019&gt;)." in text
    assert NO_SOURCE not in text
    assert NO_SOURCE == "stated by the user, no source given"
    assert f"({NO_SOURCE})" in methods([{"inner_end": "pith"}], {"default": model})


def test_widths_are_those_that_were_used():
    """Ring table, inner width, core length and diameter are told apart and counted by core."""
    inner = ARC | {"inner_width_mm": 1.1, "inner_width_rings": 10}
    length = ARC | {"core_length_mm": 150.0}
    rings = pd.DataFrame({"tree": "A", "core": "a", "ring": range(1, 91), "width_mm": 1.2})
    text = methods([ARC, inner, length], rings=rings)
    assert (
        "core by core, from the widths of the visible inner rings (1), the mean width of the inner rings written down "
        "for the core (1) and the core length over the number of rings (1), through a log-linear model"
    ) in text
    alone = methods([length])
    assert "from the core length over the number of rings (1), through" in alone
    assert "visible inner rings" not in alone
    assert "missed rings" not in methods([{"inner_end": "pith"}])  # the pith on every core: nothing was missed


def test_nothing_is_claimed_of_trees_that_were_not_dated():
    """Minimum ages only: no model, no combination, no interval."""
    text = methods([{"inner_end": "rot", "dating": "field_count"}])
    assert "No core tells how many rings were missed before the pith: no model was used, and no tree was dated." in text
    assert "No tree could be dated, 1 as a minimum only." in text
    assert "1 core from 1 tree was read" in text
    for words in ("follows from", "combined", "equal-tailed", "error of the ring count", "Years to coring height"):
        assert words not in text
    assert "None recorded." in text


def test_count_errors_and_combined_cores_are_those_there_were():
    """Each sentence stands only where its step was taken."""
    pith, counted = {"inner_end": "pith"}, {"inner_end": "pith", "dating": "lab_count"}
    assert "was 0, as all cores were crossdated, but for the share stated below." in methods([pith])
    assert "1.5 % may have the error of a laboratory count" in methods([pith])
    assert "crossdated, but for" not in methods([pith], doubt={"misdated": 0.0})
    assert "ring count was a skewed" in methods([counted])
    both = methods([pith, counted])
    assert "was 0 for crossdated cores (but for the share stated below) and a skewed" in both
    assert "were combined" not in both
    assert "were combined" in methods([pith, counted | {"tree": "A", "core": "b"}])


def test_doubts_are_those_of_cores_there_are():
    """No pith, no crossdated core, no tree of two cores: nothing is said of how often such entries are wrong."""
    text = methods([ARC | {"dating": "lab_count"}])
    assert not any(words in text for words in ("at its word", "may lie beside", "may be of another tree"))
    assert "of the piths 10 % may lie beside the core, of the cores called crossdated 1.5 %" in methods(
        [{"inner_end": "pith"}]
    )


def test_checks_that_could_not_be_made_are_not_called_made():
    """One tree: nothing is held against replicates, and the text does not say so."""
    field = treeage_field([{"inner_end": "pith"}])
    text = methods_text(with_checks(estimate_ages(field)), version="1")
    assert "The fitted model could not be checked: too few cases." in text
    assert "were held against replicates" not in text


def test_one_tree_of_one_core_is_spoken_of_as_one():
    """No plural, no range of one number, nothing shared between cores or trees; two trees have both."""
    text = methods([{"inner_end": "pith"}], {"default": MEAN})
    assert (
        "The tree was cored 1.00 m" in text
        and "The core was crossdated (1). Its inner end showed the pith (1)." in text
    )
    assert "1 tree could be dated. Its establishment year has the median 1927 and a standard deviation of" in text
    for words in ("Trees were", "cores were crossdated (", "run from", "joint draws", "learned from them", "range"):
        assert words not in text
    text = methods([{"inner_end": "pith"}] * 2, {"default": MEAN})
    for words in ("Trees were cored", "run from 1927 to 1927", "joint draws", "learned from them"):
        assert words in text


def test_sources_can_be_cited_and_counts_have_a_noun():
    """No path of the repository, no pointer to other tables, one core is one core."""
    two = ARC | {"distance_mm": 12.0, "distance_sd_mm": 3.0, "inner_width_mm": 1.1, "inner_width_rings": 10}
    text = methods([two], {"default": MEAN})
    for words in ("see defaults", "see README", "tests/", ".py", " times", "1 cores", "SD 0.00"):
        assert words not in text
    assert "from the chord and rise of an inner arc and a distance read with its standard deviation (1)." in text
    assert "arc and distance read. chord and rise of the innermost arc" in text
    assert "the distance column of cores.csv (known: derived, user; used for 1 core)." in text
    assert "(known: user; used for 1 tree)." in text
    assert "cored 1.00 m above the root collar." in text
    assert "cored 0.50 to 1.00 m above the root collar (mean 0.75 m, SD 0.25 m)." in methods(
        [two, two | {"core_height_m": 0.5}]
    )  # hand sum
