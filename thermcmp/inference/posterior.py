"""The fitted model: one immutable object that every question reads."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TypeVar

import numpy as np

from thermcmp._types import Array, IntArray
from thermcmp.hooks import find_provided, versions_of
from thermcmp.inference.law_tables import airflow_table, power_table
from thermcmp.inference.parameter_notes import SMALL_K, ParameterNote, parameter_note
from thermcmp.model.design import EXPONENT, FIXED, RESIDUAL, SHARED
from thermcmp.model.observation import DEGREES
from thermcmp.model.priors import Known

if TYPE_CHECKING:
    import pandas as pd
    import xarray as xr

    from thermcmp.inference.diagnostics import Diagnostics, Health
    from thermcmp.inference.expansion import Expansion
    from thermcmp.model.design import Design, Reference
    from thermcmp.model.identifiability import Aliases
    from thermcmp.model.priors import PriorSet

_Value = TypeVar("_Value")
#: Headings of the parameters' table in a notebook.
_HEADINGS: Final = {
    "parameter": "Parameter",
    "mean": "Mean",
    "low": "Low (90%)",
    "high": "High (90%)",
    "prior": "Assumed before the data",
    "shrinkage": "Share of the assumption taken away",
    "note": "Note",
}


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """A fitted model.

    Attributes
    ----------
    posterior : xarray.Dataset
        Draws with dimensions ``chain`` and ``draw``: the baselines [K], the
        airflow exponent, the spreads [K], and one variable per term over its
        levels [K at reference power and fan speed].
    design : Design
        Rows and arrays of the fit.
    engine : str
        "conditional" or "nuts".
    engine_reason : str
        Why that engine.
    diagnostics : Diagnostics
        The health checks.
    aliases : Aliases
        Which contrasts the rows cannot tell apart.
    fingerprint : str
        SHA-256 of the rows used.
    versions : dict of str to str
        Versions of the packages behind the numbers.
    seed : int, optional
        Seed of the fit.
    expansions : tuple of Expansion
        Further terms that the rows called for, such as that of an outlier.
    findings : tuple of str, optional
        What to look at before the answers are used, in plain words: checks that did not
        pass, further terms, misfit of set points, and outliers; None of a fit that was not
        screened (`expand="none"`, NUTS, several sensors, or very many rows).
    fitted_with : tuple of str
        Sensors that were fitted together with this one; see `fit_sensors`.
    joint_fingerprint : str
        SHA-256 of the draws of the joint posterior that this fit is a part of; "" of a
        fit alone.
    """

    posterior: xr.Dataset
    design: Design = field(repr=False)
    engine: str
    engine_reason: str
    diagnostics: Diagnostics = field(repr=False)
    aliases: Aliases = field(repr=False)
    fingerprint: str
    versions: Mapping[str, str] = field(repr=False)
    seed: int | None = None
    expansions: tuple[Expansion, ...] = ()
    findings: tuple[str, ...] | None = None
    fitted_with: tuple[str, ...] = ()
    joint_fingerprint: str = field(default="", repr=False)
    _cache: dict[str, Any] = field(default_factory=dict, init=False, repr=False)

    def __post_init__(self) -> None:
        """Lock the draws: whoever has the fit, a plug-in's question too, can only read them."""
        for variable in self.posterior.data_vars.values():
            variable.values.flags.writeable = False

    def __getstate__(self) -> list[Any]:
        # What is computed on first use may hold functions, which cannot be sent to a worker.
        return [{} if f.name == "_cache" else getattr(self, f.name) for f in fields(self)]

    def once(self, name: str, make: Callable[[Fit], _Value]) -> _Value:
        """Return a value that several questions need of this fit, computed on first use.

        The value must follow from the fit alone; a copy starts without it.

        Parameters
        ----------
        name : str
            Name of the value.
        make : callable
            Computes it from the fit.

        Returns
        -------
        object
            The value.
        """
        if name not in self._cache:
            self._cache[name] = make(self)
        value: _Value = self._cache[name]
        return value

    def keep_known(self, other: Fit) -> None:
        """Take over what is known of a fit with the same draws.

        Parameters
        ----------
        other : Fit
            The fit.
        """
        self._cache.update(other._cache)

    @property
    def sensor(self) -> str:
        """The fitted sensor."""
        return self.design.sensor

    @property
    def priors(self) -> PriorSet:
        """The priors; `.table` prints them."""
        return self.design.priors

    @property
    def reference(self) -> Reference:
        """Reference power and fan speed of the effects."""
        return self.design.reference

    @property
    def results(self) -> pd.DataFrame:
        """The rows used; a copy, so that no caller can change the fit."""
        import pandas as pd

        # Since pandas 3 a shallow copy is written to by itself.
        return self.design.rows.copy(deep=int(pd.__version__.partition(".")[0]) < 3)

    @property
    def health(self) -> Health:
        """Worst outcome of the health checks."""
        return self.diagnostics.health

    @property
    def status(self) -> str:
        """Health, and how many things there are to look at, in words."""
        if self.findings is None:
            return str(self.health)
        count = len(self.findings)
        words = "nothing stands out" if count == 0 else f"{count} things to look at"
        return f"{self.health}, {'one thing to look at' if count == 1 else words}"

    @property
    def parameter_names(self) -> tuple[str, ...]:
        """Names of the scalar parameters."""
        terms = self.design.terms
        spreads = tuple(t.spread for t in terms if not isinstance(self.priors[t.spread], Known))
        tails = (DEGREES,) if DEGREES in self.priors else ()
        return (*FIXED, EXPONENT, RESIDUAL, *tails, *spreads)

    def draws(self, name: str) -> Array:
        """Return the draws of one variable.

        Parameters
        ----------
        name : str
            A parameter or a term.

        Returns
        -------
        ndarray, shape (S,) or (S, levels)
            All chains, one after the other.

        Raises
        ------
        KeyError
            If the posterior has no such variable.
        """

        def joined(fit: Fit) -> Array:
            values = fit.posterior[name].to_numpy()
            return values.reshape(-1, *values.shape[2:])

        return self.once(f"draws of {name}", joined)

    def thinned(self, count: int) -> IntArray:
        """Return the indices of at most `count` draws, evenly spaced.

        Parameters
        ----------
        count : int
            Largest number of draws.

        Returns
        -------
        ndarray of int, shape (up to count,)
            Their indices, ascending.
        """
        return np.unique(np.linspace(0, self.draw_count - 1, count).astype(np.intp))

    @property
    def draw_count(self) -> int:
        """Number of draws S, of all chains."""
        sizes = self.posterior.sizes
        return int(sizes["chain"] * sizes["draw"])

    @property
    def effects(self) -> Array:
        """Draws of all effects in the design's column order, shape (S, q) [K]."""
        return self.effects_at(slice(None))

    def effects_at(self, chosen: slice | IntArray) -> Array:
        """Return all effects at some of the draws; a copy of all takes much memory.

        Parameters
        ----------
        chosen : slice or ndarray of int
            Which draws.

        Returns
        -------
        ndarray, shape (B, q)
            In the design's column order [K].
        """
        return np.hstack([block[chosen] for block in self._blocks])

    def combined(self, weights: Array) -> Array:
        """Return draws of linear combinations of the effects.

        Parameters
        ----------
        weights : ndarray, shape (m, q)
            Weights in the design's column order.

        Returns
        -------
        ndarray, shape (S, m)
            The combinations [K].
        """
        total, first = np.zeros((self.draw_count, len(weights))), 0
        for block in self._blocks:
            part = weights[:, first : first + block.shape[1]]
            first += block.shape[1]
            used = np.flatnonzero(part.any(axis=0))
            if 2 * len(used) < len(part.T):
                # A build has few of the levels: the others need not be read.
                block, part = block[:, used], part[:, used]
            if len(used):
                total += block @ part.T
        return total

    @property
    def _blocks(self) -> Iterator[Array]:
        """Draws of the effects, variable by variable in the design's column order, (S, …)."""
        shared = (SHARED,) * bool(self.design.shared.count)
        for name in (*FIXED, *shared, *(term.name for term in self.design.terms)):
            yield self.draws(name).reshape(self.draw_count, -1)

    @property
    def table(self) -> pd.DataFrame:
        """Parameters: parameter, mean, sd, low, high (90 % equal-tailed), prior, shrinkage, note.

        `shrinkage` is one minus the ratio of posterior to prior variance; below 0.5 the
        `note` is "mostly prior". A spread whose likelihood at zero is not small has the note
        "boundary: the data allow zero".
        """
        import pandas as pd

        rows = []
        for name in self.parameter_names:
            draws, note = self.draws(name), self.note(name)
            low, high = np.quantile(draws, [0.05, 0.95])
            words = self.priors[name].words
            rows.append(
                (name, draws.mean(), draws.std(), low, high, words, note.shrinkage, note.words)
            )
        columns = ["parameter", "mean", "sd", "low", "high", "prior", "shrinkage", "note"]
        return pd.DataFrame(rows, columns=columns)

    @property
    def airflow(self) -> pd.DataFrame:
        """What each cooler does with fan speed, a row per cooler model (90 % equal-tailed).

        cooler_model, convective_k [K at reference] and exponent [-], each with its interval;
        the set points and the number of runs behind them; `note` where one set point only
        was run.
        """
        return airflow_table(self.design, self.draws, self.effects)

    @property
    def power(self) -> pd.DataFrame:
        """What the sensor does with board power (90 % equal-tailed), in one row.

        sensor, constant_k [K at reference], the part of the rise that stays when board power
        changes, and its share of the rise, each with its interval; the powers that were set,
        and the runs at which power was varied alone; `note` where there are none.
        """
        return power_table(self.design, self.draws)

    def note(self, name: str, small_k: float = SMALL_K) -> ParameterNote:
        """Return what the data contribute to one parameter.

        Parameters
        ----------
        name : str
            One of `parameter_names`.
        small_k : float
            Spread that counts as zero [K].

        Returns
        -------
        ParameterNote
            Whether the data allow a spread of zero, and how far they narrowed the prior.
        """
        return parameter_note(name, self.draws(name), self.priors[name], small_k)

    def to_arviz(self, draws: int | None = None) -> Any:
        """Return the fit as ArviZ takes it, with units in the variables' attributes.

        ``az.plot_ppc`` (``plot_ppc_dist`` from ArviZ 1.0 on) compares new readings with the
        measured ones, ``az.loo(…, var_name="rise_k")`` leaves each run out, and
        ``var_name="rise_k_by_assembly"`` each assembly, as `compare_models` does.

        Parameters
        ----------
        draws : int, optional
            Most draws, at least 400; all by default, fewer where draws times rows exceed
            20 million.

        Returns
        -------
        arviz.InferenceData or xarray.DataTree
            By the version of ArviZ. Groups posterior, log_likelihood (of each run, and of
            each assembly given the others, effects integrated out), log_prior,
            posterior_predictive and prior_predictive (new readings of the same runs: rise
            above the ambient [K]), prior, observed_data, constant_data.

        Raises
        ------
        InputError
            If `draws` is below 400.
        """
        from thermcmp.inference.arviz_export import arviz_groups

        return arviz_groups(self, draws)

    def save(self, path: str | Path) -> Path:
        """Save everything needed to answer questions later to one netCDF file.

        Parameters
        ----------
        path : str or Path
            File to write; replaced in one step once it is complete.

        Returns
        -------
        pathlib.Path
            The file.
        """
        from thermcmp.inference.storage import save_fit

        return save_fit(self, Path(path))

    def __str__(self) -> str:
        table = self.table.to_string(index=False, float_format=lambda v: f"{v:.3g}")
        lines = [
            f"Fit of sensor '{self.sensor}': {len(self.design.rows)} rows, engine {self.engine} "
            f"({self.engine_reason}), health {self.status}",
            f"Effects in K at {self.reference.power_w:g} W and {self.reference.flow_speed:g} "
            f"{self.design.law.unit}",
            table,
            *self.design.notes,
            *(str(item) for item in self.design.left_out),
            *(self.findings or self.diagnostics.sentences),
        ]
        return "\n".join(lines)

    def __repr__(self) -> str:
        return (
            f"Fit({self.sensor}, {len(self.design.rows)} rows, engine {self.engine}, "
            f"{self.draw_count} draws, health {self.status})"
        )

    def _repr_html_(self) -> str:
        from html import escape

        look = (*self.design.notes, *map(str, self.design.left_out))
        look += self.findings or self.diagnostics.sentences
        listed = "".join(f"<li>{escape(sentence)}</li>" for sentence in look)
        table = self.table.drop(columns="sd").rename(columns=_HEADINGS)
        cells = table.to_html(index=False, float_format=lambda v: f"{v:.3g}", border=0)
        return (
            f"<p><strong>Fit of the {escape(self.sensor)}</strong>: {len(self.design.rows)} rows, "
            f"health {escape(self.status)}. Effects in K at {self.reference.power_w:g} W and "
            f"{self.reference.flow_speed:g} {self.design.law.unit}.</p>"
            f"<ul>{listed}</ul><details><summary>Parameters</summary>{cells}</details>"
        )


def package_versions(
    design: Design | None = None, priors: object = None, results: pd.DataFrame | None = None
) -> dict[str, str]:
    """Return the versions of the packages, and of a fit's plug-ins, behind the numbers.

    `priors` and `results` are what the fit was called with: the name of a plug-in's set, or
    others, and rows that state which plug-in read them.
    """
    from importlib.metadata import PackageNotFoundError, version

    versions: dict[str, str] = {}
    for name in ("thermcmp", "numpy", "scipy", "pandas", "arviz", "pymc", "nutpie"):
        with suppress(PackageNotFoundError):
            versions[name] = version(name)
    if design is None:
        return versions
    terms = (("thermcmp_terms", term) for term in design.terms)
    laws = (("thermcmp_airflow_laws", design.law), ("thermcmp_noise_laws", design.noise))
    named = find_provided("thermcmp_prior_sets", priors) if isinstance(priors, str) else None
    sets = [] if named is None else [(named.hook, named.item)]
    read_by = {} if results is None else dict(results.attrs.get("read_by", {}))
    return versions | versions_of([*laws, *terms, *sets]) | read_by


@contextmanager
def unchanged(fit: object) -> Iterator[None]:
    """Take back what a plug-in does to the posterior or rows of a fit or of fits, and raise."""
    fits = [
        each
        for each in (fit.values() if isinstance(fit, Mapping) else (fit,))
        if isinstance(each, Fit)
    ]
    kept = [(each, each.posterior.copy(), each.design.rows.copy()) for each in fits]
    changed: list[str] = []
    try:
        yield
    finally:
        for each, posterior, rows in kept:
            if not each.design.rows.equals(rows):
                object.__setattr__(each.design, "rows", rows)
                changed.append(f"rows of {each.sensor}")
            arrays = {name: id(v.values) for name, v in each.posterior.data_vars.items()}
            if arrays != {name: id(v.values) for name, v in posterior.data_vars.items()}:
                # Frozen for all but this.
                object.__setattr__(each, "posterior", posterior)
                changed.append(f"draws of {each.sensor}")
    if changed:
        words = "changed the fit. Fix: work on copies, such as that of fit.draws(…)"
        raise ValueError(f"{words} ({', '.join(changed)})")
