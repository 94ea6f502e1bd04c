"""What makes a sensor hot: a resistance that stays, or one that falls with fan speed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp.errors import Fault, InputError, NotEstimableError, suggest

if TYPE_CHECKING:
    import pandas as pd

    from thermcmp import Answer, Fit

#: Fan speeds that differ by less do not separate the two parts (a choice).
_LEAST_RATIO: Final = 1.15
#: Fewest degrees of freedom of the scatter (a choice: from here on it has a mean).
_LEAST_FREEDOM: Final = 3
_PARTS: Final = ("contact", "airflow", "together")
_ASIDE: Final = ("cooler_model", "cooler_id", "board_model", "board_id", "memory_vendor",
                 "assembly", "session", "lab", "bench", "firmware")  # fmt: skip


def contact_or_airflow(fit: Fit, hot: str, cool: str, column: str = "assembly") -> Answer:
    """Answer how much of a sensor's excess stays at every fan speed, and how much falls with it.

    A poor contact adds the same rise at every fan speed, and too little air one that falls like
    the convective resistance. The rise over power of each of the two is a straight line in the
    fit's law of fan speed: least squares per draw of its exponent, scatter and constant part.

    Parameters
    ----------
    fit : Fit
        The fit of the sensor.
    hot, cool : str
        The one that is hot and the one it is compared with, such as two assemblies.
    column : str
        Results column that names them.

    Returns
    -------
    Answer
        Contact, airflow and both together [K at reference power and fan speed].

    Raises
    ------
    InputError
        If the column or a name is not in the fit's rows.
    NotEstimableError
        If one of them was run at one fan speed only, or both have too few runs; it names
        the missing ones.
    """
    from thermcmp import make_answer

    rows = fit.results
    index = {name: _runs(rows, column, name) for name in (hot, cool)}
    lines = [_Line.of(fit, at, f"{column} '{name}'") for name, at in index.items()]
    freedom = sum(len(at) for at in index.values()) - 4
    if freedom < _LEAST_FREEDOM:
        raise NotEstimableError(
            f"{freedom + 4} runs of {hot} and {cool} leave {max(freedom, 0)} to estimate their "
            f"scatter. Fix: add {_LEAST_FREEDOM - freedom} or more at several fan speeds."
        )
    rng = np.random.default_rng(0 if fit.seed is None else fit.seed)
    # Posterior of two straight lines with one scatter, under the usual flat priors.
    square = sum(line.square for line in lines) / rng.chisquare(freedom, len(lines[0].square))
    (fixed_hot, slope_hot), (fixed_cool, slope_cool) = (line.draw(square, rng) for line in lines)
    contact, airflow = fixed_hot - fixed_cool, slope_hot - slope_cool
    draws = dict(zip(_PARTS, (contact, airflow, contact + airflow), strict=True))
    return make_answer(
        "contact or airflow",
        f"What makes {hot} hotter than {cool}: {fit.sensor}",
        draws,
        sentences=_sentences(draws, hot, cool),
        caveats=_caveats(fit, index, column),
        fits=(fit,),
    )


@dataclass(frozen=True, slots=True)
class _Line:
    """Weighted least squares of rise over power along the law's factor, a value per draw."""

    middle: np.ndarray
    level: np.ndarray
    spread: np.ndarray
    slope: np.ndarray
    square: np.ndarray  #: weighted sum of squares left
    total: float  #: sum of the weights

    @classmethod
    def of(cls, fit: Fit, at: np.ndarray, named: str) -> _Line:
        """Return the line through some runs of a fit."""
        design = fit.design
        speed, power = design.flow_speed[at], design.power_ratio[at]
        if speed.max() < _LEAST_RATIO * speed.min():
            raise NotEstimableError(
                f"{named} was run at {speed.mean():.0f} {design.law.unit} only. "
                f"Fix: run it at another fan speed too, {_LEAST_RATIO - 1.0:.0%} away or more."
            )
        reference = fit.reference.flow_speed
        factor = np.stack(
            [design.law.factor(speed, reference, m) for m in fit.draws("airflow exponent")]
        )
        rise = (design.rise_k[at] - fit.draws("constant part")[:, None]) / power
        total, weight = float((power**2).sum()), power**2 / (power**2).sum()
        middle, level = factor @ weight, rise @ weight
        across, up = factor - middle[:, None], rise - level[:, None]
        spread = across**2 @ weight
        slope = (across * up) @ weight / spread
        square = total * ((up - slope[:, None] * across) ** 2 @ weight)
        return cls(middle, level, spread, slope, square, total)

    def draw(self, square: np.ndarray, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
        """Draw the part that stays and the part that falls, at scatters of these squares."""
        error = np.sqrt(square / self.total)
        slope = self.slope + error / np.sqrt(self.spread) * rng.standard_normal(len(error))
        level = self.level + error * rng.standard_normal(len(error))
        return level - slope * self.middle, slope


def _runs(rows: pd.DataFrame, column: str, name: str) -> np.ndarray:
    """Return the positions of the runs of one level that no control loop regulated."""
    if column not in rows:
        fault = Fault("no such column", suggest(column, list(rows.columns)), column=column)
        raise InputError("The two cannot be compared:", [fault])
    names = rows[column].astype("string").fillna("")
    at = np.flatnonzero((names == name) & ~rows["regulated"].astype(bool))
    if not len(at):
        known = sorted(set(names) - {""})
        fault = Fault("no run of it", suggest(name, known), column=column, value=name)
        raise InputError("The two cannot be compared:", [fault])
    return at


def _sentences(draws: dict[str, np.ndarray], hot: str, cool: str) -> list[str]:
    """Return the finding in words, and what to look at."""
    low, high = {}, {}
    for part, values in draws.items():
        low[part], high[part] = np.quantile(values, [0.05, 0.95])

    def shown(part: str) -> str:
        return f"{draws[part].mean():+.1f} K ({low[part]:+.1f} to {high[part]:+.1f})"

    first = (
        f"{hot} is {shown('together')} against {cool}: {shown('contact')} at every fan speed, as "
        f"contact adds, and {shown('airflow')} that falls with fan speed, as a lack of air adds."
    )
    is_contact, is_airflow = low["contact"] > 0.0, low["airflow"] > 0.0
    if low["together"] <= 0.0:
        second = "It is not shown to be hotter at all."
    elif is_contact and not is_airflow:
        second = "Contact: look at pads, paste, springs and the order of tightening."
    elif is_airflow and not is_contact:
        second = "Airflow: look at fins, fan, shroud and what stands in the way of the air."
    elif is_contact:
        second = "Both contact and airflow."
    else:
        second = "Which of the two is open. Fix: run both at fan speeds further apart."
    return [first, second]


def _caveats(fit: Fit, index: dict[str, np.ndarray], column: str) -> list[str]:
    """Name what else differed between the two, and a fit whose exponent may be off."""
    rows, caveats = fit.results, []
    if str(fit.health) == "bad":
        caveats.append("The fit failed its health check, so its exponent may be off.")
    first, second = (rows.iloc[at] for at in index.values())
    differs = [
        name.replace("_", " ")
        for name in _ASIDE
        if name in rows and name != column
        if set(first[name].dropna()) != set(second[name].dropna())
    ]
    if differs:
        caveats.append(
            f"They also differ in {', '.join(differs)}, whose effects are part of these."
        )
    return caveats
