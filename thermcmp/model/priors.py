"""Priors of the model's parameters: proper, in kelvin, printable and changeable.

Each prior also maps a standard-normal coordinate ``z`` to the parameter, so that the engine
explores all parameters on one scale: without information from the data the posterior of ``z``
is a standard normal.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Protocol, runtime_checkable

import numpy as np

from thermcmp._types import Array
from thermcmp.errors import Fault, InputError

if TYPE_CHECKING:
    import pandas as pd


LOG_SQRT_2PI: Final = 0.5 * float(np.log(2.0 * np.pi))


@runtime_checkable
class Prior(Protocol):
    """A proper prior of one parameter."""

    @property
    def words(self) -> str:
        """Short text such as "normal(50, 50)"."""

    @property
    def standard_deviation(self) -> float:
        """Standard deviation, in the parameter's unit."""

    def from_standard(self, z: Array) -> Array:
        """Return the parameter at a standard-normal coordinate."""

    def to_standard(self, value: Array) -> Array:
        """Return the standard-normal coordinate of a parameter: the inverse of `from_standard`."""

    def derivative(self, z: Array) -> Array:
        """Return the derivative of `from_standard`."""


def _require_positive(name: str, value: float) -> None:
    if not (np.isfinite(value) and value > 0):
        raise InputError(
            "A prior needs a positive scale:",
            [
                Fault(
                    "not a positive number",
                    "give a number above zero",
                    column=name,
                    value=str(value),
                )
            ],
        )


@dataclass(frozen=True, slots=True)
class Normal:
    """Normal prior.

    Attributes
    ----------
    mean : float
        Mean, in the parameter's unit.
    sd : float
        Standard deviation, in the parameter's unit; above zero.

    Raises
    ------
    InputError
        If `sd` is not a positive number.
    """

    mean: float
    sd: float

    def __post_init__(self) -> None:
        _require_positive("sd", self.sd)

    @property
    def words(self) -> str:
        """Short text such as "normal(50, 50)"."""
        return f"normal({self.mean:g}, {self.sd:g})"

    @property
    def standard_deviation(self) -> float:
        """Standard deviation, in the parameter's unit."""
        return self.sd

    def from_standard(self, z: Array) -> Array:
        """Return the parameter at a standard-normal coordinate.

        Parameters
        ----------
        z : ndarray
            Standard-normal coordinates [-].

        Returns
        -------
        ndarray
            The parameter, same shape, in its unit.
        """
        return self.mean + self.sd * z

    def to_standard(self, value: Array) -> Array:
        """Return the standard-normal coordinate of a parameter: the inverse of `from_standard`.

        Parameters
        ----------
        value : ndarray
            The parameter, in its unit.

        Returns
        -------
        ndarray
            Standard-normal coordinates [-], same shape.
        """
        return (value - self.mean) / self.sd

    def derivative(self, z: Array) -> Array:
        """Return the derivative of `from_standard`.

        Parameters
        ----------
        z : ndarray
            Standard-normal coordinates [-].

        Returns
        -------
        ndarray
            The derivative, same shape, in the parameter's unit.
        """
        return np.full_like(z, self.sd)


@dataclass(frozen=True, slots=True)
class HalfNormal:
    """Half-normal prior of a standard deviation.

    Attributes
    ----------
    scale : float
        Scale [K or dB]: 68 % of values lie below it; above zero.

    Raises
    ------
    InputError
        If `scale` is not a positive number.
    """

    scale: float

    def __post_init__(self) -> None:
        _require_positive("scale", self.scale)

    @property
    def words(self) -> str:
        """Short text such as "half-normal(2)"."""
        return f"half-normal({self.scale:g})"

    @property
    def standard_deviation(self) -> float:
        """Standard deviation, in the parameter's unit."""
        return self.scale * float(np.sqrt(1.0 - 2.0 / np.pi))

    def from_standard(self, z: Array) -> Array:
        """Return the parameter at a standard-normal coordinate.

        Parameters
        ----------
        z : ndarray
            Standard-normal coordinates [-].

        Returns
        -------
        ndarray
            The parameter, same shape, in its unit.
        """
        from scipy.special import erfcinv, erfinv, ndtr

        # Two forms of one quantile, each accurate in its own tail.
        low = erfinv(ndtr(np.minimum(z, 0.0)))
        high = erfcinv(ndtr(-np.maximum(z, 0.0)))
        return self.scale * np.sqrt(2.0) * np.where(z < 0, low, high)

    def to_standard(self, value: Array) -> Array:
        """Return the standard-normal coordinate of a parameter: the inverse of `from_standard`.

        Parameters
        ----------
        value : ndarray
            The parameter, in its unit.

        Returns
        -------
        ndarray
            Standard-normal coordinates [-], same shape.
        """
        from scipy.special import erf, erfc, ndtri

        x = np.asarray(value) / (self.scale * np.sqrt(2.0))
        return np.where(x < 0.5, ndtri(erf(np.minimum(x, 0.5))), -ndtri(erfc(np.maximum(x, 0.5))))

    def derivative(self, z: Array) -> Array:
        """Return the derivative of `from_standard`.

        Parameters
        ----------
        z : ndarray
            Standard-normal coordinates [-].

        Returns
        -------
        ndarray
            The derivative, same shape, in the parameter's unit.
        """
        x = self.from_standard(z) / self.scale
        return self.scale * 0.5 * np.exp(0.5 * (x**2 - z**2))


@dataclass(frozen=True, slots=True)
class HalfCauchy:
    """Half-Cauchy prior of a standard deviation below a limit.

    Most of it is near zero and its tail is long: few groups keep a spread that they cannot
    estimate open, and many groups decide (Gelman, Bayesian Analysis 1 (2006) 515-534).

    Attributes
    ----------
    scale : float
        Scale [K or dB]: without a limit half of the values lie below it; above zero.
    limit : float
        Largest value [K or dB]; above zero.

    Raises
    ------
    InputError
        If `scale` or `limit` is not a positive number.
    """

    scale: float
    limit: float

    def __post_init__(self) -> None:
        _require_positive("scale", self.scale)
        _require_positive("limit", self.limit)

    @property
    def angle(self) -> float:
        """Angle whose tangent is the limit over the scale [rad]."""
        return float(np.arctan(self.limit / self.scale))

    @property
    def words(self) -> str:
        """Short text such as "half-Cauchy(1.5) below 25"."""
        return f"half-Cauchy({self.scale:g}) below {self.limit:g}"

    @property
    def standard_deviation(self) -> float:
        """Standard deviation, in the parameter's unit."""
        ratio = self.limit / self.scale
        mean, square = np.log1p(ratio**2) / (2.0 * self.angle), ratio / self.angle - 1.0
        return self.scale * float(np.sqrt(square - mean**2))

    def from_standard(self, z: Array) -> Array:
        """Return the parameter at a standard-normal coordinate.

        Parameters
        ----------
        z : ndarray
            Standard-normal coordinates [-].

        Returns
        -------
        ndarray
            The parameter, same shape, in its unit.
        """
        from scipy.special import ndtr

        return self.scale * np.tan(self.angle * ndtr(z))

    def to_standard(self, value: Array) -> Array:
        """Return the standard-normal coordinate of a parameter: the inverse of `from_standard`.

        Parameters
        ----------
        value : ndarray
            The parameter, in its unit.

        Returns
        -------
        ndarray
            Standard-normal coordinates [-], same shape.
        """
        from scipy.special import ndtri

        return np.asarray(ndtri(np.minimum(np.arctan(value / self.scale) / self.angle, 1.0)))

    def derivative(self, z: Array) -> Array:
        """Return the derivative of `from_standard`.

        Parameters
        ----------
        z : ndarray
            Standard-normal coordinates [-].

        Returns
        -------
        ndarray
            The derivative, same shape, in the parameter's unit.
        """
        x = self.from_standard(z) / self.scale
        return self.scale * self.angle * (1.0 + x**2) * np.exp(-0.5 * z**2 - LOG_SQRT_2PI)


@dataclass(frozen=True, slots=True)
class Known:
    """A standard deviation that is stated and not estimated."""

    value: float

    @property
    def words(self) -> str:
        """Short text such as "known: 10"."""
        return f"known: {self.value:g}"

    @property
    def standard_deviation(self) -> float:
        """Standard deviation of the parameter: none."""
        return 0.0

    def from_standard(self, z: Array) -> Array:
        """Return the value at every coordinate."""
        return np.full_like(z, self.value)

    def to_standard(self, value: Array) -> Array:
        """Return zero, the middle of the coordinate that stands for it."""
        return np.zeros_like(value)

    def derivative(self, z: Array) -> Array:
        """Return zero: the value does not change."""
        return np.zeros_like(z)


#: A prior of a standard deviation.
SpreadPrior = HalfNormal | HalfCauchy


@dataclass(frozen=True, slots=True)
class Gamma:
    """Gamma prior of a positive number.

    Attributes
    ----------
    shape : float
        Shape [-]; above zero.
    rate : float
        Rate, in one over the parameter's unit; above zero. The mean is shape / rate.

    Raises
    ------
    InputError
        If `shape` or `rate` is not a positive number.
    """

    shape: float
    rate: float

    def __post_init__(self) -> None:
        _require_positive("shape", self.shape)
        _require_positive("rate", self.rate)

    @property
    def words(self) -> str:
        """Short text such as "gamma(2, 0.1)"."""
        return f"gamma({self.shape:g}, {self.rate:g})"

    @property
    def standard_deviation(self) -> float:
        """Standard deviation, in the parameter's unit."""
        return float(np.sqrt(self.shape)) / self.rate

    def from_standard(self, z: Array) -> Array:
        """Return the parameter at a standard-normal coordinate.

        Parameters
        ----------
        z : ndarray
            Standard-normal coordinates [-].

        Returns
        -------
        ndarray
            The parameter, same shape, in its unit.
        """
        from scipy.special import gammainccinv, gammaincinv, ndtr

        # Two forms of one quantile, each accurate in its own tail.
        low = gammaincinv(self.shape, ndtr(np.minimum(z, 0.0)))
        high = gammainccinv(self.shape, ndtr(-np.maximum(z, 0.0)))
        return np.where(z < 0, low, high) / self.rate

    def to_standard(self, value: Array) -> Array:
        """Return the standard-normal coordinate of a parameter: the inverse of `from_standard`.

        Parameters
        ----------
        value : ndarray
            The parameter, in its unit.

        Returns
        -------
        ndarray
            Standard-normal coordinates [-], same shape.
        """
        from scipy.special import gammainc, gammaincc, ndtri

        x = np.asarray(value) * self.rate
        low, high = gammainc(self.shape, x), gammaincc(self.shape, x)
        return np.where(low < 0.5, ndtri(np.minimum(low, 0.5)), -ndtri(np.minimum(high, 0.5)))

    def derivative(self, z: Array) -> Array:
        """Return the derivative of `from_standard`.

        Parameters
        ----------
        z : ndarray
            Standard-normal coordinates [-].

        Returns
        -------
        ndarray
            The derivative, same shape, in the parameter's unit.
        """
        from scipy.special import gammaln

        x = self.from_standard(z) * self.rate
        log_density = (self.shape - 1.0) * np.log(x) - x - gammaln(self.shape)
        return np.exp(-0.5 * z**2 - LOG_SQRT_2PI - log_density) / self.rate


@dataclass(frozen=True, slots=True)
class Correlation:
    """Prior of a (partial) correlation: 2 Beta(shape, shape) - 1.

    Attributes
    ----------
    shape : float
        Shape [-]; above zero. 1 is uniform, larger values shrink towards zero.

    Raises
    ------
    InputError
        If `shape` is not a positive number.
    """

    shape: float

    def __post_init__(self) -> None:
        _require_positive("shape", self.shape)

    @property
    def words(self) -> str:
        """Short text such as "2 beta(2, 2) - 1"."""
        return f"2 beta({self.shape:g}, {self.shape:g}) - 1"

    @property
    def standard_deviation(self) -> float:
        """Standard deviation [-]."""
        return float(1.0 / np.sqrt(2.0 * self.shape + 1.0))

    def from_standard(self, z: Array) -> Array:
        """Return the correlation at a standard-normal coordinate."""
        from scipy.special import betaincinv, ndtr

        # Distance from the nearer end, which keeps its digits, and never quite zero.
        distance = np.maximum(2.0 * betaincinv(self.shape, self.shape, ndtr(-np.abs(z))), 1e-12)
        return np.sign(z) * (1.0 - distance)

    def to_standard(self, value: Array) -> Array:
        """Return the standard-normal coordinate of a parameter: the inverse of `from_standard`."""
        from scipy.special import betainc, ndtri

        tail = betainc(self.shape, self.shape, 0.5 * (1.0 - np.abs(value)))
        return -np.sign(value) * ndtri(tail)

    def derivative(self, z: Array) -> Array:
        """Return the derivative of `from_standard`."""
        from scipy.special import betaln

        near = 0.5 * (1.0 - np.abs(self.from_standard(z)))
        log_density = (self.shape - 1.0) * (np.log(near) + np.log1p(-near))
        log_density -= betaln(self.shape, self.shape)
        return 2.0 * np.exp(-0.5 * z**2 - LOG_SQRT_2PI - log_density)


def correlation_priors(size: int, shape: float) -> tuple[Correlation, ...]:
    """Return the priors of the partial correlations of several effects.

    References
    ----------
    D. Lewandowski, D. Kurowicka and H. Joe, Journal of Multivariate Analysis 100 (2009)
    1989-2001.
    """
    return tuple(
        Correlation(shape + 0.5 * (size - 2 - j)) for i in range(1, size) for j in range(i)
    )


@dataclass(frozen=True, slots=True)
class PriorSet(Mapping[str, Prior]):
    """The priors of one fit, by parameter name.

    Attributes
    ----------
    entries : tuple of (name, prior, meaning)
        Name as in the posterior, the prior, and its meaning in plain words.
    """

    entries: tuple[tuple[str, Prior, str], ...]

    def __getitem__(self, name: str) -> Prior:
        for known, prior, _ in self.entries:
            if known == name:
                return prior
        raise KeyError(name)

    def __iter__(self) -> Iterator[str]:
        return (name for name, _, _ in self.entries)

    def __len__(self) -> int:
        return len(self.entries)

    @property
    def table(self) -> pd.DataFrame:
        """Table with columns parameter, prior, meaning."""
        import pandas as pd

        return pd.DataFrame(
            [(name, prior.words, meaning) for name, prior, meaning in self.entries],
            columns=["parameter", "prior", "meaning"],
        )

    def changed(self, replacements: Mapping[str, Prior] | None) -> PriorSet:
        """Return a copy with some priors replaced."""
        replacements = dict(replacements or {})
        faults = [
            Fault("the fit has no such parameter", f"use one of: {', '.join(self)}", column=name)
            for name in replacements
            if name not in self
        ]
        for name, prior in replacements.items():
            default = self.get(name, prior)
            if not isinstance(prior, Normal | SpreadPrior | Known | Gamma):
                fix = " or ".join(form for form, _ in _FORMS.values())
                faults.append(Fault("not a prior", f"give {fix}", column=name, value=repr(prior)))
            elif _kind(prior) is not _kind(default):
                fix, why = _FORMS[_kind(default)]
                faults.append(Fault(why, f"give {fix}", column=name, value=prior.words))
        if faults:
            raise InputError("These priors cannot be used:", faults)
        return PriorSet(
            tuple(
                (name, replacements.get(name, prior), meaning)
                for name, prior, meaning in self.entries
            )
        )


#: How each prior is written, and why its parameter accepts no other kind.
_FORMS: Final[dict[type, tuple[str, str]]] = {
    Normal: ("Normal(mean, sd)", "this parameter can have either sign"),
    HalfNormal: (
        "HalfNormal(scale) or HalfCauchy(scale, limit)",
        "a spread cannot be negative, but can be zero",
    ),
    Gamma: ("Gamma(shape, rate)", "degrees of freedom are above zero"),
}


def _kind(prior: Prior) -> type:
    """Return the form that stands for all priors which a parameter accepts."""
    return HalfNormal if isinstance(prior, SpreadPrior | Known) else type(prior)
