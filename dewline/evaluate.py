"""`dewline evaluate`: the models against simulated fleets they have not seen, with a bar to watch."""

from __future__ import annotations

from pathlib import Path

from dewline.console import Terminal
from models import evaluation, evaluation_summary, model_card


def evaluate(
    out: Path,
    models: Path | None,
    n_units: int | None,
    days: int | None,
    seed: int | None,
    workers: int,
    terminal: Terminal,
) -> None:
    """Write the model card to `out`, and its figures beside it with the suffix .json.

    Raises
    ------
    ValueError
        When the models can't be read or were trained on the very fleet.
    """
    units = n_units or evaluation.N_UNITS
    with terminal.progress("simulating", evaluation.N_FLEETS * units, "units") as bar:
        result = evaluation.evaluate(
            models=models,
            seed=evaluation.SEED if seed is None else seed,
            n_units=units,
            days=days or evaluation.DAYS,
            workers=workers,
            on_progress=lambda done, total: bar.reach(done, total),
        )
    out.parent.mkdir(parents=True, exist_ok=True)
    figures = out.with_suffix(".json")
    figures.write_bytes(evaluation_summary.encode(result))
    # The card is made of what was written, so that the two can be compared at any time.
    out.write_text(model_card.render(evaluation_summary.read(figures)), encoding="utf-8")
    for target in result.targets:
        reached = model_card.figure_text(target.reached, target.digits, percent=target.percent)
        terminal.say(f"{target.name}: {reached} ({target.verdict})")
    terminal.say(f"model card written to {out}, its figures to {figures}")
