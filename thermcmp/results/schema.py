"""The results table: names, types, units and allowed ranges of its columns.

This is the only place that says what a results row holds. The checks, the
Parquet files, the table reader and the documentation all read it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from thermcmp.tabular.column import Column, Kind

if TYPE_CHECKING:
    import pandas as pd

#: Version of the layout, written to every Parquet file's metadata. Version 2 added
#: ``regulated_by``, version 3 the errors of ambient, fan speed and power; they are blank in
#: older files. From version 4 on published results may leave ambient and power blank. Version 5
#: added ``at_floor`` and ``temperature_high_c``.
SCHEMA_VERSION: Final = 5


ASSEMBLY_KINDS: Final = ("factory", "bench")
FAN_MODES: Final = ("fixed", "stock", "equal noise")
ACTUATORS: Final = ("fan", "power", "fan and power")
VERDICTS: Final = ("pass", "corrected", "refused", "unchecked")

_TEXT, _NUMBER, _COUNT, _FLAG, _TIME = Kind.TEXT, Kind.NUMBER, Kind.COUNT, Kind.FLAG, Kind.TIME

COLUMNS: Final[tuple[Column, ...]] = (
    Column("run", _TEXT, "one test at one set point; unique within a lab", required=True),
    Column("sensor", _TEXT, "the measured place: memory, junction, edge …", required=True),
    Column("product", _TEXT, "what a shop sells: a cooler model on a board model"),
    Column(
        "cooler_model",
        _TEXT,
        "heatsink, fans, pads, back plate; a revision is its own model",
        required=True,
    ),
    Column("cooler_id", _TEXT, "specimen of the cooler"),
    Column("board_model", _TEXT, "circuit board with processor and memory", required=True),
    Column("board_id", _TEXT, "specimen of the board"),
    Column("memory_vendor", _TEXT, "maker of the memory on the board specimen"),
    Column("assembly", _TEXT, "one mounting of one cooler on one board; a teardown ends it"),
    Column("assembly_kind", _TEXT, "who mounted it", choices=ASSEMBLY_KINDS),
    Column("session", _TEXT, "one stay at one bench"),
    Column("bench", _TEXT, "the test bench"),
    Column("lab", _TEXT, "the laboratory"),
    Column("firmware", _TEXT, "what the card runs; sets fan speed and power limit"),
    Column("fan_mode", _TEXT, "how the fan speed was set", choices=FAN_MODES),
    Column(
        "temperature_c",
        _NUMBER,
        "steady sensor temperature",
        "°C",
        required=True,
        low=-60.0,
        high=200.0,
    ),
    Column(
        "temperature_high_c",
        _NUMBER,
        "upper end, where the temperature is only known to lie between temperature_c and this",
        "°C",
        low=-60.0,
        high=200.0,
        since=5,
    ),
    Column(
        "standard_error_k",
        _NUMBER,
        "standard error of the steady temperature within the run",
        "K",
        low=0.0,
        high=50.0,
    ),
    Column("resolution_k", _NUMBER, "step of the sensor's reading", "K", low=0.0, high=10.0),
    Column("n", _COUNT, "runs behind a published result; blank for a run of your own", low=1),
    Column("at_limit", _FLAG, "the sensor reached its limit (throttled or clamped)"),
    Column("at_floor", _FLAG, "the sensor read its lowest value: it is that or colder", since=5),
    Column("regulated", _FLAG, "a control loop held the sensor at a target"),
    Column(
        "regulated_by",
        _TEXT,
        "what the control loop moved to hold it; blank where it is not known",
        choices=ACTUATORS,
        since=2,
    ),
    Column(
        "ambient_c",
        _NUMBER,
        "local air temperature at the cooler's intake",
        "°C",
        low=-40.0,
        high=80.0,
    ),
    Column(
        "ambient_error_k",
        _NUMBER,
        "standard error of the ambient temperature of this run, beyond that of the rise",
        "K",
        low=0.0,
        high=50.0,
        since=3,
    ),
    Column("fan_rpm", _NUMBER, "fan speed by tachometer", "rpm", low=0.0, high=60_000.0),
    Column(
        "fan_error_rpm",
        _NUMBER,
        "standard error of the fan speed of this run",
        "rpm",
        low=0.0,
        high=60_000.0,
        since=3,
    ),
    Column("power_w", _NUMBER, "board power", "W", low=0.1, high=5_000.0),
    Column(
        "power_error_w",
        _NUMBER,
        "standard error of the board power of this run",
        "W",
        low=0.0,
        high=5_000.0,
        since=3,
    ),
    Column(
        "noise_dba",
        _NUMBER,
        "A-weighted sound level with the card running",
        "dB(A)",
        low=0.0,
        high=140.0,
    ),
    Column("noise_floor_dba", _NUMBER, "A-weighted background level", "dB(A)", low=0.0, high=140.0),
    Column("mic_distance_m", _NUMBER, "distance of the microphone", "m", low=0.01, high=100.0),
    Column("started_at", _TIME, "start of the run", "UTC"),
    Column("soak_s", _NUMBER, "time at load before the window", "s", low=0.0),
    Column("window_s", _NUMBER, "length of the averaged window", "s", low=0.0),
    Column(
        "drift_k_per_min",
        _NUMBER,
        "drift of the rise inside the window",
        "K/min",
        low=-60.0,
        high=60.0,
    ),
    Column("protocol_verdict", _TEXT, "outcome of the protocol check", choices=VERDICTS),
    Column("protocol_reason", _TEXT, "why the verdict is not a plain pass", verbatim=True),
    Column("source_file", _TEXT, "file the row came from", verbatim=True),
    Column("source_sha256", _TEXT, "hash of that file"),
)

BY_NAME: Final[dict[str, Column]] = {column.name: column for column in COLUMNS}
NAMES: Final[tuple[str, ...]] = tuple(BY_NAME)
REQUIRED: Final[tuple[str, ...]] = tuple(c.name for c in COLUMNS if c.required)
#: Columns that every row needs but a published result, which states `n`.
UNLESS_PUBLISHED: Final = ("ambient_c", "power_w")
#: The column of the standard error of each reading that has one of its own.
ERROR_OF: Final[dict[str, str]] = {
    "ambient_c": "ambient_error_k",
    "power_w": "power_error_w",
    "fan_rpm": "fan_error_rpm",
}
#: Columns of a published table that are put into those of the results when it is read.
PUBLISHED_FORMS: Final = (
    Column(
        "rise_k", _NUMBER, "steady rise over ambient, in place of the temperature", "K",
        low=-2.0, high=200.0,
    ),
    Column(
        "standard_deviation_k", _NUMBER, "standard deviation of the n runs, in place of the "
        "standard error", "K", low=0.0, high=50.0,
    ),
    Column(
        "expanded_error_k", _NUMBER, "stated ± with a coverage factor of 2, likewise", "K",
        low=0.0, high=100.0,
    ),
)  # fmt: skip
#: Columns of which each sensor has one.
MEASURED: Final = ("temperature_c", "rise_k")
#: All columns that a table may have.
READABLE: Final[dict[str, Column]] = {c.name: c for c in (*COLUMNS, *PUBLISHED_FORMS)}
#: Columns that identify a result row.
KEY: Final[tuple[str, ...]] = ("lab", "run", "sensor")


def in_force(rows: pd.DataFrame) -> pd.Series:
    """Return which rows count: a run that was refused or withdrawn is out of every comparison."""
    return rows["protocol_verdict"].ne("refused").fillna(True).astype(bool)
