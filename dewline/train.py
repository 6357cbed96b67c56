"""`dewline train`: models of the patterns from a simulated fleet, with a bar to watch."""

from __future__ import annotations

import os
from pathlib import Path

from dewline.console import Terminal
from dewline.settings import Loaded
from models import training


def train(
    loaded: Loaded, out: Path | None, seed: int | None, n_units: int | None, terminal: Terminal
) -> None:
    """Train and write one file a pattern to `out`, or to the home's models folder.

    Raises
    ------
    ValueError
        When the fleet is too small to show every pattern.
    """
    folder = out or loaded.home / "models"
    units = n_units or training.N_UNITS
    with terminal.progress("simulating", units, "units") as bar:
        models = training.train(
            folder,
            seed=training.SEED if seed is None else seed,
            n_units=units,
            workers=os.cpu_count() or 1,
            on_progress=lambda done, total: bar.reach(done, total),
        )
    for pattern, model in models.of.items():
        card = model.card
        moments, true = round(card.figures["moments"]), round(card.figures["true"])
        terminal.say(
            f"{pattern.value}: {moments:,} moments, {true:,} of them true; data {card.data_fingerprint}"
        )
    terminal.say(f"models written to {folder}; set analysis.models_path to use them")
