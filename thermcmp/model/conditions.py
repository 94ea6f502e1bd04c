"""What is compared and under which conditions: `Build` and `Conditions`."""

from __future__ import annotations

from dataclasses import dataclass, field, fields, replace
from numbers import Real
from typing import TYPE_CHECKING, Any, Final

from thermcmp.errors import Fault, InputError

if TYPE_CHECKING:
    from collections.abc import Mapping

#: Change of level by altitude that is not worth reporting [dB] (common practice, no source).
SMALL_SHIFT_DB: Final = 0.3


@dataclass(frozen=True, slots=True, kw_only=True)
class Conditions:
    """Conditions at which builds are compared.

    Attributes
    ----------
    ambient_c : float
        Air temperature at the cooler's intake, or of the room where a `case_rise_k` is
        given [°C]. The default of 21 °C is the open bench (common practice, no source).
    power_w : float, optional
        Board power [W]; the fit's reference power by default.
    fan_rpm : float, optional
        Fan speed [rpm]; the fit's reference speed by default, unless
        `noise_dba` is given.
    noise_dba : float, optional
        Sound level at which each build runs [dB(A)], in place of `fan_rpm`.
    mic_distance_m : float
        Distance for `noise_dba` [m]; 0.5 m by default (common practice, no source).
    case_rise_k : float
        How much warmer the air at the cooler's intake is than `ambient_c`, which then
        is the room's: the case's own rise [K]; 0 on the open bench.
    altitude_m : float, optional
        Altitude of the room [m]; that of the measurements by default.
    measured_altitude_m : float
        Altitude of the measurements [m]; sea level by default.

    Raises
    ------
    InputError
        If a value is not a number or out of range, or both speed and noise are given.
    """

    ambient_c: float = 21.0
    power_w: float | None = None
    fan_rpm: float | None = None
    noise_dba: float | None = None
    mic_distance_m: float = 0.5
    case_rise_k: float = 0.0
    altitude_m: float | None = None
    measured_altitude_m: float = 0.0

    def __post_init__(self) -> None:
        limits = {
            "ambient_c": (-40.0, 80.0),
            "power_w": (0.1, 5000.0),
            "fan_rpm": (1.0, 60_000.0),
            "noise_dba": (0.0, 140.0),
            "mic_distance_m": (0.01, 100.0),
            "case_rise_k": (0.0, 60.0),
            "altitude_m": (-430.0, 6000.0),
            "measured_altitude_m": (-430.0, 6000.0),
        }
        faults = [
            Fault("not a number", "give a number, as in 35.0", column=name, value=repr(value))
            for name in limits
            if (value := getattr(self, name)) is not None and not _is_number(value)
        ]
        if faults:
            raise InputError("These conditions are not numbers:", faults)
        faults = [
            Fault(
                "out of range",
                f"give a value in [{low:g}, {high:g}]",
                column=name,
                value=str(value),
            )
            for name, (low, high) in limits.items()
            if (value := getattr(self, name)) is not None and not low <= value <= high
        ]
        if self.fan_rpm is not None and self.noise_dba is not None:
            faults.append(
                Fault(
                    "both fan_rpm and noise_dba are held",
                    "give one of them: the other follows from it",
                    column="noise_dba",
                )
            )
        if faults:
            raise InputError("These conditions cannot be compared at:", faults)

    @property
    def intake_c(self) -> float:
        """Air temperature at the cooler's intake [°C]: that of the room plus the case's rise."""
        return self.ambient_c + self.case_rise_k

    @property
    def density_ratio(self) -> float:
        """Air density of the room over that of the measurements at equal temperature [-].

        By the pressures of ISO 2533:1975 and the ideal gas law.
        """
        from thermcmp.physics.air import standard_pressure_pa

        if self.altitude_m is None:
            return 1.0
        there, here = standard_pressure_pa([self.altitude_m, self.measured_altitude_m])
        return float(there / here)

    @property
    def air_words(self) -> str:
        """Ambient in words, with intake temperature and altitude where stated."""
        words = f"air of {self.ambient_c:g} °C"
        if self.case_rise_k:
            words = f"a room of {self.ambient_c:g} °C ({self.intake_c:g} °C at the intake)"
        return words if self.altitude_m is None else f"{words} at {self.altitude_m:g} m"

    @property
    def altitude_words(self) -> str:
        """Assumptions made for an altitude, as a caveat."""
        from thermcmp.physics.noise_law import density_shift_db

        shift_db, noise = float(density_shift_db(self.density_ratio)), ""
        if abs(shift_db) > SMALL_SHIFT_DB:
            noise = (
                f": at one fan speed it would be about {abs(shift_db):.1f} dB "
                f"{'quieter' if shift_db < 0.0 else 'louder'} at {self.altitude_m:g} m, since a "
                "fan's sound pressure goes with the air's density"
            )
        return (
            f"Measurements count as made at {self.measured_altitude_m:g} m. Thin air weakens "
            "the convective part only, by the airflow exponent; the air also warms more on its way "
            "through the fins, so the truth may lie somewhat higher. "
            f"Noise is as it was measured{noise}."
        )

    @classmethod
    def of(cls, at: Conditions | None, changes: Mapping[str, float | None]) -> Conditions:
        """Merge a `Conditions` with keyword values, which take precedence.

        Parameters
        ----------
        at : Conditions, optional
            Conditions to change; the defaults if left out.
        changes : mapping of str to float
            Fields of `Conditions`; None counts as not given. A fan speed replaces a noise,
            and a noise a fan speed.

        Returns
        -------
        Conditions
            The merged conditions.

        Raises
        ------
        InputError
            If a keyword is not a condition.
        """
        names = {f.name for f in fields(cls)}
        unknown = sorted(set(changes) - names)
        if unknown:
            fix = f"use one of {', '.join(sorted(names))}"
            faults = [Fault("no such condition", fix, column=name) for name in unknown]
            raise InputError("Unknown conditions:", faults)
        base = at if at is not None else cls()
        stated: dict[str, Any] = {name: v for name, v in changes.items() if v is not None}
        if "noise_dba" in stated and "fan_rpm" not in stated:
            base = replace(base, fan_rpm=None)
        if "fan_rpm" in stated and "noise_dba" not in stated:
            base = replace(base, noise_dba=None)
        return replace(base, **stated)


def _is_number(value: object) -> bool:
    return isinstance(value, Real) and not isinstance(value, bool)


@dataclass(frozen=True, slots=True, kw_only=True)
class Build:
    """Hardware and firmware to ask about.

    Attributes
    ----------
    cooler_model, board_model : str
        Models of the two parts.
    firmware : str, optional
        Firmware; needed where fan speed or power follow from it.
    memory_vendor : str, optional
        Memory vendor; all vendors seen on that board model, evenly, by default.
    assembly_kind : {"factory", "bench"}, optional
        Kind of assembly; factory where the data has it, by default.
    levels : mapping of str to str or float, optional
        Level of a factor of your own, or value of a covariate, by its results column. A
        covariate counts at its mean over the fit's rows, a factor at the levels that the
        build was run with, by default.
    label : str, optional
        Name to show; made from the parts by default.
    """

    cooler_model: str
    board_model: str
    firmware: str | None = None
    memory_vendor: str | None = None
    assembly_kind: str | None = None
    levels: Mapping[str, str | float] = field(default_factory=dict, hash=False)
    label: str | None = None

    @property
    def name(self) -> str:
        """Name to show in tables and figures."""
        if self.label:
            return self.label
        hardware = f"{self.cooler_model} on {self.board_model}"
        return f"{hardware} / {self.firmware}" if self.firmware else hardware
