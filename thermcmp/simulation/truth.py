"""The true effects of a simulated campaign, and the true answers that follow."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from math import log10
from typing import Any, Final, Literal

import numpy as np
import numpy.typing as npt
import pandas as pd

from thermcmp._types import Array
from thermcmp.errors import Fault, InputError
from thermcmp.simulation.attributing import Attribution, attribution_from_corners
from thermcmp.simulation.builds import BuildLike, PlannedBuild, StockSetting
from thermcmp.simulation.scenario import AIRFLOW_TERMS, RESISTANCE_TERMS

Scope = Literal["specimens", "product line"]
_SCOPES: Final = ("specimens", "product line")


@dataclass(frozen=True, slots=True)
class NoiseLaw:
    """A-weighted level of one cooler: ``level_dba + slope_db * log10(N / N_ref)``.

    Attributes
    ----------
    level_dba : float
        Level at the reference fan speed, without background [dB(A)].
    slope_db : float
        Change per decade of fan speed [dB].
    """

    level_dba: float
    slope_db: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """Every true effect of a campaign.

    The steady temperature of a sensor is ``T = A + P/P_ref * [r + s*(g(N) - 1)]``
    with ``g(N) = (N/N_ref)**(-exponent)``; r and s are sums of effects, in K at
    reference power and fan speed.

    Attributes
    ----------
    reference_power_w, reference_fan_rpm : float
        Reference conditions of the effects [W], [rpm].
    exponent : float
        Airflow exponent m.
    baseline_k, baseline_airflow_k : dict of sensor to float
        Common part of r and s [K].
    effects : dict of sensor to term to level to float
        Effects on r [K]; terms whose name ends in "airflow" act on s.
    scales_k : dict of sensor to term to float
        Spreads of the random effects [K], and "run".
    noise : dict of cooler model to NoiseLaw
        Noise laws.
    noise_specimen_db : dict of cooler_id to float
        Level of each specimen above its model's law [dB].
    noise_floor_dba : dict of session to float
        Background level [dB(A)].
    firmware : dict of firmware to StockSetting
        Stock setting of each firmware.
    products : dict of product to PlannedBuild
        Products as shipped.
    coolers, boards : dict of model to tuple of str
        Specimens of each model that were on the bench.
    vendors : dict of board model to tuple of str
        Memory vendors of each board model.
    bad_assemblies : tuple of str
        Bad assemblies.
    """

    reference_power_w: float
    reference_fan_rpm: float
    exponent: float
    baseline_k: Mapping[str, float]
    baseline_airflow_k: Mapping[str, float]
    effects: Mapping[str, Mapping[str, Mapping[str, float]]]
    scales_k: Mapping[str, Mapping[str, float]]
    noise: Mapping[str, NoiseLaw]
    noise_specimen_db: Mapping[str, float]
    noise_floor_dba: Mapping[str, float]
    firmware: Mapping[str, StockSetting]
    products: Mapping[str, PlannedBuild]
    coolers: Mapping[str, tuple[str, ...]]
    boards: Mapping[str, tuple[str, ...]]
    vendors: Mapping[str, tuple[str, ...]]
    bad_assemblies: tuple[str, ...]

    def airflow_factor(self, fan_rpm: npt.ArrayLike) -> Array:
        """Return the convective resistance relative to the reference speed.

        Parameters
        ----------
        fan_rpm : array_like, shape (...)
            Fan speed [rpm].

        Returns
        -------
        numpy.ndarray, shape (...)
            1 at the reference speed.
        """
        ratio = np.asarray(fan_rpm, dtype=float) / self.reference_fan_rpm
        return np.asarray(ratio ** (-self.exponent))

    def run_rise_k(
        self, sensor: str, runs: pd.DataFrame, fan_rpm: npt.ArrayLike, power_w: npt.ArrayLike
    ) -> Array:
        """Return the true rise of each run with its specimens, assembly and session.

        Parameters
        ----------
        sensor : str
            Sensor.
        runs : pandas.DataFrame, shape (runs,)
            Rows of the plan or of the results.
        fan_rpm, power_w : array_like, shape (runs,)
            Actual fan speed [rpm] and power [W].

        Returns
        -------
        numpy.ndarray, shape (runs,)
            Rise above ambient [K].
        """
        effects = _known(self.effects, sensor, "sensor")

        def total(terms: Mapping[str, str]) -> Array:
            return sum(
                (
                    runs[column].map(effects[term]).to_numpy(dtype=float)
                    for term, column in terms.items()
                ),
                start=np.zeros(len(runs)),
            )

        r = self.baseline_k[sensor] + total(RESISTANCE_TERMS)
        s = self.baseline_airflow_k[sensor] + total(AIRFLOW_TERMS)
        share = np.asarray(power_w, dtype=float) / self.reference_power_w
        return np.asarray(share * (r + s * (self.airflow_factor(fan_rpm) - 1.0)))

    def rise_k(
        self,
        sensor: str,
        build: BuildLike | str,
        *,
        fan_rpm: float | None = None,
        power_w: float | None = None,
        scope: Scope = "specimens",
    ) -> float:
        """Return the true rise of a build, averaged over assemblies, sessions and labs.

        Parameters
        ----------
        sensor : str
            Sensor.
        build : BuildLike or str
            Hardware, or a product by name. Without a memory vendor it is the mean
            over the vendors of that board model; without an assembly kind it is
            factory-mounted where the campaign has such assemblies.
        fan_rpm, power_w : float, optional
            Fan speed [rpm] and power [W]; the reference values by default.
        scope : {"specimens", "product line"}
            With the mean of the specimens on the bench, or without.

        Returns
        -------
        float
            Rise above ambient [K].

        Raises
        ------
        InputError
            If the sensor, a part or the scope is unknown, or the speed not above 0.
        """
        effects = _known(self.effects, sensor, "sensor")
        build = self._build(build)
        r = self.baseline_k[sensor]
        s = self.baseline_airflow_k[sensor]
        r += self._part_k(effects, "cooler_model", build.cooler_model, scope)
        s += self._part_k(effects, "cooler_model airflow", build.cooler_model, scope)
        r += self._part_k(effects, "board_model", build.board_model, scope)
        vendors = (build.memory_vendor,) if build.memory_vendor else self.vendors[build.board_model]
        r += float(np.mean([_known(effects["memory_vendor"], v, "vendor") for v in vendors]))
        kinds = effects["assembly_kind"]
        r += _known(kinds, build.assembly_kind or next(iter(sorted(kinds, reverse=True))), "kind")
        speed = self.reference_fan_rpm if fan_rpm is None else fan_rpm
        power = self.reference_power_w if power_w is None else power_w
        factor = float(self.airflow_factor(_positive(speed, "fan_rpm")))
        return float(power / self.reference_power_w * (r + s * (factor - 1.0)))

    def contrast_k(
        self, sensor: str, factor: str, a: str, b: str, *, scope: Scope = "specimens"
    ) -> float:
        """Return the true contrast "B − A": B's rise minus A's at reference conditions.

        Parameters
        ----------
        sensor : str
            Sensor.
        factor : str
            Term, such as "cooler_model"; "cooler_model airflow" for the contrast of
            the convective parts.
        a, b : str
            Levels of the factor.
        scope : {"specimens", "product line"}
            For cooler and board models: with the mean of their specimens on the
            bench, or without. No difference for other factors.

        Returns
        -------
        float
            Contrast [K]; negative where B is cooler.

        Raises
        ------
        InputError
            If the sensor, factor, a level or the scope is unknown.
        """
        effects = _known(self.effects, sensor, "sensor")
        return self._part_k(effects, factor, b, scope) - self._part_k(effects, factor, a, scope)

    def attribution_k(
        self,
        sensor: str,
        before: BuildLike | str,
        after: BuildLike | str,
        *,
        scope: Scope = "specimens",
    ) -> Attribution:
        """Return the true attribution of a fix, at the stock settings of the firmwares.

        Parameters
        ----------
        sensor : str
            Sensor.
        before, after : BuildLike or str
            Builds with a firmware, or "product / firmware".
        scope : {"specimens", "product line"}
            As in `rise_k`.

        Returns
        -------
        Attribution
            Improvements: before minus after, positive is cooler [K].

        Raises
        ------
        InputError
            If a sensor, part, firmware or the scope is unknown.
        """
        old, new = self._build(before), self._build(after)
        settings = [_known(self.firmware, build.firmware, "firmware") for build in (old, new)]

        def rise(changed: frozenset[str]) -> float:
            return self.rise_k(
                sensor,
                new if "hardware" in changed else old,
                fan_rpm=settings["fan" in changed].fan_rpm,
                power_w=settings["power" in changed].power_w,
                scope=scope,
            )

        return attribution_from_corners(rise)

    def noise_level_dba(
        self, cooler_model: str, fan_rpm: float, cooler_id: str | None = None
    ) -> float:
        """Return the true level of a cooler at the microphone distance, without background.

        Parameters
        ----------
        cooler_model : str
            Model.
        fan_rpm : float
            Fan speed [rpm].
        cooler_id : str, optional
            Specimen; the model's mean law by default.

        Returns
        -------
        float
            Level [dB(A)].

        Raises
        ------
        InputError
            If the model or specimen is unknown, or the speed not above 0.
        """
        law = _known(self.noise, cooler_model, "cooler model")
        above = 0.0 if cooler_id is None else _known(self.noise_specimen_db, cooler_id, "cooler")
        ratio = _positive(fan_rpm, "fan_rpm") / self.reference_fan_rpm
        return float(law.level_dba + above + law.slope_db * log10(ratio))

    def speed_at_level_rpm(
        self, cooler_model: str, noise_dba: float, cooler_id: str | None = None
    ) -> float:
        """Return the fan speed at which a cooler has a level: the inverse of `noise_level_dba`.

        Parameters
        ----------
        cooler_model : str
            Model.
        noise_dba : float
            Level without background [dB(A)].
        cooler_id : str, optional
            Specimen; the model's mean law by default.

        Returns
        -------
        float
            Fan speed [rpm].

        Raises
        ------
        InputError
            If the model or specimen is unknown.
        """
        at_reference = self.noise_level_dba(cooler_model, self.reference_fan_rpm, cooler_id)
        decades = (noise_dba - at_reference) / self.noise[cooler_model].slope_db
        return float(self.reference_fan_rpm * 10.0**decades)

    def to_dict(self) -> dict[str, Any]:
        """Return all values as plain dicts, for JSON.

        Returns
        -------
        dict
            Field name to value.
        """
        return asdict(self)

    def _build(self, build: BuildLike | str) -> BuildLike:
        """Return the build of "product / firmware" or of a product's name."""
        if not isinstance(build, str):
            return build
        product, _, firmware = build.partition(" / ")
        shipped = _known(self.products, product, "product")
        return PlannedBuild(**(asdict(shipped) | ({"firmware": firmware} if firmware else {})))

    def _part_k(
        self, effects: Mapping[str, Mapping[str, float]], term: str, level: str, scope: str
    ) -> float:
        """Return the effect of a level; for scope "specimens" with that of its specimens."""
        if scope not in _SCOPES:
            raise _unknown("scope", scope, _SCOPES)
        value = _known(_known(effects, term, "term"), level, "level")
        members = {
            "cooler_model": ("cooler", self.coolers),
            "cooler_model airflow": ("cooler airflow", self.coolers),
            "board_model": ("board", self.boards),
        }
        if scope == "specimens" and term in members:
            member, specimens = members[term]
            value += float(np.mean([effects[member][name] for name in specimens[level]]))
        return value


def _unknown(what: str, value: object, known: Any) -> InputError:
    fix = f"use one of {', '.join(map(str, known))}"
    return InputError(
        "This is not part of the simulated campaign:",
        [Fault(f"no such {what}", fix, column=what, value=str(value))],
    )


def _known(table: Mapping[str, Any], key: str | None, what: str) -> Any:
    if key is None or key not in table:
        raise _unknown(what, key, table)
    return table[key]


def _positive(value: float, name: str) -> float:
    if not value > 0:
        fault = Fault("out of range", "give a value above 0", column=name, value=str(value))
        raise InputError("There is no true value at this speed:", [fault])
    return value
