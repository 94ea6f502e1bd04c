"""Airflow laws: how the convective resistance falls with fan speed.

An airflow law is a plug-in point: it names the results column that sets the flow
and computes the convective resistance relative to a reference. The power law here
is the default for air; laws for other coolants come as plug-ins.

References
----------
E. Pohlhausen, "Der Wärmeaustausch zwischen festen Körpern und Flüssigkeiten mit
kleiner Reibung und kleiner Wärmeleitung", ZAMM 1 (1921) 115-121: laminar flat
plate, Nu ~ Re^0.5.

F. W. Dittus and L. M. K. Boelter, "Heat transfer in automobile radiators of the
tubular type", Univ. of California Publ. in Engineering 2 (1930) 443-461:
turbulent duct, Nu ~ Re^0.8.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from typing import Any, Final, Protocol, runtime_checkable

import numpy as np
from numpy.typing import ArrayLike

from thermcmp._types import Array
from thermcmp.errors import Fault, InputError, ThermcmpError
from thermcmp.hooks import PluginItem, guarded, hookimpl, named_item, provided
from thermcmp.physics._checks import floats, require_positive
from thermcmp.tabular.units import parse_unit

#: Flow speeds at which a plug-in's law is tried, in whatever unit it has, and their ratios to
#: each, of which the narrower are for laws that refuse the wider.
_TRIED: Final = (1000.0, 100.0, 10.0, 1.0)
_RATIOS: Final = ((0.5, 0.7, 1.2, 2.0, 4.0), (1.1, 1.2))


@runtime_checkable
class AirflowLaw(Protocol):
    """The members of an airflow law; any object that has them is one.

    The law has one shape parameter, the exponent m, with a normal prior. Both
    engines call the same two methods: the conditional engine with numbers, the
    NUTS engine with a PyTensor scalar as `exponent`. So the formula of a law uses
    the operators ``+ - * / **``, ``numpy.log`` and ``numpy.exp`` only, never
    branches on `exponent`, and never converts it to a float.

    Attributes
    ----------
    name : str
        Name by which a fit selects the law.
    column : str
        Results column that sets the flow, such as ``fan_rpm``.
    unit : str
        Unit of that column, for tables and figures.
    exponent_prior_mean, exponent_prior_sd : float
        Normal prior of the exponent [-].
    """

    @property
    def name(self) -> str: ...  # noqa: D102

    @property
    def column(self) -> str: ...  # noqa: D102

    @property
    def unit(self) -> str: ...  # noqa: D102

    @property
    def exponent_prior_mean(self) -> float: ...  # noqa: D102

    @property
    def exponent_prior_sd(self) -> float: ...  # noqa: D102

    def factor(self, flow_speed: ArrayLike, reference: ArrayLike, exponent: Any) -> Any:
        """Return the convective resistance relative to the one at `reference`.

        Parameters
        ----------
        flow_speed : array_like, shape (n,)
            Values of `column` [`unit`], above zero.
        reference : array_like, scalar or shape (n,)
            Reference value of `column` [`unit`], above zero.
        exponent : float, array_like or PyTensor scalar
            Exponent m [-].

        Returns
        -------
        numpy.ndarray or PyTensor variable, broadcast shape
            Factor [-]; exactly 1 where `flow_speed` equals `reference`.
        """
        ...

    def slope(self, flow_speed: ArrayLike, reference: ArrayLike, exponent: Any) -> Any:
        """Return the exact derivative of `factor` with respect to `exponent`.

        Parameters
        ----------
        flow_speed, reference, exponent
            As for `factor`.

        Returns
        -------
        numpy.ndarray or PyTensor variable, broadcast shape
            Derivative [-].
        """
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class PowerLaw:
    """Convective resistance as a power of fan speed: g = (N / N_ref)^(-m).

    By the fan laws flow is proportional to speed at a fixed air path, and a
    convective coefficient is a power of flow: exponent 0.5 for a laminar flat
    plate (Pohlhausen 1921), 0.8 for a turbulent duct (Dittus & Boelter 1930).
    The default prior is centred between the two, and both lie within 1.5
    standard deviations of it.

    Attributes
    ----------
    name : str
        ``"power law"``.
    column, unit : str
        ``"fan_rpm"`` in ``"rpm"``.
    exponent_prior_mean, exponent_prior_sd : float
        Normal prior of m [-].
    """

    name: str = "power law"
    column: str = "fan_rpm"
    unit: str = "rpm"
    exponent_prior_mean: float = 0.65
    exponent_prior_sd: float = 0.10

    def factor(self, flow_speed: ArrayLike, reference: ArrayLike, exponent: Any) -> Any:
        """Return the convective resistance relative to the one at `reference`.

        Parameters
        ----------
        flow_speed : array_like, shape (n,)
            Fan speed N [rpm], above zero; NaN gives NaN.
        reference : array_like, scalar or shape (n,)
            Reference fan speed N_ref [rpm], above zero.
        exponent : float, array_like or PyTensor scalar
            Exponent m [-].

        Returns
        -------
        numpy.ndarray or PyTensor variable, broadcast shape
            (N / N_ref)^(-m) [-].

        Raises
        ------
        InputError
            If a speed is zero, negative or infinite.
        """
        return _speed_ratio(flow_speed, reference) ** (-exponent)

    def slope(self, flow_speed: ArrayLike, reference: ArrayLike, exponent: Any) -> Any:
        """Return the exact derivative of `factor` with respect to `exponent`.

        Parameters
        ----------
        flow_speed, reference, exponent
            As for `factor`.

        Returns
        -------
        numpy.ndarray or PyTensor variable, broadcast shape
            -ln(N / N_ref) (N / N_ref)^(-m) [-].

        Raises
        ------
        InputError
            If a speed is zero, negative or infinite.
        """
        ratio = _speed_ratio(flow_speed, reference)
        return -np.log(ratio) * ratio ** (-exponent)


@dataclass(frozen=True, slots=True, eq=False)
class _PluginLaw:
    """The airflow law of a plug-in, and equal to it; an error in its formula names the plug-in."""

    law: AirflowLaw
    provision: PluginItem

    def __eq__(self, other: object) -> bool:
        return self.law == (other.law if isinstance(other, _PluginLaw) else other)

    def __hash__(self) -> int:
        return hash(self.law)

    @property
    def name(self) -> str:
        """Name by which a fit selects the law."""
        return self.law.name

    @property
    def column(self) -> str:
        """Results column that sets the flow."""
        return self.law.column

    @property
    def unit(self) -> str:
        """Unit of that column."""
        return self.law.unit

    @property
    def exponent_prior_mean(self) -> float:
        """Mean of the exponent's normal prior [-]."""
        return self.law.exponent_prior_mean

    @property
    def exponent_prior_sd(self) -> float:
        """Standard deviation of the exponent's normal prior [-]."""
        return self.law.exponent_prior_sd

    def factor(self, flow_speed: ArrayLike, reference: ArrayLike, exponent: Any) -> Any:
        """Return the convective resistance relative to the one at `reference`."""
        return self._called(self.law.factor, flow_speed, reference, exponent)

    def slope(self, flow_speed: ArrayLike, reference: ArrayLike, exponent: Any) -> Any:
        """Return the exact derivative of `factor` with respect to `exponent`."""
        return self._called(self.law.slope, flow_speed, reference, exponent)

    def _called(self, formula: Callable[..., Any], *arguments: Any) -> Any:
        def numbers(*arguments: Any) -> Any:
            values = formula(*arguments)
            if isinstance(arguments[-1], int | float | np.ndarray | np.generic):
                expected = sum(floats(argument) for argument in arguments)
                if np.shape(values) != np.shape(expected):
                    raise ValueError("returned another shape than that of the flow speeds")
                if not np.isfinite(floats(values)[np.isfinite(expected)]).all():
                    raise ValueError("returned what is not a finite number")
            return values

        return guarded(self.provision, numbers, object, passing=(ThermcmpError,))(*arguments)


def check_airflow_law(law: AirflowLaw, flow_speed: ArrayLike, reference: float) -> None:
    """Check an airflow law; for the tests of a plug-in.

    Parameters
    ----------
    law : AirflowLaw
        The law.
    flow_speed : array_like, shape (n,)
        Values of the law's column over its range of use [its unit].
    reference : float
        Reference value [its unit].

    Raises
    ------
    InputError
        If one of these does not hold: a proper prior; a factor that is finite and above
        zero, 1 at the reference, falls with flow, has the same ratios under another
        reference and is the same the second time; a slope that is the factor's derivative
        (central difference, to 1e-6 relative); the same numbers from a PyTensor exponent.
    """
    import pytensor
    import pytensor.tensor as pt

    speeds, mean = floats(flow_speed), law.exponent_prior_mean
    faults = [*_prior_faults(law), *_formula_faults(law, speeds, reference)]
    exponent = pt.dscalar("exponent")
    for method in (law.factor, law.slope):
        graph = method(speeds, reference, exponent)
        value = pytensor.function([exponent], graph, mode="FAST_COMPILE")(mean)
        if not np.allclose(value, floats(method(speeds, reference, mean)), rtol=1e-12):
            faults.append(
                Fault("PyTensor computes other numbers", "use operators, log and exp only")
            )
    if faults:
        raise InputError(f"The airflow law '{law.name}' is not valid:", faults)


def faults_of_airflow_laws(law: AirflowLaw) -> list[Fault]:
    """Return what a short trial of a law shows; `check_airflow_law` tries PyTensor too.

    Parameters
    ----------
    law : AirflowLaw
        The law of a plug-in, with all members.

    Returns
    -------
    list of Fault
        Empty for a law that can be used.
    """
    faults = _prior_faults(law)
    if law.column.endswith("_rpm") and parse_unit(law.unit) != parse_unit("rpm"):
        faults.append(Fault("another unit than the column's", "state rpm", value=law.unit))
    for reference in _TRIED:
        for ratios in _RATIOS:
            # A law may refuse what is out of its own range.
            with suppress(InputError):
                return faults + _formula_faults(law, reference * np.array(ratios), reference)
    return [*faults, Fault("refuses all flow speeds", "take speeds above zero in its unit")]


def _prior_faults(law: AirflowLaw) -> list[Fault]:
    """Return what is wrong with the prior of a law's exponent."""
    mean, sd = law.exponent_prior_mean, law.exponent_prior_sd
    if np.isfinite(mean) and np.isfinite(sd) and sd > 0.0:
        return []
    return [Fault("the exponent's prior is not a normal", "give a mean and an sd > 0")]


def _formula_faults(law: AirflowLaw, speeds: Array, reference: float) -> list[Fault]:
    """Return the first that is wrong with the formula of a law at some flow speeds."""
    mean, sd = law.exponent_prior_mean, law.exponent_prior_sd
    speeds = np.unique([*speeds, reference])

    def factor(exponent: float, reference: float = reference) -> Array:
        with np.errstate(all="ignore"):
            return floats(law.factor(speeds, reference, exponent))

    value, slope = factor(mean), floats(law.slope(speeds, reference, mean))
    if value.shape != speeds.shape or slope.shape != speeds.shape:
        return [Fault("not a number per flow speed", "return arrays of that shape")]
    # An engine looks for the exponent within its prior.
    tried = [value, *(factor(mean + wide * sd) for wide in (-4.0, 4.0))]
    if not (np.isfinite(slope).all() and np.isfinite(tried).all() and np.all(np.array(tried) > 0)):
        return [Fault("a factor or slope that is not a number", "correct formula or prior")]
    if not np.allclose(value[speeds == reference], 1.0, rtol=1e-9, atol=0.0):
        return [Fault("the factor at the reference is not 1", "divide by its value there")]
    # The error of a central difference is of the order of step squared.
    step = 1e-4
    difference = (factor(mean + step) - factor(mean - step)) / (2.0 * step)
    if not np.allclose(slope, difference, rtol=1e-6, atol=1e-7):
        return [Fault("the slope is not the factor's derivative", "derive the formula by m")]
    if not ((np.diff(value) <= 0.0).all() and value[0] > value[-1]):
        return [Fault("the resistance does not fall with flow", "check the exponent's sign")]
    # The resistance of one speed over another is the same whichever the reference.
    if not np.allclose(value, factor(mean, float(speeds[-1])) * value[-1], rtol=1e-6, atol=0.0):
        fix = "divide the resistance at a speed by that at the reference, by one formula"
        return [Fault("other ratios of resistance under another reference", fix)]
    if not np.array_equal(value, factor(mean)):
        return [Fault("another number the second time", "return the same for the same")]
    return []


def _speed_ratio(flow_speed: ArrayLike, reference: ArrayLike) -> Any:
    """Return N / N_ref, or refuse speeds that are not above zero."""
    require_positive(
        "The power law needs turning fans:",
        "leave out runs with stopped fans; natural convection follows another law",
        flow_speed=flow_speed,
        reference=reference,
    )
    return floats(flow_speed) / floats(reference)


@hookimpl
def thermcmp_airflow_laws() -> list[AirflowLaw]:
    """Return the built-in airflow laws."""
    return [PowerLaw()]


def airflow_laws() -> tuple[AirflowLaw, ...]:
    """Return all airflow laws, built-ins first.

    Returns
    -------
    tuple of AirflowLaw
        In order of registration.
    """
    return tuple(law.item for law in provided("thermcmp_airflow_laws"))


def airflow_law(name: str) -> AirflowLaw:
    """Return the airflow law of a name.

    Parameters
    ----------
    name : str
        Such as ``"power law"``. A built-in is found without loading plug-ins.

    Returns
    -------
    AirflowLaw
        The law.

    Raises
    ------
    InputError
        If there is none; the message has the nearest name or all names.
    PluginError
        If an installed plug-in fails and ``THERMCMP_STRICT_PLUGINS`` is set.
    """
    provision = named_item("thermcmp_airflow_laws", name, "airflow law")
    law: AirflowLaw = provision.item
    return law if provision.is_built_in else _PluginLaw(law, provision)
