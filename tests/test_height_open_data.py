"""Years to a height from open data on young trees: the prior, own young trees, origins, evidence."""

import sys

import numpy as np
import pandas as pd
import pytest
from made_up_young_trees import made_up_young_trees, write_young_trees
from scipy import stats

from treeage import plots
from treeage.errors import InputError, ModelError
from treeage.estimate import estimate_ages, height_models, height_plan
from treeage.estimate.shared import shared_figures
from treeage.height import (
    from_open_data,
    height_model,
    moved_heights,
    years_from_open_data,
    years_to_height,
    young_tree_evidence,
)
from treeage.height.model import SHARED_NODES, TIED_NODES
from treeage.report.texts import bibliography, methods_text
from treeage.schema import ERA_LOG_SD, TreeOrigin
from treeage.tables import Field, Settings

od = sys.modules["treeage.height.open_data"]
OAK = "Quercus robur"


def spread(years):
    """Standard deviation of the log passing time, mid-season."""
    at = np.log(years.start + np.arange(years.mass.size) + 0.5)
    return float(np.sqrt(years.mass @ (at - years.mass @ at) ** 2))


# ------------------------------------------------------------------ the prior


@pytest.mark.parametrize(
    ("species", "condition", "height_m", "published"),
    [  # statements on years to a height, each with its source and how it is known
        ("Picea abies", "advance", 1.3, 60.0),  # Eerikainen, Valkonen & Saksa 2014, For. Ecosyst. 1: 5, abstract
        ("Picea abies", "seed", 1.3, 18.0),  # Hokka & Makela 2015, Silva Fenn. 48(5) 1192, abstract
        ("Picea abies", "advance", 1.3, 58.0),  # Lundqvist & Nilson 2007, Scand. J. For. Res. 22: 304, abstract
        ("Picea mariana", "seed", 1.0, 22.0),  # Laamrani et al. 2016, Forests 7: 69, abstract
        (
            "Picea mariana",
            "seed",
            1.3,
            18.0,
        ),  # Vasiliauskas & Chen 2002, Can. J. For. Res. 32: 1889, abstract, from fire
        ("Pinus banksiana", "seed", 1.3, 8.0),  # the same
        ("Betula papyrifera", "seed", 1.3, 6.5),  # the same
        ("Populus tremuloides", "sprout", 1.3, 6.5),  # the same
        ("Pinus ponderosa", "seed", 0.3, 15.0),  # Lesser & Jackson 2012, Ecology 93: 1071, read: 5 years for each 10 cm
        ("Pinus sylvestris", "seed", 1.0, 5.0),  # a forest company's page: 1 m in five years, citing text
        ("Pinus taeda", "planted", 1.37, 3.0),  # Kung 1986, data read
    ],
)
def test_published_statements_lie_inside(species, condition, height_m, published):
    """Inside the 90 % interval; that none may be dropped is seen to where the fit is scored."""
    low, high = years_from_open_data(species, height_m, origin=condition).interval(0.9)
    assert low <= np.ceil(published) - 1 <= high


def test_names_fall_back_ever_wider():
    """Species, genus, family, group, any tree: the sd of the level grows; the words say which it was."""
    names = ["Pinus sylvestris", "Pinus nonesuch", "Cedrus libani", "Juniperus communis", "Nonesuch alba"]
    priors = [od.open_data().prior(name, "wild") for name in names]
    assert [prior.rank for prior in priors] == ["species", "genus", "family", "family", "any"]
    assert np.all(np.diff([priors[k].level_sd for k in (0, 1, 2, 4)]) > 0)
    assert od.open_data().prior("pinus SYLVESTRIS L.", "wild").rank == "species"
    assert years_from_open_data("Pinus", 1.0) == years_from_open_data("Pinus nonesuch", 1.0)


def test_prior_of_the_call_is_the_lognormal_of_the_fit():
    """Without own trees: SciPy's lognormal with mean and sd of the fit, and the era on top."""
    level, sd = od.open_data().prior(OAK, "wild").at(1.0)
    years = years_from_open_data(OAK, 1.0)
    truth = stats.lognorm(np.hypot(sd, ERA_LOG_SD), scale=np.exp(level))  # SciPy
    for prob in (0.1, 0.5, 0.9):
        assert years.quantile(prob) == pytest.approx(np.ceil(truth.ppf(prob)) - 1, abs=max(1, 0.06 * truth.ppf(prob)))


def test_the_mass_is_smooth_for_one_height_and_for_two():
    """No year is left out and the mass rises to one top and falls; the cells of two heights leave none out either."""
    for origin in ("seed", "unknown"):
        years = years_from_open_data("Picea abies", 1.3, origin=origin)
        inside = years.mass[: years.quantile(0.98) - years.start]
        top = int(inside.argmax())
        assert inside.min() > 0
        falls = np.concatenate([-np.diff(inside[: top + 1]), np.diff(inside[top:])])
        assert falls.max() < 0.04 * inside.max()
    model = height_model({"model": "quantiles", "height_m": 1.0, "probs": [0.05, 0.5, 0.95], "years": [5, 15, 45]})
    cells = model.passing_years(1.0)
    assert cells.shape == (SHARED_NODES, TIED_NODES)
    counts = np.bincount(cells.ravel())
    assert np.all(counts[cells.min() : int(np.quantile(cells, 0.995))] > 0)


def test_origins():
    """Under a canopy slower and wider, planted faster, sprouts fastest; unknown between seed and advance at the top."""
    by = {origin: years_from_open_data(OAK, 1.0, origin=origin) for origin in TreeOrigin}
    assert by["sprout"].median() < by["planted"].median() < by["seed"].median() < by["advance"].median()
    assert spread(by["advance"]) > spread(by["seed"]) > spread(by["planted"])
    assert by["seed"].quantile(0.95) < by["unknown"].quantile(0.95) < by["advance"].quantile(0.95)
    model = from_open_data("Picea abies")
    light = [model.of_tree("advance", light).years(1.3).median() for light in ("open", "partial", "deep")]
    assert light == sorted(light) and len(set(light)) == 3
    assert model.of_tree("unknown", "", "suppressed").years(1.3).mean() > model.of_tree("").years(1.3).mean()
    own = from_open_data("Picea abies", own_age_years=[6, 9, 12, 7, 14], own_height_m=[0.8, 1.0, 1.3, 0.9, 1.2])
    stated, unstated, mixed = (own.of_tree(origin).years(1.0) for origin in ("seed", "", "unknown"))
    assert unstated == stated and spread(mixed) > spread(stated)  # as the own young trees came
    assert from_open_data("Picea abies").of_tree("").years(1.0) == from_open_data("Picea abies").of_tree(
        "unknown"
    ).years(1.0)
    with pytest.raises(ModelError, match="origin: got cutting, need seed, sprout, planted, advance or unknown"):
        years_from_open_data(OAK, 1.0, origin="cutting")


def test_wrong_heights_and_own_trees_are_refused():
    """One height up to 5 m; ages and heights in pairs."""
    for wrong in (0.0, 5.5, [1.0, 2.0]):
        with pytest.raises(InputError, match="height_m"):
            years_from_open_data(OAK, wrong)
    with pytest.raises(InputError, match="need two rows of one length"):
        years_from_open_data(OAK, 1.0, own_age_years=[3, 4], own_height_m=[0.3])
    with pytest.raises(ModelError, match="sampling: got random, need passing, age, height or standing"):
        years_from_open_data(OAK, 1.0, sampling="random")


# ------------------------------------------------------------------ own young trees


def test_own_young_trees_are_pooled_exactly():
    """Level, slope and spread against brute force: the posterior on a grid of all three."""
    prior = od.open_data().prior(OAK, "wild")
    ages, heights = np.array([6.0, 9.0, 16.0]), np.array([0.5, 1.0, 1.4])
    states = od._states(prior, np.log(ages), np.log(heights), "passing", 0.0)
    level = prior.level + prior.level_sd * np.linspace(-4, 4, 161)
    slope = prior.slope + prior.slope_sd * np.linspace(-4, 4, 81)
    log_sd = prior.plant[0] + prior.plant[1] * np.linspace(-4, 4, 41)
    mesh = np.meshgrid(level, slope, log_sd, indexing="ij")
    weight = stats.norm.logpdf(mesh[0], prior.level, prior.level_sd) + stats.norm.logpdf(
        mesh[1], prior.slope, prior.slope_sd
    )
    weight += stats.norm.logpdf(mesh[2], *prior.plant)
    for age, height in zip(np.log(ages), np.log(heights), strict=True):
        weight += stats.norm.logpdf(age, mesh[0] + mesh[1] * height, np.exp(mesh[2]))  # SciPy
    weight = np.exp(weight - weight.max())
    weight /= weight.sum()
    for found, values in ((states.level, mesh[0]), (states.slope, mesh[1]), (np.log(states.spread), mesh[2])):
        mean = float((weight * values).sum())
        sd = float(np.sqrt((weight * (values - mean) ** 2).sum()))
        assert found.mean() == pytest.approx(mean, abs=0.06 * sd)
        assert found.std() == pytest.approx(sd, rel=0.12)


def test_own_trees_narrow_the_prior_and_hold_the_truth():
    """Three seedlings of made-up stands: the sd falls by more than a third, and 90 % intervals hold new plants.

    Negative control: without the spread between plants they do not.
    """
    rng = np.random.default_rng(5)
    prior, inside, bare, narrower = od.open_data().prior(OAK, "wild"), [], [], []
    for _ in range(150):
        level, slope = prior.level + prior.level_sd * rng.normal(), prior.slope + prior.slope_sd * rng.normal()
        heights = rng.uniform(0.4, 1.6, 4)
        times = np.exp(level + slope * np.log(heights) + np.exp(prior.plant[0]) * rng.normal(size=4))
        states = od._states(prior, np.log(times[:3]), np.log(heights[:3]), "passing", 0.0)
        at = states.level + states.slope * np.log(heights[3])
        draws = at[:, None] + states.spread[:, None] * stats.norm.ppf((np.arange(60) + 0.5) / 60)
        inside.append(np.quantile(draws, 0.05) < np.log(times[3]) < np.quantile(draws, 0.95))
        bare.append(np.quantile(at, 0.05) < np.log(times[3]) < np.quantile(at, 0.95))
        narrower.append(draws.std() / prior.at(heights[3])[1])
    assert np.mean(inside) == pytest.approx(0.9, abs=0.07)  # three standard errors
    assert np.mean(bare) < 0.8
    assert np.mean(narrower) < 0.65


@pytest.mark.slow
def test_more_seedlings_never_widen_the_interval():
    """Made-up stands with 0 to 10 seedlings and no named model: the mean log width of the 90 % interval only falls.

    Negative control: the own fit alone, which five young trees used to switch to, is wider than four pooled ones.
    """
    rng, prior, numbers = np.random.default_rng(8), od.open_data().prior(OAK, "wild"), (0, 1, 2, 3, 4, 5, 6, 10)
    widths = {number: [] for number in (*numbers, "own fit of 5")}
    for _ in range(60):
        level, slope = prior.level + prior.level_sd * rng.normal(), prior.slope + prior.slope_sd * rng.normal()
        heights, own = rng.uniform(0.4, 1.6, 10), np.exp(prior.plant[0] + prior.plant[1] * rng.normal())
        times = np.exp(level + slope * np.log(heights) + own * rng.normal(size=10))
        young = pd.DataFrame({"species": OAK, "height_m": heights, "age_years": np.maximum(times, 1.0)})
        trees = oaks(trees=1, origin="seed")
        for number, height in [(n, {}) for n in numbers] + [(5, {OAK: {"model": "seedlings"}})]:
            part = young[:number] if number else None
            field = Field.from_frames(trees.trees, trees.cores, settings=Settings(height=height), seedlings=part)
            low, high = np.quantile(np.log(height_models(field)[OAK].passing_seasons(1.0)), [0.05, 0.95])
            widths["own fit of 5" if height else number].append(high - low)
    means = {key: np.mean(each) for key, each in widths.items()}
    assert np.all(np.diff([means[number] for number in numbers]) < 0)
    assert means[10] < 0.5 * means[0]
    assert means["own fit of 5"] > 1.1 * means[4]


def test_sampling_moves_the_level_as_it_should():
    """Standing trees are met in proportion to their time: level down by the variance; by age up; unsaid in between."""
    own = {"own_age_years": [5, 9, 12, 14, 8], "own_height_m": [0.4, 1.0, 1.0, 1.5, 1.1]}
    means = {
        word: years_from_open_data(OAK, 1.0, **own, sampling=word).mean() for word in ("passing", "age", "height", None)
    }
    assert means["height"] < means[None] < means["age"]
    assert means["height"] < means["passing"] < means["age"]
    assert years_from_open_data(OAK, 1.0, **own, sampling="standing").mean() == means["height"]


# ------------------------------------------------------------------ evidence


def test_evidence_of_a_genus():
    """Counts of the table add up, grades follow them, and each species has its medians in order of height."""
    oak = young_tree_evidence(OAK)
    assert oak.name == "Quercus" and oak.grade == "many studies"
    own = oak.studies_table
    assert (own["plants"].sum(), own["stand_means"].sum()) == (oak.plants, oak.stand_means)
    assert own["citation"].nunique() == oak.studies
    frame = oak.to_frame()
    assert np.all(frame["years_0.3m"] < frame["years_1m"]) and np.all(frame["years_1m"] < frame["years_1.3m"])
    assert [young_tree_evidence(name).grade for name in ("Thuja", "Juglans", "Nonesuch")] == [
        "few studies", "few studies", "no studies of the genus",
    ]  # fmt: skip
    assert "Quercus" in repr(oak) and "57 studies" in oak.sentence()
    cedar = young_tree_evidence("Cedrus")  # of its family: the medians are those of the prior that the call takes
    assert "the figures are those of family Pinaceae" in cedar.sentence()
    level, _ = od.open_data().prior("Cedrus libani", "wild").at(1.0)
    assert cedar.to_frame()["years_1m"].item() == pytest.approx(np.exp(level), abs=0.06)
    assert len(oak.plot().lines) == 2 * 3 * len(frame)
    every = [each for each in od.open_data().taxa.values() if each["rank"] == "species"]
    assert len(every) > 200 and all(float(each["wild_sd"]) > 0 for each in every)


def test_figure_of_the_narrowing():
    """One line for each number of seedlings, with its interval."""
    own = {"own_age_years": [6, 9, 12], "own_height_m": [0.6, 1.0, 1.4]}
    years = {"none": years_from_open_data(OAK, 1.0), "three": years_from_open_data(OAK, 1.0, **own)}
    ax = plots.plot_years(years)
    assert [text.get_text() for text in ax.get_yticklabels()] == ["none", "three"]
    ends = [line.get_xdata() for line in ax.lines if len(line.get_xdata()) == 2]
    assert [tuple(end) for end in ends] == [pmf.interval(0.9) for pmf in years.values()]


# ------------------------------------------------------------------ in use


def oaks(*, trees=6, seedlings=0, height=None, **columns):
    """A made-up stand of oaks cored at 1 m through the pith, with some seedlings."""
    table = pd.DataFrame({"tree": [f"Q{k}" for k in range(trees)], "species": OAK} | columns)
    core = {"core": "a", "outer_year": 2020, "rings_counted": 100, "dating": "crossdated", "inner_end": "pith"}
    cores = pd.DataFrame([{"tree": tree} | core | {"core_height_m": 1.0} for tree in table["tree"]])
    rise = np.linspace(0.5, 1.5, max(seedlings, 1))[:seedlings]
    wave = 1 + 0.25 * np.cos(2.0 * np.arange(seedlings))
    young = pd.DataFrame({"species": OAK, "height_m": rise, "age_years": np.round(9 * rise**0.6 * wave + 1)})
    settings = Settings(height=height or {})
    return Field.from_frames(table, cores, settings=settings, seedlings=young if seedlings else None)


def test_notes_on_heights_ask_for_what_is_missing_and_join_species():
    """Where the origin or the nursery is not stated, seedlings are no answer; species are joined."""
    field = oaks(species=[OAK, OAK, OAK, "Fagus sylvatica", "Fagus sylvatica", "Fagus sylvatica"],
                 origin=["", "", "planted", "", "", ""])  # fmt: skip
    notes = estimate_ages(field).notes.query("column == 'height'")
    of = {got.split(":")[0].split(" from ")[0]: row for got, row in zip(notes["got"], notes.itertuples(), strict=True)}
    origin, nursery, elsewhere = (of[key] for key in ("origin not stated", "planted", "years to the coring height"))
    assert origin.need == "how the trees came to be" and origin.do.startswith("Fill origin")
    assert nursery.need == "the years in the nursery" and nursery.do.startswith("Fill nursery_years")
    assert elsewhere.need == "some young trees of this stand" and "seedlings" in elsewhere.do
    assert [row.item for row in (origin, nursery, elsewhere)] == [
        f"{OAK}, Fagus sylvatica",
        OAK,
        f"{OAK}, Fagus sylvatica",
    ]
    few = estimate_ages(oaks(seedlings=3, origin="seed")).notes.query("column == 'height'")
    assert few["need"].tolist() == ["more young trees of this stand"]


@pytest.mark.parametrize(
    ("model", "used"),
    [(None, 6), ({"model": "open_data"}, 6), ({"model": "seedlings"}, 6), ({"model": "none"}, 0),
     ({"model": "mean_sd", "height_m": 1.0, "mean_years": 8, "sd_years": 3}, 0)],
)  # fmt: skip
def test_young_trees_count_as_used_where_a_model_takes_them(model, used):
    """The account of the rows says which seedlings moved no date, and why."""
    field = oaks(seedlings=6, origin="seed", height=None if model is None else {"default": model})
    rows = estimate_ages(field).accounting.query("table == 'seedlings'")
    by_status = rows.set_index("status")["rows"].to_dict()
    assert by_status == ({"used": 6} if used else {"not used": 6})
    assert used or "takes no young trees" in rows["reason"].iloc[0]


def test_a_species_without_anything_takes_the_prior_and_says_so():
    """Dated at the root collar, wide, flagged, told in notes, sources, summary, methods and BibTeX."""
    ages = estimate_ages(oaks(origin="seed"))
    tree = ages["Q0"]
    assert tree.date_refers_to == "root collar" and "height_from_open_data" in tree.flags
    assert "height_model_caution" not in tree.flags
    assert tree.years_to_core_height.interval(0.9) == years_from_open_data(OAK, 1.0).interval(0.9)
    assert tree.pith_year.interval(0.9)[1] == 1921 == tree.pith_year.median()
    assert any("open data on young trees elsewhere" in got for got in ages.notes["got"])
    assert "rest on open data on young trees from elsewhere, about as wide as a new site is; seed" in ages.summary()
    few = estimate_ages(oaks(seedlings=3)).height_note  # three halve the interval: it is no longer that of a new site
    assert few.endswith(
        "with few or no young trees of this stand; more seedlings of this stand would narrow them most."
    )
    assert estimate_ages(oaks(seedlings=12)).height_note == ""
    assert ages.extras["young_trees_elsewhere"]["studies"].tolist() == [57]
    words = methods_text(ages)
    assert "Falster et al. 2015" in words and "## Studies of young trees" in words
    cited = bibliography(ages)
    assert "@article{falster2015" in cited and "rozas2003" not in cited  # only what was used
    assert (
        cited.count("@misc{youngtrees")
        == young_tree_evidence(OAK).studies_table.query("species == @OAK")["citation"].nunique()
    )


def test_the_shared_part_stays_shared():
    """The mean date of forty oaks is hardly better than the shared part of one: site, method and era."""
    model = height_models(oaks(origin="seed"))[OAK]
    shared = np.log(model.passing_seasons(1.0)).mean(axis=1).std()
    prior = od.open_data().prior(OAK, "wild")
    assert shared == pytest.approx(np.hypot(prior.level_sd, ERA_LOG_SD), rel=0.05)  # closed form
    means = [
        estimate_ages(oaks(trees=n, origin="seed")).draws(4000, seed=1).to_numpy().mean(axis=1).std() for n in (2, 40)
    ]
    assert 0.85 * means[0] < means[1] < means[0]


def test_named_and_refused():
    """Named open data uses own trees whatever their number; none keeps the pith year; three seedlings sharpen."""
    none = estimate_ages(oaks(height={OAK: {"model": "none"}}))["Q0"]
    assert none.date_refers_to == "coring height" and "age_at_core_height" in none.flags
    plain, three = (estimate_ages(oaks(seedlings=n, origin="seed"))["Q0"].years_to_core_height for n in (0, 3))
    assert spread(three) < 0.7 * spread(plain)
    named = height_models(oaks(seedlings=12, height={OAK: {"model": "open_data"}}))[OAK]
    unnamed = height_models(oaks(seedlings=12))[OAK]
    assert "12 own young trees" in named.name == unnamed.name and named.years(1.0) == unnamed.years(1.0)
    own = height_models(oaks(seedlings=12, height={OAK: {"model": "seedlings"}}))[OAK]
    assert own.name == "12 young trees" and not own.grade
    flagged = ["height_from_open_data" in estimate_ages(oaks(seedlings=n, origin="seed"))["Q0"].flags for n in (4, 5)]
    assert flagged == [True, False]  # with five the answer is mostly the stand's own
    with pytest.raises(InputError, match="era_log_sd: got -1, need a number from 0 to 3"):
        oaks(height={OAK: {"model": "open_data", "era_log_sd": -1}})


def test_planted_trees_count_from_the_seed():
    """Nursery years of the tree, of the settings, or one to four years where nothing is said (choice)."""

    def years(height=None, **columns):
        return estimate_ages(oaks(origin="planted", height=height, **columns))["Q0"].years_to_core_height

    since = years_from_open_data(OAK, 1.0, origin="planted")
    assert years(nursery_years=3).mean() == pytest.approx(since.mean() + 3, abs=1e-6)  # definition
    assert years({OAK: {"model": "open_data", "nursery_years": 2}}).mean() == pytest.approx(since.mean() + 2, abs=1e-6)
    assert years().mean() == pytest.approx(since.mean() + 2.5, abs=1e-6)  # mean of 1 to 4


def test_light_and_crown_of_a_tree_are_used():
    """Deep shade makes older trees than partial shade; nothing of it touches a model of the user's own."""
    ages = [estimate_ages(oaks(origin="advance", young_light=light))["Q0"].age.mean() for light in ("partial", "deep")]
    assert ages[0] < ages[1]
    figure = {"default": {"model": "mean_sd", "height_m": 1.0, "mean_years": 8, "sd_years": 3}}
    same = {estimate_ages(oaks(height=figure, origin=word))["Q0"].age.mean() for word in ("seed", "advance", "planted")}
    assert len(same) == 1


def test_choices_are_told_where_they_are_used():
    """Notes name the choice for the origin that the trees have, and only that; own young trees do not hide it."""
    words = {"advance": "from three studies only", "sprout": "sprouts and suckers of any species", "planted": "nursery",
             "unknown": "60 % seed in the open, 25 % advance growth, 15 % sprouts"}  # fmt: skip
    for origin, said in words.items():
        for seedlings in (0, 6):
            got = " ".join(estimate_ages(oaks(origin=origin, seedlings=seedlings)).notes["got"])
            assert [word in got for word in words.values()] == [word == said for word in words.values()]
            assert ("high mountains" in got) == (seedlings == 0)
    unstated = [" ".join(estimate_ages(oaks(origin="", seedlings=number)).notes["got"]) for number in (0, 6)]
    assert [words["unknown"] in got for got in unstated] == [True, False]
    assert ["taken as that of the own young trees" in got for got in unstated] == [False, True]
    assert "all broadleaf trees; no studies of the genus" in from_open_data("Diospyros kaki").name
    assert "any tree; no studies of the genus" in from_open_data("Nonesuch alba").name


def test_doubled_spreads_reach_trees_of_every_origin():
    """What the sensitivity table moves is moved for all origins: twice the log-sd, closed form."""
    model = from_open_data(OAK)
    wider = moved_heights(model, 2.0, 0.0)
    for origin in ("seed", "advance", ""):
        logs = [np.log(each.of_tree(origin).passing_seasons(1.0)).std() for each in (model, wider)]
        assert logs[1] == pytest.approx(2 * logs[0], rel=1e-6)


def test_species_on_open_data_share_their_error():
    """Most of it is the site's: two species do not average it out; own young trees set a species apart."""
    field = oaks(trees=2)
    trees = field.trees.assign(species=[OAK, "Fagus sylvatica"])
    both = Field.from_frames(trees, field.cores)
    assert shared_figures(both, height_models(both)) == {OAK: "Fagus sylvatica", "Fagus sylvatica": "Fagus sylvatica"}
    taught = Field.from_frames(trees, field.cores, seedlings=oaks(seedlings=3).seedlings)
    assert shared_figures(taught, height_models(taught)) == {OAK: OAK, "Fagus sylvatica": "Fagus sylvatica"}


def test_plan_says_what_three_seedlings_would_bring():
    """Before anything is computed: model, interval, the interval to expect, and a published curve beside it."""
    plan = height_plan(oaks(origin="seed")).iloc[0]
    assert (plan["years_lo"], plan["years_hi"]) == years_from_open_data(OAK, 1.0).interval(0.9)
    assert plan["three_hi"] - plan["three_lo"] < 0.75 * (plan["years_hi"] - plan["years_lo"])
    aspen = oaks()
    aspen = Field.from_frames(aspen.trees.assign(species="Populus tremuloides"), aspen.cores)
    row = height_plan(aspen).iloc[0]
    assert row["curve"] == "quaking aspen" and row["curve_lo"] <= row["curve_hi"]
    named = height_plan(oaks(height={OAK: {"model": "none"}})).iloc[0]
    assert named["model"] == "none" and np.isnan(named["years_lo"])


def test_years_to_height_warns_of_open_data():
    """Through the general call the prior is announced as one."""
    with pytest.warns(UserWarning, match="from open data on young trees elsewhere"):
        years = years_to_height(1.0, from_open_data(OAK))
    assert years == years_from_open_data(OAK, 1.0)


# ------------------------------------------------------------------ the fit


def test_the_fit_finds_made_up_effects(tmp_path, monkeypatch):
    """Exact algebra against brute force on a small data set, and the effects it was made with."""
    from pathlib import Path

    monkeypatch.syspath_prepend(str(Path(__file__).parent / "fitting"))
    fit = pytest.importorskip("fit_heights")
    rows = fit.load(write_young_trees(tmp_path))
    model = fit.Mixed(rows)
    log_sd = np.log(np.linspace(0.2, 0.4, len(fit.SPREADS)))
    full, log_det = model.equations(log_sd)
    columns = model.columns.toarray()
    sd = np.exp(log_sd)
    cover = np.diag(sd[8:11][model.kind] ** 2 / model.weight)
    cover += (
        model.in_stand.toarray()
        @ np.diag(np.where(model.planted_stand, sd[7], sd[6]) ** 2)
        @ model.in_stand.toarray().T
    )
    study = model.in_study.toarray()
    cover += study @ np.diag(np.where(model.planted_study, sd[4], sd[3]) ** 2) @ study.T
    cover += (study @ study.T) * sd[5] ** 2 * np.outer(model.line[:, 1], model.line[:, 1])
    np.testing.assert_allclose(full, columns.T @ np.linalg.solve(cover, columns), rtol=1e-6, atol=1e-6)  # brute force
    assert log_det == pytest.approx(np.linalg.slogdet(cover)[1], abs=1e-6)
    mean, covariance = model.solve(np.log(np.full(len(fit.SPREADS), 0.3)))
    truth = made_up_young_trees.__defaults__[0]
    for name, value in truth.items():
        at = fit.FIXED.index(name)
        assert abs(mean[at] - value) < 3.5 * np.sqrt(covariance[at, at]), name


def test_how_young_trees_were_chosen_is_asked_for(tmp_path):
    """A note where the column does not say it; none where it does, or the settings do; the column is used."""
    field = oaks(seedlings=6)
    said = [got for got in field.notes["got"] if "sampling" in got]
    assert said == [f"{OAK} without one word of sampling"]
    told = {}
    for word in ("age", "height"):
        named = Field.from_frames(field.trees, field.cores, seedlings=field.seedlings.assign(sampling=word))
        assert not any("sampling" in got for got in named.notes["got"])
        told[word] = height_models(named)[OAK].years(1.0).mean()
    assert told["height"] < height_models(field)[OAK].years(1.0).mean() < told["age"]
    keyed = oaks(seedlings=6, height={OAK: {"model": "open_data", "sampling": "height"}})
    assert not any("sampling" in got for got in keyed.notes["got"])
    assert height_models(keyed)[OAK].years(1.0).mean() == told["height"]
