"""The general engine: the same model in PyMC, sampled by NUTS.

It also handles, in any combination, Student's t for the scatter, a reading at the limit as a
lower bound, and a coarse step as an interval.
"""

from __future__ import annotations

import logging
import warnings
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from importlib.util import find_spec
from time import monotonic
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from thermcmp._types import Array
from thermcmp.inference.arviz_adapter import posterior_group, without_notice
from thermcmp.inference.censoring import Readings, readings_of
from thermcmp.inference.conditional.blas_threads import one_blas_thread
from thermcmp.inference.nuts import likelihood
from thermcmp.inference.nuts.parameterization import effects_in_coordinates, fixed_priors
from thermcmp.inference.regulated_likelihood import in_kelvin, is_informed
from thermcmp.model.design import EXPONENT, RESIDUAL
from thermcmp.model.observation import DEGREES, Residuals
from thermcmp.model.priors import Gamma, HalfCauchy, HalfNormal, Known, Normal, Prior

if TYPE_CHECKING:
    import xarray as xr

    from thermcmp.model.design import Design

_LOG: Final = logging.getLogger("thermcmp")
#: Target acceptance; the edges of limits and steps need shorter steps.
TARGET_ACCEPT: Final = 0.9
EDGED_ACCEPT: Final = 0.98
#: Least number of tuning draws per chain.
LEAST_TUNING: Final = 500


@dataclass(frozen=True, slots=True, eq=False)
class NutsDraws:
    """Draws of the sampler, chain after chain."""

    scalars: Mapping[str, Array]  #: every parameter except the baselines, shape (S,)
    effects: Array  #: in the design's order [K], shape (S, q)
    stats: xr.Dataset  #: the sampler's statistics


def pymc_model(design: Design) -> Any:
    """Return the thermal model of a design as a PyMC model.

    Effects are sampled about their Gaussian conditional (see `parameterization`). Under
    Student's t, a reading at the limit or within a step has a scatter weight, the gamma
    variable of the t's scale mixture.
    """
    import pymc as pm
    import pytensor.tensor as pt

    readings = readings_of(design)
    with pm.Model() as model:
        data = {name: pm.Data(name, value) for name, value in _data(design).items()}
        prior = design.priors[EXPONENT]
        if not isinstance(prior, Normal):
            raise TypeError("the airflow exponent has a normal prior")
        # A shifted standard normal, so that no chain starts far outside the prior: an exponent and
        # an airflow baseline of opposite sign would fit nearly as well.
        coordinate = pm.Normal(f"{EXPONENT} coordinate")
        exponent = pm.Deterministic(EXPONENT, prior.mean + prior.sd * coordinate)
        residual = _variable(RESIDUAL, design.priors[RESIDUAL])
        priors = [design.priors[term.spread] for term in design.terms]
        spreads = pm.Deterministic("spreads", _spreads(priors))
        factor = design.airflow(design.flow_speed, exponent)
        coefficients, first = design.coefficients, len(design.fixed_priors)
        middle = sum(
            coefficients[:, k] * prior.mean * (factor if design.flow[k] else 1.0)
            for k, prior in enumerate(fixed_priors(design))
        ) + sum(
            coefficients[:, first + k] * term.prior_mean * (factor if at_flow else 1.0)
            for k, (term, at_flow) in enumerate(zip(design.terms, design.flow[first:], strict=True))
            if term.prior_mean
        )
        variance, degrees = design.run_scatter * residual**2 + readings.variance, None
        if design.residuals is Residuals.STUDENT:
            degrees = _variable(DEGREES, design.priors[DEGREES])
            variance = _mixed(design, readings, variance, degrees)
        effects, added, log_density = effects_in_coordinates(
            design,
            factor,
            spreads,
            _guiding_precision(design, readings, variance, degrees) * data["known"],
            data["bound"] - middle,
        )
        pm.Deterministic("effects", effects)
        pm.Potential("effects prior", log_density)
        away = data["bound"] - middle - added
        for name, part in _log_likelihoods(design, readings, data, away, variance, degrees).items():
            pm.Potential(name, pt.sum(part))
        if is_informed(design):
            moved = pt.concatenate(in_kelvin(design, effects, exponent))
            pm.Potential("regulated runs", pt.sum(likelihood.held(moved)))
    return model


def _data(design: Design) -> dict[str, Any]:
    """Return the data that differ between campaigns of one design."""
    readings = readings_of(design)
    data = {
        "bound": readings.bound,
        "known": (~design.at_limit).astype(float),
        "limit rows": readings.limit,
        "limit side": readings.side,
        "step rows": readings.step,
    }
    if design.residuals is Residuals.NORMAL:
        data["exact rows"] = readings.exact
    return {name: values for name, values in data.items() if len(values)}


def _mixed(design: Design, readings: Readings, variance: Any, degrees: Any) -> Any:
    """Return variances with a scatter weight for rows that enter by probability, shape (n,)."""
    import pymc as pm
    import pytensor.tensor as pt

    rows = np.sort(np.concatenate([readings.limit, readings.step]))
    rows = rows[design.run_scatter[rows] > 0]
    if not len(rows):
        return variance
    half = 0.5 * degrees
    weight = pm.Gamma("scatter weights", half, half, shape=len(rows))
    # The last place is for rows without a weight.
    place = np.full(len(design.rows), len(rows))
    place[rows] = np.arange(len(rows))
    return variance / pt.concatenate([weight, np.ones(1)])[place]


def _guiding_precision(design: Design, readings: Readings, variance: Any, degrees: Any) -> Any:
    """Return the approximate precision of each row's mean, shape (n,)."""
    stepped = np.zeros(len(design.rows))
    stepped[readings.step] = design.step_k[readings.step] ** 2 / 12.0
    precision = 1.0 / (variance + stepped)
    is_student = np.isin(np.arange(len(stepped)), readings.exact) & (design.run_scatter > 0)
    if degrees is None or not np.any(is_student):
        return precision
    # Information on the location of Student's t, relative to a normal of its scale.
    return precision * (1.0 - is_student * 2.0 / (degrees + 3.0))


def _log_likelihoods(
    design: Design,
    readings: Readings,
    data: Mapping[str, Any],
    away: Any,
    variance: Any,
    degrees: Any,
) -> dict[str, Any]:
    """Return the rows' log likelihoods by kind of reading."""
    parts = {}
    if degrees is None and len(readings.exact):
        rows = data["exact rows"]
        parts["rise"] = likelihood.normal(away[rows], variance[rows])
    elif degrees is not None:
        is_single = design.run_scatter[readings.exact] > 0
        single, summary = readings.exact[is_single], readings.exact[~is_single]
        if len(single):
            parts["rise"] = likelihood.student(away[single], variance[single], degrees)
        if len(summary):
            parts["published rise"] = likelihood.normal(away[summary], variance[summary])
    if "limit rows" in data:
        rows = data["limit rows"]
        parts["rise at limit"] = likelihood.at_least(
            data["limit side"] * away[rows], variance[rows]
        )
    if "step rows" in data:
        rows = data["step rows"]
        parts["rise within step"] = likelihood.within_step(
            away[rows], variance[rows], design.step_k[readings.step]
        )
    return parts


class Sampler:
    """A model compiled once, for many campaigns of one design.

    Later campaigns may differ in the rises and in which rows are at the limit; with intervals or
    Student's t in the rises only.
    """

    def __init__(self, design: Design) -> None:
        self.names = tuple(term.spread for term in design.terms)
        readings = readings_of(design)
        edged = len(readings.limit) + len(readings.step) > 0
        self._accept = EDGED_ACCEPT if edged else TARGET_ACCEPT
        self.has_degrees = design.residuals is Residuals.STUDENT
        with quiet():
            self._model = pymc_model(design)
            self._data = {str(item.name) for item in self._model.data_vars}
            self._compiled = None
            if find_spec("nutpie") is not None:
                import nutpie

                self._compiled = nutpie.compile_pymc_model(self._model)

    def sample(
        self, design: Design, *, draws: int = 1000, chains: int = 4, seed: int | None = None
    ) -> NutsDraws:
        """Return draws for one campaign."""
        tune = max(draws, LEAST_TUNING)
        # Chains run in parallel; their matrices are too small for several BLAS threads.
        _LOG.info(
            "NUTS samples %d chains of %d tuning and %d kept draws, %d rows and %d effects; that "
            "takes seconds to minutes", chains, tune, draws, len(design.rows), design.effect_count,
        )  # fmt: skip
        began = monotonic()
        with quiet(), one_blas_thread():
            if self._compiled is not None:
                sampled = self._by_nutpie(design, draws, tune, chains, seed)
            else:
                sampled = self._by_pymc(design, draws, tune, chains, seed)
        _LOG.info("NUTS is done after %.0f s", monotonic() - began)
        posterior = posterior_group(sampled, "posterior")
        scalars = {EXPONENT: posterior[EXPONENT], RESIDUAL: posterior[RESIDUAL]}
        if self.has_degrees:
            scalars[DEGREES] = posterior[DEGREES]
        for place, name in enumerate(self.names):
            scalars[name] = posterior["spreads"][..., place]
        effects = posterior["effects"].to_numpy()
        return NutsDraws(
            {name: values.to_numpy().ravel() for name, values in scalars.items()},
            effects.reshape(-1, effects.shape[-1]),
            posterior_group(sampled, "sample_stats"),
        )

    def _changed(self, design: Design) -> dict[str, Any]:
        """Return the campaign's data that the compiled model holds as data."""
        return {name: value for name, value in _data(design).items() if name in self._data}

    def _by_nutpie(
        self, design: Design, draws: int, tune: int, chains: int, seed: int | None
    ) -> Any:
        import nutpie

        sampling = nutpie.sample(
            self._compiled.with_data(**self._changed(design)),  # type: ignore[union-attr]
            draws=draws,
            tune=tune,
            chains=chains,
            cores=2,
            seed=seed,
            progress_bar=False,
            target_accept=self._accept,
            blocking=False,
        )
        try:
            return sampling.wait()
        except BaseException:
            # A blocking call would return the draws so far after Ctrl-C.
            sampling.cancel()
            raise

    def _by_pymc(self, design: Design, draws: int, tune: int, chains: int, seed: int | None) -> Any:
        import pymc as pm

        whole = _WholeChains(tune + draws)
        with self._model:
            pm.set_data(self._changed(design))
            try:
                sampled = pm.sample(
                    draws=draws,
                    tune=tune,
                    chains=chains,
                    cores=1,
                    random_seed=seed,
                    target_accept=self._accept,
                    progressbar=False,
                    nuts_sampler="pymc",
                    callback=whole,
                )
            except _CutChainError:
                raise KeyboardInterrupt from None
        if not whole:
            raise KeyboardInterrupt
        return sampled


class _CutChainError(Exception):
    """A chain ended before its last draw: PyMC takes Ctrl-C for the end of a chain."""


class _WholeChains:
    """Follows chains that are sampled one after the other; true if the last one is whole."""

    def __init__(self, length: int) -> None:
        self._length, self._chain, self._count = length, 0, 0

    def __call__(self, trace: Any, draw: Any) -> None:
        """Count a draw."""
        del trace
        if draw.chain != self._chain:
            if not self:
                raise _CutChainError
            self._chain, self._count = draw.chain, 0
        self._count += 1

    def __bool__(self) -> bool:
        return self._count == self._length


def run_nuts(
    design: Design, *, draws: int = 1000, chains: int = 4, seed: int | None = None
) -> NutsDraws:
    """Return draws of the model of one design."""
    return Sampler(design).sample(design, draws=draws, chains=chains, seed=seed)


@contextmanager
def quiet() -> Iterator[None]:
    """Suppress notices on which no user can act: chains run one thread each by design."""
    with warnings.catch_warnings(), without_notice():
        warnings.filterwarnings("ignore", "PyTensor could not link to a BLAS", UserWarning)
        yield


def _spreads(priors: Sequence[Prior]) -> Any:
    """Return the spreads of all terms, shape (K,), each kind of prior sampled as one vector."""
    import pymc as pm
    import pytensor.tensor as pt

    parts: list[tuple[list[int], Any]] = []
    known = {k: prior.value for k, prior in enumerate(priors) if isinstance(prior, Known)}
    if known:
        parts.append((list(known), np.array(list(known.values()))))
    normal = {k: prior.scale for k, prior in enumerate(priors) if isinstance(prior, HalfNormal)}
    if normal:
        scales = np.array(list(normal.values()))
        values = pm.HalfNormal("half-normal spreads", scales, shape=len(scales))
        parts.append((list(normal), values))
    cauchy = {k: prior for k, prior in enumerate(priors) if isinstance(prior, HalfCauchy)}
    if cauchy:
        scales = np.array([prior.scale for prior in cauchy.values()])
        angles = np.array([prior.angle for prior in cauchy.values()])
        # By its distribution function, so that the limit is exact and the tail easy to sample.
        share = pm.Uniform("half-Cauchy spreads", shape=len(scales))
        parts.append((list(cauchy), scales * pt.tan(angles * share)))
    spreads = pt.zeros(len(priors))
    for places, values in parts:
        spreads = pt.set_subtensor(spreads[places], values)
    return spreads


def _variable(name: str, prior: Prior) -> Any:
    import pymc as pm

    if isinstance(prior, HalfNormal):
        return pm.HalfNormal(name, prior.scale)
    if isinstance(prior, HalfCauchy):
        return pm.Truncated(name, pm.HalfCauchy.dist(prior.scale), upper=prior.limit)
    if isinstance(prior, Gamma):
        return pm.Gamma(name, prior.shape, prior.rate)
    raise TypeError(f"no PyMC form of the prior {prior!r}")
