"""The two decorators that compile the physics, typed, with one cache policy.

`ufunc` turns a scalar relation into something that takes floats or arrays and can also be called from
inside a `kernel`, so that the engine's hot loop and everybody else evaluate the same machine code.
What this file does not hold: any physics.
"""

from __future__ import annotations

import contextlib
import functools
import hashlib
import logging
import os
import re
import shutil
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any, Protocol, TypeVar, cast, overload

import numba
import numpy as np
import platformdirs
from numpy.typing import NDArray

# numba is untyped, and its settings module fills itself at run time.
_njit: Any = numba.njit
_vectorize: Any = numba.vectorize
_settings: Any = numba.config

GENERATIONS_KEPT = 8
_IMPORTED = re.compile(rb"^(?:from|import) ((?:ingest|models)[\w.]*)(?: import ([\w, ]+))?", re.MULTILINE)
# Compiling can happen in any thread, at first use, and numba's setting is one for all of them.
_lock = threading.RLock()

logger = logging.getLogger(__name__)

FloatArray = NDArray[np.float64]
Function = TypeVar("Function", bound=Callable[..., Any])


class Ufunc(Protocol):
    """A compiled relation: floats in, float out; with any array among them, arrays out, broadcast.

    Arguments are positional only. Bad data gives NaN, never an exception or a warning.
    """

    __name__: str

    # Floats match both forms; the first one wins, as at run time.
    @overload
    def __call__(self, *args: float) -> float: ...  # type: ignore[overload-overlap]
    @overload
    def __call__(self, *args: float | FloatArray) -> FloatArray: ...


def sources_fingerprint(root: Path) -> str:
    """Short hash of every source under `root` that holds compiled code, and of what those sources import.

    numba's own cache looks only at the file of the function it loads, so a kernel would go on using the
    relations and constants it was once compiled with after they changed in another file.
    """
    waiting = {path for path in root.glob("models/*.py") if b"models.compiled" in path.read_bytes()}
    texts: dict[Path, bytes] = {}
    while waiting:
        path = waiting.pop()
        texts[path] = path.read_bytes()
        for module, names in _IMPORTED.findall(texts[path]):
            folder = root / module.decode().replace(".", "/")
            files = [
                folder.with_suffix(".py"),
                *(folder / f"{name.strip()}.py" for name in names.decode().split(",")),
            ]
            waiting |= {file for file in files if file.exists()} - texts.keys()
    digest = hashlib.sha256(numba.__version__.encode())
    for path in sorted(texts):
        digest.update(f"\0{path.relative_to(root)}\0".encode() + texts[path])
    return digest.hexdigest()[:16]


@functools.cache
def _cache_folder() -> Path:
    chosen = _settings.CACHE_DIR
    base = Path(chosen) if chosen else Path(platformdirs.user_cache_dir("dewline")) / "compiled"
    folder = base / f"models-{sources_fingerprint(Path(__file__).parents[1])}"
    if not folder.exists():
        _forget_old(base)
    return folder


def _forget_old(base: Path) -> None:
    """Drop what was compiled from sources long since changed: five megabytes for every edit."""
    # Another process may be doing the same.
    with contextlib.suppress(OSError):
        by_age = sorted(base.glob("models-*"), key=lambda folder: folder.stat().st_mtime)
        for folder in by_age[:-GENERATIONS_KEPT]:
            shutil.rmtree(folder, ignore_errors=True)


def _compile(decorate: Callable[[bool], Callable[[Function], Any]], function: Function) -> Any:
    """`function` compiled with the on-disk cache, or without one where no folder can be written."""
    with _lock:
        before = _settings.CACHE_DIR
        # By module name too: numba files entries by path, and what is saved loads under one name only.
        _settings.CACHE_DIR = os.fspath(_cache_folder() / function.__module__)
        try:
            return decorate(True)(function)
        except RuntimeError as reason:
            if "cannot cache function" not in str(reason):
                raise
            logger.info("%s is compiled anew at each start: %s", function.__name__, reason)
            return decorate(False)(function)
        finally:
            _settings.CACHE_DIR = before


def ufunc(signature: str) -> Callable[[Callable[..., float]], Ufunc]:
    """Compile a scalar relation for floats, arrays and kernels.

    Parameters
    ----------
    signature : str
        numba's, such as ``"float64(float64,boolean)"``; compiled at the first call.
    """

    def decorator(function: Callable[..., float]) -> Ufunc:
        @functools.cache
        def compiled() -> Any:
            # At first use: numba keeps the loop around a relation in no cache, and 50 ms for each of them
            # would be felt at every start of a program that calls two.
            return _compile(lambda cache: _vectorize([signature], cache=cache), function)

        @functools.wraps(function)
        def relation(*args: Any) -> Any:
            # Vector instructions raise the processor's "invalid" flag on a mere comparison with NaN, which
            # numpy would report; a NaN reading is normal input here.
            with np.errstate(all="ignore"):
                result = compiled()(*args)
            return result if isinstance(result, np.ndarray) else float(result)

        # What numba asks of a global that it meets: inside a kernel the relation is its compiled self. Its
        # type refers to it only weakly, so the function keeps it alive.
        inside: Any = kernel(function)
        vars(relation).update(compiled=inside, _numba_type_=inside._numba_type_)
        return cast(Ufunc, relation)

    return decorator


def kernel(function: Function) -> Function:
    """Compile a loop for speed: IEEE arithmetic as numpy does it, no reordering of sums, no exceptions."""
    return cast(
        Function,
        _compile(lambda cache: _njit(cache=cache, error_model="numpy", fastmath=False), function),
    )
