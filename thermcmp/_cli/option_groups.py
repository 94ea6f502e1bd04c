"""Options that several commands share, each group collected into one object."""

from __future__ import annotations

import functools
from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TypeVar

import click

from thermcmp._cli.terminal import progress, say
from thermcmp.errors import Fault, InputError

if TYPE_CHECKING:
    import pandas as pd

    from thermcmp.library.store import Library
    from thermcmp.questions.answer import Answer

_Command = Callable[..., Any]
_T = TypeVar("_T")
FILE: Final = click.Path(path_type=Path)

library_option = click.option(
    "--library", metavar="PATH", envvar="THERMCMP_LIBRARY", show_envvar=True,
    help="Your library: a folder or a URL.",
)  # fmt: skip


def collected(
    group: Callable[..., _T], options: Sequence[_Command]
) -> Callable[[_Command], _Command]:
    """Return a decorator that gives a command the options of a dataclass as its first argument."""
    names = [option.name for option in fields(group)]  # type: ignore[arg-type]

    def decorate(command: _Command) -> _Command:
        @functools.wraps(command)
        def called(*args: Any, **given: Any) -> Any:
            return command(group(**{name: given.pop(name) for name in names}), *args, **given)

        for option in reversed(options):
            called = option(called)
        return called

    return decorate


def opened(path: str | None, *, is_new: bool = False) -> Library:
    """Return the library that an option names."""
    import thermcmp as tc

    if path is None:
        raise click.UsageError("give --library with the folder of your library")
    if not is_new and "://" not in path and not Path(path).is_dir():
        fault = Fault("no such folder", "give the folder of a library", file=path)
        raise InputError("The library cannot be read:", [fault])
    return tc.Library(path)


def pairs_of(texts: Sequence[str], option: str) -> list[tuple[str, str]]:
    """Return the two sides of each "name=value"."""
    for text in texts:
        if "=" not in text:
            raise click.UsageError(f"{option} takes NAME=VALUE, not '{text}'")
    return [(name.strip(), value.strip()) for name, _, value in (t.rpartition("=") for t in texts)]


@dataclass(frozen=True, slots=True, kw_only=True)
class FitSource:
    """Which rows to fit, or which saved fit to ask."""

    library: str | None = None
    fit_file: Path | None = None
    sensor: str | None = None
    only: tuple[str, ...] = ()
    seed: int = 1
    draws: int | None = None
    engine: str | None = None
    allow_bad_health: bool = False

    @property
    def allowed(self) -> dict[str, Any]:
        """Options of every question and of the report."""
        return {"allow_bad_health": True} if self.allow_bad_health else {}

    @property
    def sampling(self) -> dict[str, Any]:
        """Options of every fit."""
        stated = {"seed": self.seed, "draws": self.draws, "engine": self.engine}
        return {name: value for name, value in stated.items() if value is not None}

    def rows(self) -> pd.DataFrame:
        """Return the rows of the library that are wanted."""
        from thermcmp.results.schema import BY_NAME
        from thermcmp.tabular.coercion import converter_of

        wanted: dict[str, Any] = {}
        for name, value in pairs_of(self.only, "--only"):
            try:
                read = converter_of(BY_NAME[name])(value) if name in BY_NAME else value
            except ValueError as error:
                raise click.UsageError(f"--only {name}={value}: {error}") from None
            wanted.setdefault(name, []).append(read)
        rows = opened(self.library).results(**wanted)
        if rows.empty and wanted:
            raise click.UsageError(f"no row has {' and '.join(self.only)} (--only)")
        return rows

    def fit(self) -> Any:
        """Return the saved fit, or that of the rows of the sensor."""
        import thermcmp as tc

        if self.fit_file is not None:
            return tc.load_fit(self.fit_file)
        if self.library is None:
            raise click.UsageError("give --library, or --fit with a saved fit")
        with progress("Reading the results"):
            rows = self.rows()
            sensor = sensor_of(rows, self.sensor)
            rows = rows[rows["sensor"] == sensor]
        with progress(f"Fitting {len(rows)} rows of the {sensor} sensor"):
            return tc.fit(rows, sensor=sensor, **self.sampling)


def sensor_of(rows: pd.DataFrame, chosen: str | None) -> str:
    """Return the sensor to ask about: the one named, or the only one."""
    held = sorted(str(name) for name in rows["sensor"].dropna().unique())
    if chosen is None and len(held) == 1:
        return held[0]
    if chosen in held:
        return str(chosen)
    message = "no sensor named" if chosen is None else "no rows of this sensor"
    fix = f"use --sensor with one of {', '.join(held)}" if held else "import results first"
    fault = Fault(message, fix, column="sensor", value=chosen)
    raise InputError("The sensor is not clear:", [fault])


fit_options = collected(
    FitSource,
    (
        library_option,
        click.option("--fit", "fit_file", type=FILE, metavar="FILE", help="A saved fit instead."),
        click.option("--sensor", help="Sensor to ask about; needed where there are several."),
        click.option(
            "--only", multiple=True, metavar="COLUMN=VALUE",
            help="Only the rows with this value; repeat it for several.",
        ),
        click.option("--seed", default=1, show_default=True, help="Seed of everything random."),
        click.option("--draws", type=int, metavar="N", help="Posterior draws of each fit."),
        click.option(
            "--engine", type=click.Choice(["auto", "conditional", "nuts"]),
            help="How it is computed; by default as the rows need it.",
        ),
        click.option(
            "--allow-bad-health", is_flag=True,
            help="Answer although a fit failed its checks; answers and page then say so.",
        ),
    ),
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class At:
    """Conditions as stated; what is not comes from the rows."""

    ambient_c: float | None = None
    power_w: float | None = None
    fan_rpm: float | None = None
    noise_dba: float | None = None
    mic_distance_m: float | None = None
    case_rise_k: float | None = None
    altitude_m: float | None = None

    @property
    def stated(self) -> dict[str, Any]:
        """The conditions that were stated."""
        held = {option.name: getattr(self, option.name) for option in fields(self)}
        return {name: value for name, value in held.items() if value is not None}

    def on_bench(self, rows: pd.DataFrame) -> dict[str, Any]:
        """Return the conditions, with the air and the microphone of the rows where not stated."""
        usual = {"ambient_c": round(float(rows["ambient_c"].median()), 1)}
        if self.noise_dba is not None and rows["mic_distance_m"].notna().any():
            usual["mic_distance_m"] = float(rows["mic_distance_m"].median())
        return usual | self.stated

    def to_rank(self, rows: pd.DataFrame) -> dict[str, Any]:
        """Return the conditions of a ranking: at a noise that the products have in common."""
        usual: dict[str, Any] = {"power_w": round(float(rows["power_w"].median()))}
        loud = rows.dropna(subset=["noise_dba"])
        if not {"fan_rpm", "noise_dba"} & set(self.stated) and len(loud):
            spans = loud.groupby("product", observed=True)["noise_dba"].agg(["min", "max"])
            low, high = spans["min"].max(), spans["max"].min()
            middle = (low + high) / 2.0 if low < high else loud["noise_dba"].median()
            usual["noise_dba"] = round(2.0 * float(middle)) / 2.0
            return usual | replace(self, noise_dba=usual["noise_dba"]).on_bench(rows)
        return usual | self.on_bench(rows)


condition_options = collected(
    At,
    tuple(
        click.option(f"--{name}", type=float, metavar=unit, help=f"{meaning}.")
        for name, unit, meaning in (
            ("ambient-c", "C", "Air at the cooler's intake, °C; by default that of the runs"),
            ("power-w", "W", "Board power, W; by default that of the runs"),
            ("fan-rpm", "RPM", "Fan speed, rpm"),
            ("noise-dba", "DBA", "Sound level in place of the fan speed, dB(A)"),
            ("mic-distance-m", "M", "Distance of that level, m; by default that of the runs"),
            ("case-rise-k", "K", "How much warmer the intake is than a room of --ambient-c, K"),
            ("altitude-m", "M", "Altitude of the room, m"),
        )
    ),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """Where an answer goes beside the terminal."""

    csv: Path | None
    plot: Path | None

    def show(self, answer: Answer) -> None:
        """Print an answer, and write its table and figure where that is asked."""
        say(str(answer))
        if self.csv is not None:
            answer.table.to_csv(self.csv, index=False)
        if self.plot is not None:
            axes: Any = answer.plot()
            axes.figure.savefig(self.plot)


answer_options = collected(
    Shown,
    (
        click.option("--csv", type=FILE, metavar="FILE", help="Write the answer's table too."),
        click.option("--plot", type=FILE, metavar="FILE", help="Write its figure: PNG, SVG, PDF."),
    ),
)
