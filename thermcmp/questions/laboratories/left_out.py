"""Products against each other without each laboratory in turn."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING, Final

from thermcmp.inference.checks.leave_out import FEWEST, THINNED
from thermcmp.inference.checks.omission_groups import units_of
from thermcmp.model.rows import level_keys
from thermcmp.prediction.builds import Scope
from thermcmp.prediction.equal_conditions import ranked_builds, rows_of_products
from thermcmp.prediction.fitted_build import FittedBuild, rise_weights
from thermcmp.questions.fit_check.figures import left_out_figure
from thermcmp.questions.fit_check.leave_one_out import LeftOutCheck, left_out_answer

if TYPE_CHECKING:
    from thermcmp.inference.posterior import Fit

#: Most products, times laboratories, times draws.
_MOST: Final = 200_000


def without_each_lab(fit: Fit, prob: float) -> LeftOutCheck | None:
    """Return each product against their mean without each laboratory in turn.

    Of the products that several laboratories ran; None with fewer than two of them.
    """
    labs = level_keys(fit.design.rows, ("lab",))
    shared = [labs[rows].nunique() > 1 for rows in rows_of_products(fit)]
    builds = [
        build for build, several in zip(ranked_builds(fit, None).values(), shared, strict=True)
        if several
    ]  # fmt: skip
    if len(builds) < 2:
        return None
    fitted = [FittedBuild(fit, build, Scope.PRODUCT_LINE) for build in builds]
    # At the reference fan speed the exponent is without effect.
    rises = rise_weights(fitted, fit.reference.flow_speed, fit.reference.power_w)(1.0)
    effects = [build.name for build in builds], rises - rises.mean(axis=0)
    # Each product without each laboratory is worked out at every draw.
    draws = min(THINNED, max(FEWEST, _MOST // (labs.nunique() * len(builds))))
    answer = left_out_answer(
        fit,
        units_of(fit, "lab"),
        effects,
        refits=None,
        prob=prob,
        seed=fit.seed or 0,
        draws=draws,
    )
    return replace(
        answer,
        kind="left-out laboratories",
        title=f"Without one laboratory: each product against their mean, {fit.sensor}",
        draw_figure=partial(
            left_out_figure, unit="laboratory", axis="Rise less the mean of the products [K]"
        ),
        fits=(fit,),
    )
