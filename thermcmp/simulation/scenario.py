"""Effect sizes, spreads and instruments of a simulated campaign."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from math import isfinite
from typing import Final

from thermcmp.errors import Fault, InputError

#: Terms on the resistance at reference speed -> column that holds their levels.
RESISTANCE_TERMS: Final[dict[str, str]] = {
    "cooler_model": "cooler_model",
    "cooler": "cooler_id",
    "board_model": "board_model",
    "board": "board_id",
    "memory_vendor": "memory_vendor",
    "assembly_kind": "assembly_kind",
    "assembly": "assembly",
    "session": "session",
    "lab": "lab",
}
#: Terms on the convective part -> column that holds their levels.
AIRFLOW_TERMS: Final[dict[str, str]] = {
    "cooler_model airflow": "cooler_model",
    "cooler airflow": "cooler_id",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorScenario:
    """True effect sizes of one sensor, in K at reference power and fan speed.

    The defaults are the memory sensor's. Sizes are from common practice, no source.

    Attributes
    ----------
    baseline_k : float
        Rise of the old cooler on the old board, factory-mounted [K].
    convective_share : float
        Convective share of the baseline, 0 to 1.
    cooler_revision_k, board_revision_k : float
        New part minus old part [K]; negative is cooler.
    vendor_k : float
        Second memory vendor minus first [K].
    bench_assembly_k : float
        Bench assembly minus factory assembly [K].
    cooler_revision_airflow_k : float
        New cooler's convective part minus the old one's [K].
    cooler_model_sd_k, cooler_sd_k, board_model_sd_k, board_sd_k : float
        Spread of cooler models, cooler specimens, board models, board specimens [K].
    memory_vendor_sd_k, assembly_kind_sd_k : float
        Spread of vendors and assembly kinds, used when effects are drawn [K].
    assembly_sd_k, session_sd_k, lab_sd_k : float
        Spread of assemblies, sessions and labs [K].
    cooler_model_airflow_sd_k, cooler_airflow_sd_k : float
        Spread of the convective part over cooler models and specimens [K].
    run_sd_k : float
        Run-to-run spread of one sensor in one assembly and session [K].
    bad_mount_k : float
        Effect of a bad bench assembly [K]; it does not fall with fan speed.
    limit_c : float, optional
        Temperature at which the reading is clamped and flagged [°C]; none by default.
    """

    baseline_k: float = 57.5
    convective_share: float = 0.70
    cooler_revision_k: float = -6.5
    board_revision_k: float = -1.0
    vendor_k: float = -1.5
    bench_assembly_k: float = 0.4
    cooler_revision_airflow_k: float = -3.5
    cooler_model_sd_k: float = 4.0
    cooler_sd_k: float = 0.8
    board_model_sd_k: float = 1.5
    board_sd_k: float = 0.5
    memory_vendor_sd_k: float = 1.5
    assembly_kind_sd_k: float = 0.5
    assembly_sd_k: float = 0.6
    session_sd_k: float = 0.3
    lab_sd_k: float = 0.5
    cooler_model_airflow_sd_k: float = 2.0
    cooler_airflow_sd_k: float = 0.3
    run_sd_k: float = 0.2
    bad_mount_k: float = 3.0
    limit_c: float | None = None

    def __post_init__(self) -> None:
        faults = _number_faults(self, non_negative_ending="_sd_k")
        if not faults and not 0.0 <= self.convective_share <= 1.0:
            faults.append(_fault("convective_share", self.convective_share, "give 0 to 1"))
        if faults:
            raise InputError("This sensor scenario cannot be simulated:", faults)

    @property
    def scales_k(self) -> dict[str, float]:
        """Spread of every term [K], and of "run"."""
        names = {term: f"{term.replace(' ', '_')}_sd_k" for term in _ALL_TERMS}
        return {term: getattr(self, name) for term, name in names.items()} | {"run": self.run_sd_k}


_ALL_TERMS: Final = (*RESISTANCE_TERMS, *AIRFLOW_TERMS)


def _usual_sensors() -> Mapping[str, SensorScenario]:
    """Return memory, junction and edge of one card; the fix is for the memory."""
    return {
        "memory": SensorScenario(),
        "junction": SensorScenario(
            baseline_k=62.0,
            convective_share=0.62,
            cooler_revision_k=-2.5,
            board_revision_k=-0.2,
            vendor_k=0.0,
            bench_assembly_k=1.0,
            cooler_revision_airflow_k=-1.5,
            memory_vendor_sd_k=0.1,
            assembly_sd_k=0.9,
            bad_mount_k=5.0,
        ),
        "edge": SensorScenario(
            baseline_k=42.0,
            convective_share=0.75,
            cooler_revision_k=-2.0,
            board_revision_k=-0.2,
            vendor_k=0.0,
            bench_assembly_k=0.5,
            cooler_revision_airflow_k=-1.0,
            cooler_model_sd_k=3.0,
            board_model_sd_k=1.0,
            memory_vendor_sd_k=0.1,
            assembly_sd_k=0.4,
            bad_mount_k=1.5,
        ),
    }


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """True values and instruments of a simulated campaign.

    Change single values with `dataclasses.replace`. With every spread and every
    resolution at 0 the results follow the model exactly.

    Attributes
    ----------
    sensors : mapping of str to SensorScenario
        Sizes per sensor: memory, junction and edge by default.
    exponent, exponent_sd : float
        Airflow exponent m, and its spread when effects are drawn.
    reference_power_w, reference_fan_rpm : float
        Reference conditions of the sizes [W], [rpm].
    old_fan_rpm, old_power_w, new_fan_rpm, new_power_w : float
        Stock settings of the two firmwares of a revision study [rpm], [W].
    peer_fan_rpm, peer_fan_sd_rpm, peer_power_w, peer_power_sd_w : float
        Centre and spread of the other products' firmware [rpm], [W].
    ambient_c, ambient_sd_k, fan_sd_rpm, power_sd_w : float
        Air at the intake, and the scatter of conditions from run to run
        [°C], [K], [rpm], [W].
    standard_error_k : float
        Standard error of a steady temperature within its run [K]; added to
        `run_sd_k` and stated in the rows.
    bad_mount_probability : float
        Probability that a bench assembly is bad. Such assemblies make the spread
        of assemblies non-normal: use 0 in calibration studies.
    noise_level_dba, noise_level_sd_db : float
        A-weighted level at reference fan speed, and its spread over cooler
        models other than those of the revision [dB(A)], [dB].
    noise_revision_db, noise_specimen_sd_db : float
        New cooler minus old, and spread over cooler specimens [dB].
    noise_slope_db, noise_slope_sd_db : float
        Level change per decade of fan speed, and its spread over models [dB].
    noise_floor_dba, noise_floor_sd_db, noise_sd_db : float
        Background level, its spread over sessions, and the spread of one
        reading [dB(A)], [dB].
    mic_distance_m : float
        Microphone distance of all levels [m].
    temperature_step_k, fan_step_rpm, power_step_w, noise_step_db : float
        Resolution of the instruments; 0 does not round.
    """

    sensors: Mapping[str, SensorScenario] = field(default_factory=_usual_sensors)
    exponent: float = 0.7
    exponent_sd: float = 0.1
    reference_power_w: float = 200.0
    reference_fan_rpm: float = 1800.0
    old_fan_rpm: float = 1730.0
    old_power_w: float = 225.0
    new_fan_rpm: float = 2100.0
    new_power_w: float = 218.0
    peer_fan_rpm: float = 1900.0
    peer_fan_sd_rpm: float = 150.0
    peer_power_w: float = 215.0
    peer_power_sd_w: float = 12.0
    ambient_c: float = 21.0
    ambient_sd_k: float = 0.6
    fan_sd_rpm: float = 6.0
    power_sd_w: float = 1.5
    standard_error_k: float = 0.05
    bad_mount_probability: float = 0.03
    noise_level_dba: float = 38.0
    noise_level_sd_db: float = 1.5
    noise_revision_db: float = -0.5
    noise_specimen_sd_db: float = 0.4
    noise_slope_db: float = 52.0
    noise_slope_sd_db: float = 3.0
    noise_floor_dba: float = 26.0
    noise_floor_sd_db: float = 0.3
    noise_sd_db: float = 0.15
    mic_distance_m: float = 0.5
    temperature_step_k: float = 0.1
    fan_step_rpm: float = 1.0
    power_step_w: float = 0.1
    noise_step_db: float = 0.1

    def __post_init__(self) -> None:
        faults = _number_faults(self)
        if not self.sensors:
            faults.append(_fault("sensors", "empty", "give at least one sensor"))
        if faults:
            raise InputError("This scenario cannot be simulated:", faults)
        positive = (
            "exponent",
            "reference_power_w",
            "reference_fan_rpm",
            "old_fan_rpm",
            "old_power_w",
            "new_fan_rpm",
            "new_power_w",
            "peer_fan_rpm",
            "peer_power_w",
            "noise_slope_db",
            "mic_distance_m",
        )
        faults += [
            _fault(name, getattr(self, name), "give a value above 0")
            for name in positive
            if getattr(self, name) <= 0
        ]
        spreads = [
            f.name
            for f in fields(self)
            if "_sd" in f.name or "_step_" in f.name or f.name == "standard_error_k"
        ]
        faults += [
            _fault(name, getattr(self, name), "give 0 or more")
            for name in spreads
            if getattr(self, name) < 0
        ]
        if not 0 <= self.bad_mount_probability <= 1:
            faults.append(
                _fault("bad_mount_probability", self.bad_mount_probability, "give 0 to 1")
            )
        if faults:
            raise InputError("This scenario cannot be simulated:", faults)


def _fault(name: str, value: object, fix: str) -> Fault:
    return Fault("out of range", fix, column=name, value=str(value))


def _number_faults(
    record: SensorScenario | Scenario, non_negative_ending: str | None = None
) -> list[Fault]:
    """Return the faults of fields that are not finite, or negative where they must not be."""
    faults = []
    for name in (f.name for f in fields(record)):
        value = getattr(record, name)
        if name == "sensors" or (name == "limit_c" and value is None):
            continue
        if isinstance(value, bool) or not isinstance(value, (int, float)) or not isfinite(value):
            faults.append(_fault(name, value, "give a finite number"))
        elif non_negative_ending and name.endswith(non_negative_ending) and value < 0:
            faults.append(_fault(name, value, "give 0 or more"))
    return faults
