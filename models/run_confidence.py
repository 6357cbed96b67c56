"""How sure a run is: the probability that it was one, and began and ended where it says within what it says.

A logistic model of the witnesses (`models.run_evidence`) and of the errors that the run itself states, learnt
by `models.run_confidence_training` and shipped as plain figures beside the other models. Of a truck that
reports every few seconds nearly all runs are right, and nothing known of them tells which are not; of one
that reports every minute or more seldom they differ.
"""

from __future__ import annotations

import functools
import math
from pathlib import Path

import msgspec

from models.skops_file import ModelFileError
from models.state import Record

FILE = "run_confidence.json"
SHIPPED = Path(__file__).parent / "shipped" / FILE
WITNESSES = ("pressure_says", "oil_says", "meter_says", "start_how", "end_how")
SPANS = ("start_error_s", "end_error_s", "lasted_s")
SEEN_HOW = {"start_error_s": "start_how", "end_error_s": "end_how"}
"""What a stated error is worth depends on how the edge was seen."""
SHORTEST, LONGEST = 2, 10
"""Powers of two that spans are sorted by: four seconds and less, a quarter of an hour and more."""
SUREST, LEAST_SURE = 0.995, 0.02
"""Nothing that sensors say is certain, either way."""


class RunConfidence(msgspec.Struct, frozen=True, kw_only=True):
    """Weights in natural units of the log odds: 3 is odds of 20 to 1."""

    base: float
    weights: dict[str, float]
    """By term, see `terms`; a term that is not listed weighs nothing."""
    runs: int
    """Runs learnt from."""
    within: int
    """Those of them that were runs with both edges within their errors."""
    seed: int

    def probability(self, row: Record) -> float:
        """Of one `RUN_ROW`: that the run is real and both its edges lie within their errors. [0-1]"""
        odds = self.base + sum(self.weights.get(name, 0.0) * value for name, value in terms(row).items())
        return min(max(1.0 / (1.0 + math.exp(-odds)), LEAST_SURE), SUREST)


def terms(row: Record) -> dict[str, float]:
    """What a `RUN_ROW` brings to the log odds: a one for each witness, the logarithm of each span of seconds.

    Each span also brings a one for its power of two, alone and with how that edge was seen. A span that is
    not known, such as the length of a run that still turns, brings nothing.
    """
    out = {f"{name}={float(row[name]):.0f}": 1.0 for name in WITNESSES}
    spans_s = (row["start_error_s"], row["end_error_s"], row["last_t"] - row["start_t"])
    for name, span_s in zip(SPANS, spans_s, strict=True):
        if math.isfinite(span_s):
            out[name] = math.log1p(max(float(span_s), 0.0))
            size = int(min(max(out[name] / math.log(2.0), SHORTEST), LONGEST))
            out[f"{name}~{size}"] = 1.0
            if name in SEEN_HOW:
                out[f"{SEEN_HOW[name]}={float(row[SEEN_HOW[name]]):.0f}, {name}~{size}"] = 1.0
    return out


@functools.cache
def load_run_confidence(path: Path = SHIPPED) -> RunConfidence:
    """The model that comes with the program, or that of a file.

    Raises
    ------
    ModelFileError
        If the file is missing or is none of these.
    """
    try:
        return msgspec.json.decode(path.read_bytes(), type=RunConfidence)
    except (OSError, msgspec.MsgspecError) as e:
        raise ModelFileError(f"{path}: no model of how sure a run is: {e}; train it anew") from e


def save_run_confidence(model: RunConfidence, folder: Path) -> None:
    """Write it where `dewline train` writes the other models."""
    text = msgspec.json.format(msgspec.json.encode(model, order="sorted"), indent=1)
    (folder / FILE).write_bytes(text + b"\n")
