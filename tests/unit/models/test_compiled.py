"""The compiling decorators: one relation for floats, arrays and kernels, and a cache that can't be stale."""

import inspect
import os
import pickle
import subprocess
import sys
import threading
from pathlib import Path

import numpy as np
import pytest

from models.compiled import GENERATIONS_KEPT, kernel, sources_fingerprint, ufunc
from models.humidity import humidity_ratio, vapour_pressure_pa

ROOT = Path(__file__).parents[3]


@kernel
def _total_ratio(vapour_pa, total_abs_pa):
    total = 0.0
    for i in range(vapour_pa.shape[0]):
        total += humidity_ratio(vapour_pa[i], total_abs_pa)
    return total


@kernel
def _vapour_with_flag(temp_c, over_water):
    return vapour_pressure_pa(temp_c, 50.0, over_water)


@ufunc("float64(float64,float64)")
def _quotient(a, b):
    return a / b


def test_ufunc_gives_a_float_for_floats():
    assert type(humidity_ratio(1000.0, 101325.0)) is float
    assert type(humidity_ratio(1000, 101325)) is float


def test_ufunc_broadcasts_and_keeps_shape_and_order():
    vapour = np.array([[0.0], [1000.0], [2000.0]])
    total = np.array([90000.0, 101325.0])
    got = humidity_ratio(vapour, total)
    assert got.shape == (3, 2)
    for i in range(3):
        for j in range(2):
            assert got[i, j] == humidity_ratio(vapour[i, 0], total[j])


def test_ufunc_takes_an_empty_array():
    assert humidity_ratio(np.array([]), 101325.0).shape == (0,)


def test_ufunc_leaves_its_input_untouched():
    vapour = np.array([1000.0, np.nan, -5.0])
    before = vapour.copy()
    humidity_ratio(vapour, 101325.0)
    np.testing.assert_array_equal(vapour, before)


def test_ufunc_inside_a_kernel_is_the_same_function():
    vapour = np.linspace(0.0, 5000.0, 101)
    one_by_one = 0.0
    for value in vapour:
        one_by_one += humidity_ratio(value, 101325.0)
    assert _total_ratio(vapour, 101325.0) == one_by_one


@pytest.mark.parametrize("over_water", [True, False])
def test_ufunc_inside_a_kernel_takes_a_flag(over_water):
    assert _vapour_with_flag(-12.0, over_water) == vapour_pressure_pa(-12.0, 50.0, over_water)


def test_ufunc_keeps_name_signature_and_docstring():
    assert humidity_ratio.__name__ == "humidity_ratio"
    assert list(inspect.signature(humidity_ratio).parameters) == ["vapour_pressure_pa", "total_abs_pa"]
    assert "ASHRAE" in inspect.getdoc(humidity_ratio)


def test_ufunc_can_be_sent_to_another_process():
    assert pickle.loads(pickle.dumps(humidity_ratio)) is humidity_ratio


def test_ufunc_stays_silent_over_floating_point_flags():
    assert _quotient(1.0, 0.0) == np.inf
    assert np.isnan(_quotient(np.zeros(64), 0.0)).all()
    assert np.isnan(_quotient(np.full(64, np.nan), np.arange(64.0))).all()


def test_ufunc_refuses_a_missing_argument():
    with pytest.raises(TypeError, match="argument"):
        humidity_ratio(1000.0)


def test_ufunc_first_called_from_many_threads_at_once():
    @ufunc("float64(float64)")
    def doubled(x):
        return 2.0 * x

    barrier = threading.Barrier(4)
    seen = []

    def call():
        barrier.wait()
        seen.append(doubled(21.0))

    threads = [threading.Thread(target=call) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert seen == [42.0] * 4


def _project(root, relation="A = 1\n", other="x = 1\n"):
    (root / "models").mkdir()
    (root / "ingest").mkdir()
    (root / "ingest" / "factor.py").write_text(relation)
    (root / "models" / "loop.py").write_text(
        "from ingest.factor import A\nfrom models.compiled import kernel\n"
    )
    (root / "models" / "other.py").write_text(other)
    return root


def test_fingerprint_changes_with_what_a_compiled_source_imports(tmp_path):
    before = sources_fingerprint(_project(tmp_path))
    (tmp_path / "ingest" / "factor.py").write_text("A = 2\n")
    assert sources_fingerprint(tmp_path) != before


def test_fingerprint_changes_with_a_module_imported_by_name(tmp_path):
    _project(tmp_path)
    (tmp_path / "models" / "loop.py").write_text(
        "from ingest import factor\nfrom models.compiled import kernel\n"
    )
    before = sources_fingerprint(tmp_path)
    (tmp_path / "ingest" / "factor.py").write_text("A = 2\n")
    assert sources_fingerprint(tmp_path) != before


def test_fingerprint_ignores_sources_without_compiled_code(tmp_path):
    before = sources_fingerprint(_project(tmp_path))
    (tmp_path / "models" / "other.py").write_text("x = 2\n")
    assert sources_fingerprint(tmp_path) == before


def _program_output(env):
    program = (
        "import numpy as np, models.saturation as h;"
        "print(h.saturation_pressure_pa(26.85), h.saturation_pressure_pa(np.array([26.85]))[0])"
    )
    return subprocess.run(
        [sys.executable, "-W", "error", "-c", program],
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT), **env},
        capture_output=True,
        text=True,
        check=True,
    )


def test_cache_is_kept_where_numba_is_told(tmp_path):
    first = _program_output({"NUMBA_CACHE_DIR": str(tmp_path)})
    kept = sorted(tmp_path.rglob("*.nbc"))
    assert kept
    written_ns = [path.stat().st_mtime_ns for path in kept]
    second = _program_output({"NUMBA_CACHE_DIR": str(tmp_path)})
    assert second.stdout == first.stdout
    assert first.stderr == second.stderr == ""
    assert [path.stat().st_mtime_ns for path in sorted(tmp_path.rglob("*.nbc"))] == written_ns


def test_cache_forgets_the_oldest_of_many_generations(tmp_path):
    made = [tmp_path / f"models-{n:016x}" for n in range(GENERATIONS_KEPT + 2)]
    for age_s, folder in enumerate(reversed(made)):
        folder.mkdir()
        os.utime(folder, (1e9 - age_s, 1e9 - age_s))
    (tmp_path / "somebody_else").mkdir()
    _program_output({"NUMBA_CACHE_DIR": str(tmp_path)})
    assert [folder.exists() for folder in made] == [False] * 2 + [True] * GENERATIONS_KEPT
    assert (tmp_path / "somebody_else").exists()


def test_compiling_works_where_no_cache_can_be_written(tmp_path):
    not_a_folder = tmp_path / "file"
    not_a_folder.write_text("")
    env = {"NUMBA_CACHE_DIR": str(not_a_folder), "NUMBA_CACHE_LOCATOR_CLASSES": "UserProvidedCacheLocator"}
    done = _program_output(env)
    assert done.stderr == ""
    assert done.stdout.split()[0] == done.stdout.split()[1]
