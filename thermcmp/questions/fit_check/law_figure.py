"""Rise against fan speed and against power: the runs, the fitted laws and their bands."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp._types import Array
from thermcmp.inference.checks.residuals import fitted_rise
from thermcmp.inference.law_tables import LawCurve, airflow_curves, power_curve
from thermcmp.questions.plot_style import BAND, INK, MAIN, QUIET, WARM, finish, text_size

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from thermcmp.inference.posterior import Fit

#: Coolers drawn, those with most runs; more lines cannot be distinguished.
MOST_COOLERS: Final = 3
_LOOKS: Final = ((MAIN, "-", "o"), (WARM, "--", "s"), (QUIET, ":", "D"))
_DRAWS: Final = 200


def draw_laws(fit: Fit, airflow_ax: Axes, power_ax: Axes) -> None:
    """Draw what each cooler does with fan speed, and the sensor with board power.

    A curve is level with the mean of its runs, and a run is its curve plus its own residual.
    """
    design, chosen = fit.design, fit.thinned(_DRAWS)
    fitted_k = np.concatenate([rise for _, rise in fitted_rise(fit, chosen)])

    def draws(name: str) -> Array:
        return fit.draws(name)[chosen]

    curves = airflow_curves(design, draws, fit.effects_at(chosen), fitted_k)
    curves = sorted(curves, key=lambda curve: -len(curve.run_at))[:MOST_COOLERS]
    for curve, look in zip(curves, _LOOKS, strict=False):
        _draw(airflow_ax, curve, look)
    airflow_ax.legend(frameon=False, fontsize=text_size(), labelcolor=INK)
    name = "fan speed" if design.law.column == "fan_rpm" else design.law.column
    finish(
        airflow_ax,
        f"Rise of the {fit.sensor} by {name}, at {fit.reference.power_w:.0f} W",
        f"{name[:1].upper()}{name[1:]} [{design.law.unit}]",
        grid="both",
    )
    _draw(power_ax, power_curve(design, draws, fitted_k), _LOOKS[0])
    finish(
        power_ax,
        f"Rise of the {fit.sensor} by board power",
        "Board power [W]",
        grid="both",
    )
    for ax in (airflow_ax, power_ax):
        ax.set_ylabel("Rise [K]", fontsize=text_size(), color=INK)


def _draw(ax: Axes, curve: LawCurve, look: tuple[str, str, str]) -> None:
    colour, line, marker = look
    ax.fill_between(curve.at, curve.low, curve.high, color=BAND, alpha=0.6, linewidth=0, zorder=1)
    ax.plot(curve.at, curve.mean, color=colour, linestyle=line, label=curve.name, zorder=3)
    ax.plot(
        curve.run_at, curve.run_k, linestyle="none", marker=marker, markersize=3.5,
        color=colour, markerfacecolor="white", zorder=2,
    )  # fmt: skip
