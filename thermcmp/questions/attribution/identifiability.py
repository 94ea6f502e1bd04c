"""When an attribution is refused: a part that no run identifies.

The rule. The convective part of a cooler's resistance is known by its runs at several fan
speeds, or it is taken to be like that of the other coolers, as far as their spread allows. The
share of the data (`data_share`) in it is computed for every cooler of the fit.

- If it is below `NOTHING` (0.1) for all of them, no run identifies a convective part: it is
  the prior's alone. If that leaves the fan speed's part open by more than the size that
  matters either way, the split is refused and the missing run is named; a prior is not a
  measurement. `allow_prior=True` answers all the same and records it. If it leaves less open,
  as for two firmwares of nearly one speed, the part is answered and marked.
- If one cooler's is known, the split is answered. A part whose own share is below
  `MOSTLY_PRIOR` (0.5) is marked: that the coolers are alike is an assumption.

Power needs no such rule, since a rise is in proportion to it, and a part that was never run
has no number at all. A hardware part that is not separable from a firmware's direct effect is
marked: their sum is measured.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from thermcmp._types import Array
from thermcmp.inference.checks.data_share import data_share
from thermcmp.model.conditions import Build
from thermcmp.model.terms import Acts
from thermcmp.prediction.builds import Scope
from thermcmp.prediction.fitted_build import FittedBuild
from thermcmp.questions.attribution.corners import corner
from thermcmp.questions.attribution.data_shares import NOTHING
from thermcmp.questions.attribution.parts import FAN
from thermcmp.questions.attribution.tables import runs_at
from thermcmp.questions.phrases import interval

if TYPE_CHECKING:
    from collections.abc import Mapping

    from thermcmp.inference.posterior import Fit
    from thermcmp.questions.attribution.corners import AttributionStudy


def unidentified(
    study: AttributionStudy,
    parts: Mapping[str, Array],
    shares: Mapping[str, float],
    *,
    prob: float,
    matters_k: float,
) -> str:
    """Describe the fan speed's part where nothing but the prior identifies it, else ""."""
    low, high = interval(parts[FAN], prob)
    if shares.get(FAN, 1.0) >= NOTHING or (high - low) / 2.0 <= matters_k:
        return ""
    if max(airflow_shares(study.fit)) >= NOTHING:
        return ""
    return (
        f"What the fan speed brought from {study.builds[0].name} to {study.builds[1].name} is not "
        f"in the runs: {low:.1f} to {high:.1f} K by the prior alone, so hardware and firmware "
        f"are not separable. Fix: {missing_run(study)}; or pass allow_prior=True (it is "
        "recorded)."
    )


def airflow_shares(fit: Fit) -> list[float]:
    """Return the data's share in the convective part of each pair of cooler and board."""
    pairs = fit.results[["cooler_model", "board_model"]].drop_duplicates()
    builds = [
        Build(cooler_model=str(c), board_model=str(b)) for c, b in pairs.itertuples(index=False)
    ]
    line = Scope.PRODUCT_LINE
    weights = [FittedBuild(fit, build, line).effect_weights[Acts.AIRFLOW] for build in builds]
    return data_share(fit, np.unique(weights, axis=0)).tolist()


def missing_run(study: AttributionStudy) -> str:
    """Describe the one run that would show most: a hardware at the other firmware's fan speed."""
    speeds = {firmware: study.settings[firmware].flow_speed for firmware in (False, True)}
    # The hardware that has more runs at its own corner needs but one more speed.
    hardware = max((True, False), key=lambda is_new: runs_at(study, is_new, is_new))
    build, unit = study.builds[hardware], study.fit.design.law.unit
    at, power = speeds[not hardware], float(np.mean(study.power_w[hardware]))
    speed = float(np.mean(study.flow_speed(corner(hardware, hardware))))
    return (
        f"run {build.cooler_model} on {build.board_model} at a fixed fan speed of about {at:.0f} "
        f"{unit} and {power:.0f} W (fan_mode 'fixed'), beside its runs at {speed:.0f} {unit}"
    )
