"""How long a unit must still run hot to dry its sump: one figure for the mails and for every page. Pure."""

from __future__ import annotations

import math

from models.records import UnitStatus

LEAST_MIN = 20.0
"""Least hot running with air flowing that counts as a dry-out. [min] Common practice: 20-30 min."""
LONGEST_MIN = 120.0
"""Nobody runs a truck hot for longer than this to dry it. [min] Chosen."""
NOTHING_MIN = 1.0
"""Less than this is nothing to plan for. [min]"""


def still_needed_min(status: UnitStatus) -> float:
    """Hot running with the air valve open that is still to come; it counts down during a run. [min]

    What the estimate asks for, but no less than makes a whole dry-out, less what the run in hand has done of
    it. Zero: dry by the estimate. NaN: not known. Infinite: the air that comes in can't dry it.
    """
    if math.isnan(status.dry_out_min):
        return math.nan
    if status.dry_out_min < NOTHING_MIN:
        return 0.0
    done_min = 0.0 if status.run is None else status.run.dry_min
    return max(status.dry_out_min, LEAST_MIN - done_min)


def dry_out_line(status: UnitStatus) -> str:
    """How long a dry-out run takes and on what condition, or why none will do."""
    needed_min, longest_min = still_needed_min(status), status.dry_out_longest_min
    if math.isnan(needed_min):
        return "How much hot running is still needed is not known"
    if needed_min == 0.0:
        dry = "By the estimate the sump is dry"
        more = f"it may still need up to {longest_min:.0f} min hot, air valve open"
        return f"{dry}; {more}" if LONGEST_MIN >= longest_min > 0.0 else dry
    if math.isinf(needed_min):
        return "The air here is too wet to dry it at this temperature: drain the settled water cold first"
    if needed_min > LONGEST_MIN:
        return "More water than one run can dry: drain the settled water cold first"
    line = f"Hot running still needed, air valve open once hot: about {needed_min:.0f} min"
    if longest_min > LONGEST_MIN:
        return f"{line}; it may take far longer, so drain the settled water cold first if you can"
    return f"{line}, at most {longest_min:.0f} min" if longest_min > needed_min else line
