"""Steady temperature of one sensor by ambient, power and fan speed, draw by draw.

T(N) = A + U + P · [ R + S · (g(N) - 1) + W · k(N) ],    g the airflow law, g(N_ref) = 1,

k its slope along the exponent. U does not follow board power; W is what a cooler's own
exponent changes, to first order.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from thermcmp._types import Array
from thermcmp.errors import Fault, InputError
from thermcmp.physics._checks import floats, require_positive
from thermcmp.physics.airflow import AirflowLaw, PowerLaw

#: What may differ from draw to draw.
DRAWN: Final = (
    "ambient_c", "power_w", "resistance_k_per_w", "convective_k_per_w", "exponent",
    "bend_k_per_w", "constant_k",
)  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False, init=False)
class SensorLaw:
    """Temperature of one sensor of one build by fan speed, at one ambient and power.

    Numbers and draws can be mixed: each value is a number or has shape (n,), and all
    are broadcast to shape (n,).

    Attributes
    ----------
    ambient_c : numpy.ndarray, shape (n,)
        Air at the cooler's intake, A [°C].
    power_w : numpy.ndarray, shape (n,)
        Board power P that the load requests [W], above 0.
    resistance_k_per_w : numpy.ndarray, shape (n,)
        Thermal resistance to ambient at the reference speed, R [K/W].
    convective_k_per_w : numpy.ndarray, shape (n,)
        Convective part of it, S [K/W].
    exponent : numpy.ndarray, shape (n,)
        Airflow exponent m [-].
    bend_k_per_w : numpy.ndarray, shape (n,)
        First-order change W of the convective part by a cooler's own exponent [K/W].
    constant_k : numpy.ndarray, shape (n,)
        Part of the rise U that does not follow board power [K].
    reference_rpm : float
        Reference fan speed N_ref [rpm].
    law : AirflowLaw
        Airflow law g of fan speed; the power law by default.

    Raises
    ------
    InputError
        If a value is not finite, power or reference speed are not above 0, shapes do
        not fit, or the law is of something other than fan speed.
    """

    ambient_c: Array
    power_w: Array
    resistance_k_per_w: Array
    convective_k_per_w: Array
    exponent: Array
    bend_k_per_w: Array
    constant_k: Array
    reference_rpm: float
    law: AirflowLaw

    def __init__(  # noqa: PLR0913 - a value for each draw, all keyword-only
        self,
        *,
        ambient_c: ArrayLike,
        power_w: ArrayLike,
        resistance_k_per_w: ArrayLike,
        convective_k_per_w: ArrayLike,
        exponent: ArrayLike,
        bend_k_per_w: ArrayLike = 0.0,
        constant_k: ArrayLike = 0.0,
        reference_rpm: float,
        law: AirflowLaw | None = None,
    ) -> None:
        values = (
            ambient_c, power_w, resistance_k_per_w, convective_k_per_w, exponent,
            bend_k_per_w, constant_k,
        )  # fmt: skip
        draws = dict(zip(DRAWN, map(floats, values), strict=True))
        airflow = PowerLaw() if law is None else law
        _check(draws, reference_rpm, airflow)
        broadcast = np.broadcast_arrays(*map(np.atleast_1d, draws.values()))
        for name, array in zip(DRAWN, broadcast, strict=True):
            object.__setattr__(self, name, array)
        object.__setattr__(self, "reference_rpm", float(reference_rpm))
        object.__setattr__(self, "law", airflow)

    @property
    def rise_draws(self) -> tuple[Array, ...]:
        """All draws but the ambient: arguments of `rise_from`."""
        return tuple(getattr(self, name) for name in DRAWN[1:])

    def rise_from(self, fan_rpm: Array, *draws: Array) -> NDArray:
        """Return the rise for some of the draws, for a solver that drops solved draws.

        Parameters
        ----------
        fan_rpm : numpy.ndarray, broadcastable to the draws
            Fan speed [rpm].
        *draws : numpy.ndarray
            Power [W], resistance and convective part [K/W], exponent [-], bend [K/W] and
            constant part [K].

        Returns
        -------
        numpy.ndarray, broadcast shape
            Rise over ambient [K].
        """
        power, resistance, convective, exponent, bend, constant = draws
        factor = self.law.factor(fan_rpm, self.reference_rpm, exponent)
        usual = self.law.exponent_prior_mean
        bent = bend * self.law.slope(fan_rpm, self.reference_rpm, usual)
        return np.asarray(constant + power * (resistance + convective * (factor - 1.0) + bent))

    def temperature_c(self, fan_rpm: ArrayLike) -> Array:
        """Return the steady temperature at a fan speed.

        Parameters
        ----------
        fan_rpm : array_like, broadcastable to shape (..., n)
            Fan speed, above 0 [rpm]; NaN gives NaN.

        Returns
        -------
        numpy.ndarray, broadcast shape
            Temperature [°C].

        Raises
        ------
        InputError
            If a speed is zero, negative or infinite.
        """
        return self.ambient_c + self.rise_from(floats(fan_rpm), *self.rise_draws)

    def at(self, **values: Any) -> SensorLaw:
        """Return the same sensor under other conditions.

        Parameters
        ----------
        **values : array_like, number or shape (n,)
            Attributes to replace, such as ``ambient_c=35.0``.

        Returns
        -------
        SensorLaw
            A new law.

        Raises
        ------
        InputError
            If there is no such attribute or the new values do not fit.
        """
        known = [field.name for field in fields(self)]
        wrong = [name for name in values if name not in known]
        if wrong:
            fault = Fault("no such attribute", f"use one of {', '.join(known)}", column=wrong[0])
            raise InputError("The conditions of a sensor cannot be changed:", [fault])
        return replace(self, **values)

    def in_air(self, factor: ArrayLike) -> SensorLaw:
        """Return the same sensor in air of another density.

        Parameters
        ----------
        factor : array_like, number or shape (n,)
            Convective resistance relative to the present one [-], from
            `thermcmp.physics.air.density_factor`.

        Returns
        -------
        SensorLaw
            T = A + U + P [R - S + factor · (S · g(N) + W · k(N))], in the form of this class.
        """
        convective = self.convective_k_per_w * floats(factor)
        fixed = self.resistance_k_per_w - self.convective_k_per_w
        return self.at(
            resistance_k_per_w=fixed + convective,
            convective_k_per_w=convective,
            bend_k_per_w=self.bend_k_per_w * floats(factor),
        )


def _check(draws: dict[str, Array], reference_rpm: float, law: AirflowLaw) -> None:
    """Refuse values that do not form a law of fan speed."""
    message = "This law of a sensor is not valid:"
    require_positive(
        message,
        "give power in W and speed in rpm",
        power_w=draws["power_w"],
        reference_rpm=reference_rpm,
    )
    faults = [
        Fault("not all values are finite", "leave such draws out", column=name)
        for name, values in {**draws, "reference_rpm": floats(reference_rpm)}.items()
        if not np.isfinite(values).all()
    ]
    if law.column != "fan_rpm":
        words = f"driven by {law.column}, while firmware sets fan_rpm"
        faults.append(Fault(words, "use a law of fan speed", column="law", value=law.name))
    shapes = {values.shape for values in draws.values()} - {(), (1,)}
    if len(shapes) > 1 or any(len(shape) != 1 for shape in shapes):
        listed = ", ".join(f"{name} {values.shape}" for name, values in draws.items())
        faults.append(Fault(f"shapes do not fit: {listed}", "give numbers, or n draws of each"))
    if faults:
        raise InputError(message, faults)
