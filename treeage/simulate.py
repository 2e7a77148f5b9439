"""Virtual stands: field tables as a person would fill them in, with the hidden truth kept apart.

Layer 4. The face of the family; own derivation, the numbers and their sources are in `simulate_traits`.
"""

from __future__ import annotations

from pathlib import Path

from treeage.simulate_model import simulate_from_model
from treeage.simulate_scenario import SCENARIO_NAMES, Scenario, scenario
from treeage.simulate_stands import EXAMPLE_SEED, SimulatedStand, simulate_stand
from treeage.simulate_traits import Coring, Pulse, Reading, Species, Stem, Wood

__all__ = [
    "EXAMPLE_SEED",
    "SCENARIO_NAMES",
    "Coring",
    "Pulse",
    "Reading",
    "Scenario",
    "SimulatedStand",
    "Species",
    "Stem",
    "Wood",
    "example_field",
    "scenario",
    "simulate_from_model",
    "simulate_stand",
]


def example_field(folder: str | Path) -> tuple[Path, Path]:
    """Write the demo field folder: 48 invented trees with two cores each.

    Parameters
    ----------
    folder : str or pathlib.Path
        The field folder, new or empty; its hidden truth goes to a folder beside it with "_truth" added.

    Returns
    -------
    field_folder, truth_folder : pathlib.Path
        What was written.

    Raises
    ------
    InputError
        If either folder holds files already.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     field_folder, truth_folder = example_field(Path(folder) / "highpasture")
    ...     (field_folder / "cores.csv").exists(), truth_folder.name
    (True, 'highpasture_truth')
    """
    return simulate_stand("demo", seed=EXAMPLE_SEED).write(folder)
