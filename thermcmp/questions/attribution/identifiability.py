"""When an attribution is refused: a part that no run identifies.

The share of the data (`data_share`) is computed for every part, and for the convective part
of every cooler of the fit. Scatter about one set point is not data on it (see
`model.measurement_error`), so it rests on speeds and powers that were set to differ.

- If no cooler's convective part reaches `NOTHING` (0.1), no run identifies one. If that
  leaves the fan speed's part open by more than the size that matters either way, the split is
  refused and the missing run is named.
- A part whose own share is below `MOSTLY_PRIOR` (0.5), and whose standard deviation is more than
  a tenth of the size that matters, is withheld: the answer has the range that it may have, and
  the run that would settle it, but no point.
- The split is withheld too where neither cooler was run near the other build's fan speed, or
  neither board near its power (`reach_of`): it then rests on a law far from any run.
- A direct firmware effect that changed together with the hardware is withheld; the hardware's
  interval allows for it by its prior.

`allow_prior=True` states all the same and records it: a prior is not a measurement.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from thermcmp._types import Array
from thermcmp.inference.checks.data_share import data_share
from thermcmp.inference.parameter_notes import MOSTLY_PRIOR
from thermcmp.model.conditions import Build
from thermcmp.model.terms import Acts
from thermcmp.physics.reach import Reach, reach_of
from thermcmp.prediction.builds import Scope
from thermcmp.prediction.fitted_build import FittedBuild
from thermcmp.questions.attribution.corners import corner
from thermcmp.questions.attribution.data_shares import NOTHING
from thermcmp.questions.attribution.hardware import FIRMWARE, parts_split_by_prior
from thermcmp.questions.attribution.parts import DIRECT, EQUAL_NOISE, FAN, HARDWARE, INSIDE, POWER
from thermcmp.questions.attribution.tables import runs_at
from thermcmp.questions.phrases import interval, number_words, range_words

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
    if shares.get(FAN, 1.0) >= NOTHING or high - low <= 2.0 * matters_k:
        return ""
    if max(airflow_shares(study.fit)) >= NOTHING:
        return ""
    return (
        f"{study.builds[1].name} improves on {study.builds[0].name} by "
        f"{range_words(parts['total'], prob)}, but what the fan speed brought of it is not in the "
        f"runs: {number_words(low)} to {number_words(high)} K by the prior alone, so hardware and "
        f"firmware are not separable. Fix: {_other_speed(study, _less_run(study))}; or pass "
        "allow_prior=True (it is recorded)."
    )


def withheld_parts(
    study: AttributionStudy, parts: Mapping[str, Array], weak: frozenset[str]
) -> frozenset[str]:
    """Return the parts that are stated as a range only."""
    aliased = FIRMWARE in parts_split_by_prior(study.fit, study.builds)
    withheld = (weak - {"total"}) | ({DIRECT} if aliased and study.has_direct else set())
    if _speeds_apart(study):
        withheld |= set(parts) - {"total", POWER, DIRECT}
    if _powers_apart(study):
        withheld |= set(parts) - {"total", FAN, DIRECT}
    if {HARDWARE, FAN} & withheld:
        withheld |= {"interaction"}
    if HARDWARE in withheld:
        # What is inside the hardware's part, or follows from it, is open too.
        withheld |= {name for name in parts if name.startswith(INSIDE)} | {EQUAL_NOISE}
    return frozenset(withheld)


def missing_runs(study: AttributionStudy, withheld: frozenset[str]) -> tuple[str, ...]:
    """Describe the runs that would settle what is withheld."""
    runs = []
    shares = dict(zip((False, True), _build_shares(study), strict=True))
    if withheld & {FAN, HARDWARE}:
        open_ = [is_new for is_new, share in shares.items() if share < MOSTLY_PRIOR]
        if not open_ and _speeds_apart(study):
            open_ = [_less_run(study)]
        runs += [_other_speed(study, is_new) for is_new in open_]
    if POWER in withheld or (HARDWARE in withheld and not runs):
        build, speed = study.builds[True], float(np.mean(study.flow_speed(corner(True, True))))
        old, new = (float(np.mean(power)) for power in study.power_w)
        if abs(old - new) > 0.02 * new:
            under = " under one firmware" if study.has_direct else ""
            runs.append(
                f"run {build.cooler_model} on {build.board_model} at {old:.0f} W and at "
                f"{new:.0f} W, both at a fixed {speed:.0f} {study.fit.design.law.unit}{under}"
            )
    if DIRECT in withheld:
        old_firmware, new_firmware = (build.firmware for build in study.builds)
        build = study.builds[False]
        runs.append(
            f"run {build.cooler_model} on {build.board_model} under {new_firmware} and under "
            f"{old_firmware} at one fixed fan speed and power"
        )
    return tuple(runs)


def _speeds_apart(study: AttributionStudy) -> bool:
    """Return whether neither cooler was run near the fan speed of the other build."""
    own = [float(np.median(study.flow_speed(corner(is_new, is_new)))) for is_new in (False, True)]
    return _apart(study, "cooler_model", study.fit.design.flow_speed, own)


def _powers_apart(study: AttributionStudy) -> bool:
    """Return whether neither board was run near the power of the other build."""
    design = study.fit.design
    own = [float(np.median(power)) for power in study.power_w]
    return _apart(study, "board_model", design.power_ratio * design.reference.power_w, own)


def _apart(study: AttributionStudy, column: str, values: Array, own: list[float]) -> bool:
    """Return whether neither build's part was run near the value that the other build has."""
    parts = study.fit.design.rows[column].astype(str).to_numpy()
    for build, other in zip(study.builds, reversed(own), strict=True):
        run_at = values[parts == getattr(build, column)]
        if not len(run_at) or reach_of(other, run_at.min(), run_at.max()) is not Reach.REFUSED:
            return False
    return True


def _build_shares(study: AttributionStudy) -> list[float]:
    """Return the data's share in the convective part of the old and the new build."""
    weights = [
        FittedBuild(study.fit, build, Scope.PRODUCT_LINE).effect_weights[Acts.AIRFLOW]
        for build in study.builds
    ]
    return data_share(study.fit, np.stack(weights)).tolist()


def airflow_shares(fit: Fit) -> list[float]:
    """Return the data's share in the convective part of each pair of cooler and board."""
    pairs = fit.design.rows[["cooler_model", "board_model"]].drop_duplicates()
    builds = [
        Build(cooler_model=str(c), board_model=str(b)) for c, b in pairs.itertuples(index=False)
    ]
    line = Scope.PRODUCT_LINE
    weights = [FittedBuild(fit, build, line).effect_weights[Acts.AIRFLOW] for build in builds]
    return data_share(fit, np.unique(weights, axis=0)).tolist()


def _less_run(study: AttributionStudy) -> bool:
    """Return the hardware that has more runs at its own corner: it needs but one more speed."""
    return max((True, False), key=lambda is_new: runs_at(study, is_new, is_new))


def _other_speed(study: AttributionStudy, hardware: bool) -> str:
    """Describe a run of a hardware at the other firmware's fan speed."""
    build, unit = study.builds[hardware], study.fit.design.law.unit
    at = study.settings[not hardware].flow_speed
    power = float(np.mean(study.power_w[hardware]))
    speed = float(np.mean(study.flow_speed(corner(hardware, hardware))))
    return (
        f"run {build.cooler_model} on {build.board_model} at a fixed fan speed of about {at:.0f} "
        f"{unit} and {power:.0f} W (fan_mode 'fixed'), beside its runs at {speed:.0f} {unit}"
    )
