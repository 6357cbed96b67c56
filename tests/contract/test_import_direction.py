"""Imports point one way, and the engine does not know the simulated machine. Read from the source."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
ORDER = ("ingest", "models", "alerts", "dashboards", "dewline")
SIMULATION = frozenset(
    f"models.{name}"
    for name in (
        "climate",
        "faulty_fleets",
        "fleets",
        "labels",
        "machine_families",
        "operators",
        "plant",
        "plant_ice",
        "plant_kernel",
        "plant_machine",
        "plant_steps",
        "sensors",
    )
)
MAY_SIMULATE = SIMULATION | {
    "models.forecast_training",
    "models.novelty_training",
    "models.run_confidence_training",
    "models.training",
    "models.evaluation",
    "models.evaluation_faults",
    "models.evaluation_foretold",
    "models.evaluation_summary",
    "models.evaluation_truth",
    "models.evaluation_unit",
    "dewline.demo",
    "dewline.demo_fleet",
}
SOURCES = sorted(path for folder in ORDER for path in (ROOT / folder).rglob("*.py"))


def module_of(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def imported(path: Path) -> Iterator[str]:
    """Every module that a file imports anywhere, with the names taken from it as if they were modules."""
    package = module_of(path) if path.name == "__init__.py" else module_of(path).rpartition(".")[0]
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            if node.level:
                parents = package.split(".")
                base = ".".join(parents[: len(parents) - node.level + 1] + ([base] if base else []))
            yield base
            yield from (f"{base}.{alias.name}" for alias in node.names)


def test_there_is_source_to_look_at() -> None:
    assert {path.relative_to(ROOT).parts[0] for path in SOURCES} == set(ORDER)


@pytest.mark.parametrize("path", SOURCES, ids=module_of)
def test_imports_point_left(path: Path) -> None:
    rank = ORDER.index(module_of(path).partition(".")[0])
    right = {
        name
        for name in imported(path)
        if name.partition(".")[0] in ORDER[rank + 1 :] or name.startswith("tests")
    }
    assert not right


@pytest.mark.parametrize("path", SOURCES, ids=module_of)
def test_only_training_evaluation_and_demo_know_the_simulated_machine(path: Path) -> None:
    if module_of(path) not in MAY_SIMULATE:
        assert not SIMULATION & set(imported(path))


def test_the_list_of_the_simulation_is_whole() -> None:
    """A file that only the simulation's files import belongs to it, by whatever name."""
    users = {
        name: {module_of(path) for path in SOURCES if name in set(imported(path))} for name in SIMULATION
    }
    assert all((ROOT / f"{name.replace('.', '/')}.py").exists() for name in users)
    plants = {module_of(path) for path in SOURCES if module_of(path).startswith("models.plant")}
    assert plants <= SIMULATION
