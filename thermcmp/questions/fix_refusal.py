"""When a fix is not split: a part that no run identifies.

The rule. The share of the data in the fan speed's part is computed (`data_share`).

- Below `NOTHING` (0.1) the runs say nothing of what fan speed buys: it is the prior's alone.
  If that leaves the part open by more than the size that matters either way, the split is
  refused and the missing run is named; a prior is no measurement. `allow_prior=True` answers
  all the same and says so. If it leaves less open, as for two firmwares of nearly one speed,
  the part is answered and marked.
- Below `MOSTLY_PRIOR` (0.5) a part is answered and marked.

Power needs no such rule, since a rise is in proportion to it, and a part that was never run
has no number at all. A hardware part that cannot be told from a firmware's direct effect is
marked: their sum is measured.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from thermcmp.questions.fix_corners import corner
from thermcmp.questions.fix_parts import FAN
from thermcmp.questions.fix_tables import runs_at
from thermcmp.questions.part_shares import NOTHING
from thermcmp.questions.wording import interval

if TYPE_CHECKING:
    from collections.abc import Mapping

    from thermcmp.model.priors import Array
    from thermcmp.questions.fix_corners import FixStudy


def unidentified(
    study: FixStudy,
    parts: Mapping[str, Array],
    shares: Mapping[str, float],
    *,
    prob: float,
    matters_k: float,
) -> str:
    """Say where nothing but the prior tells what the fan speed brought.

    Parameters
    ----------
    study : FixStudy
        The corners.
    parts : mapping of str to ndarray, shape (S,)
        Draws of the parts [K].
    shares : mapping of str to float
        Share of the data in each part.
    prob : float
        Probability of the intervals.
    matters_k : float
        Size that matters [K].

    Returns
    -------
    str
        Why the split is refused, with the missing run; "" where it is not.
    """
    low, high = interval(parts[FAN], prob)
    if shares.get(FAN, 1.0) >= NOTHING or (high - low) / 2.0 <= matters_k:
        return ""
    return (
        f"What the fan speed brought from {study.builds[0].name} to {study.builds[1].name} is not "
        f"in the runs: {low:.1f} to {high:.1f} K by the prior alone, so hardware and firmware "
        f"cannot be told apart. Mend: {missing_run(study)}; or pass allow_prior=True (it is "
        "recorded)."
    )


def missing_run(study: FixStudy) -> str:
    """The one run that would tell most: a hardware at the other firmware's fan speed."""
    speeds = {firmware: study.settings[firmware].drive for firmware in (False, True)}
    # The hardware that has more runs at its own corner needs but one more speed.
    hardware = max((True, False), key=lambda one: runs_at(study, one, one))
    build, unit = study.builds[hardware], study.fit.design.law.unit
    at, power = speeds[not hardware], float(np.mean(study.power_w[hardware]))
    own = float(np.mean(study.drive(corner(hardware, hardware))))
    return (
        f"run {build.cooler_model} on {build.board_model} at a fixed fan speed of about {at:.0f} "
        f"{unit} and {power:.0f} W (fan_mode 'fixed'), beside its runs at {own:.0f} {unit}"
    )
