"""Evaluation: held-out fleets through the engine with the models under test, against their hidden truth.

`evidence` simulates and folds, one unit after another over some processes; `evaluate` makes the tables of it.
Fleets differ in kind from those of training: other machine families, climates and crews. A `Split` names any
other such cut.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from multiprocessing import get_context
from pathlib import Path

from models.artefact import load_models
from models.detectors import Detector, Models, Technician
from models.evaluation_summary import Evaluation, summary
from models.evaluation_unit import UnitEvidence, unit_evidence
from models.faulty_fleets import MachineFault, faulty_unit
from models.fleets import FleetUnit, fleet_unit
from models.parameters import Parameters

SEED = 20260707
"""Never one that a model was trained on."""
N_UNITS = 120
DAYS = 45
N_FLEETS = 3
TESTED = Models()
DETECTORS: tuple[Detector, ...] = (TESTED, Technician())


@dataclass(frozen=True, kw_only=True)
class Split:
    """Which simulated units a model is examined on, and which models. The tuples replace the kind's own."""

    kind: str
    machine_families: tuple[str, ...] | None = None
    climate_names: tuple[str, ...] | None = None
    operator_names: tuple[str, ...] | None = None
    one_fault: bool = False
    """Each unit has one fault of cooling or pressure and no other, or none, in turn."""
    models: Path | None = None
    """Folder of the models to examine; those that come with the program when left out."""


class SeedError(ValueError):
    """A model would be examined on what it has learnt."""


HELD_OUT = Split(kind="held_out")
SAME_KIND = Split(kind="training")
ONE_FAULT = Split(kind="held_out", one_fault=True)


def evidence(
    split: Split,
    *,
    seed: int,
    n_units: int,
    days: int,
    parameters: Parameters | None = None,
    detectors: Sequence[Detector] = DETECTORS,
    workers: int = 2,
    on_unit: Callable[[], None] | None = None,
) -> list[UnitEvidence]:
    """Simulate the units of a split and hold what comes out of them against their truth.

    The same seed gives the same evidence, whatever the number of workers.

    Parameters
    ----------
    split : Split
    seed, n_units, days : int
        Of the fleet.
    detectors : sequence of Detector
        Who tells findings; the engine with the models under test, and what they must beat.
    on_unit : callable, optional
        Called after each unit.
    """
    work = partial(
        _examined,
        split=split,
        seed=seed,
        days=days,
        parameters=parameters or Parameters(),
        detectors=tuple(detectors),
    )
    out = []
    for unit in _mapped(work, n_units, workers):
        out.append(unit)
        if on_unit:
            on_unit()
    return out


def evaluate(
    *,
    models: Path | None = None,
    seed: int = SEED,
    n_units: int = N_UNITS,
    days: int = DAYS,
    workers: int = 2,
    on_progress: Callable[[int, int], None] | None = None,
) -> Evaluation:
    """Examine models on units of kinds they have not seen, of kinds they have, and with one fault each.

    Parameters
    ----------
    models : Path, optional
        Folder of the models; those that come with the program when left out.
    seed, n_units, days : int
        Of each of the three fleets.
    on_progress : callable, optional
        Called with units done and units in all.

    Raises
    ------
    SeedError
        If a model was trained on the fleet of this seed.
    """
    under_test = load_models(models)
    if seed in {model.card.seed for model in under_test.of.values()}:
        raise SeedError(f"seed {seed} made the fleet that a model was trained on; choose another")
    done = 0

    def one_more() -> None:
        nonlocal done
        done += 1
        if on_progress:
            on_progress(done, N_FLEETS * n_units)

    held_out, same_kind, one_fault = (
        evidence(
            replace(split, models=models),
            seed=seed,
            n_units=n_units,
            days=days,
            workers=workers,
            on_unit=one_more,
        )
        for split in (HELD_OUT, SAME_KIND, ONE_FAULT)
    )
    names = [detector.name for detector in DETECTORS]
    return summary(held_out, same_kind, one_fault, under_test, detectors=names, seed=seed, days=days)


def _examined(
    index: int,
    *,
    split: Split,
    seed: int,
    days: int,
    parameters: Parameters,
    detectors: tuple[Detector, ...],
) -> UnitEvidence:
    unit = _one_fault(index, split, seed, days) if split.one_fault else _any(index, split, seed, days)
    return unit_evidence(unit, parameters, load_models(split.models), detectors)


def _any(index: int, split: Split, seed: int, days: int) -> FleetUnit:
    return fleet_unit(
        seed,
        index,
        days=days,
        kind=split.kind,
        machine_families=split.machine_families,
        climate_names=split.climate_names,
        operator_names=split.operator_names,
        keep_truth=True,
    )


def _one_fault(index: int, split: Split, seed: int, days: int) -> FleetUnit:
    kinds = list(MachineFault)
    return faulty_unit(
        seed,
        index,
        kinds[index % len(kinds)],
        days=days,
        fleet_kind=split.kind,
        machine_families=split.machine_families,
        keep_truth=True,
    )


def _mapped(work: Callable[[int], UnitEvidence], n: int, workers: int) -> Iterator[UnitEvidence]:
    if workers <= 1:
        yield from map(work, range(n))
        return
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        yield from pool.map(work, range(n), chunksize=2)
