"""Checks that an author of a plug-in runs in tests, and small data to run it on.

`check_plugin` does what registration does and more: it fails on what would break in use,
such as a slope that is not the derivative, a law that rises with flow, an item that
cannot be sent to a worker, or a hook that answers differently the second time.
"""

from __future__ import annotations

import inspect
import pickle
import re
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from thermcmp._plugin_checks import POINTS, hooks_of, item_faults
from thermcmp._plugin_registry import PluginRecord, PluginStatus, Registry
from thermcmp.errors import Fault, InputError
from thermcmp.hooks import Hooks, provided
from thermcmp.physics.airflow import AirflowLaw, check_airflow_law

if TYPE_CHECKING:
    import pandas as pd

    from thermcmp.questions.answer import Answer
    from thermcmp.telemetry.reading.readers import TelemetryReader

__all__ = [
    "check_answer",
    "check_law",
    "check_plugin",
    "check_reader",
    "sample_log",
    "sample_rows",
]

_MESSAGE = "The plug-in does not conform:"
#: Where an object stands in memory, which is another one each time.
_ADDRESS = re.compile(r" at 0x[0-9a-f]+")


def check_plugin(plugin: object) -> None:
    """Check a plug-in's hooks and items; it need not be registered.

    Parameters
    ----------
    plugin : module or object
        The plug-in, as it is named in its entry point or passed to `use_plugin`.

    Raises
    ------
    PluginError
        If registration would refuse it.
    InputError
        With a fault for each item that cannot be sent to worker processes, whose functions
        have no docstring, or that a second call of the hook does not return.
    """
    registry = Registry(Hooks)
    name = str(getattr(plugin, "__name__", type(plugin).__name__))
    registry.add(plugin, PluginRecord(name, "", "", PluginStatus.LOADED))
    faults: list[Fault] = []
    for hook, function in hooks_of(plugin).items():
        items = [entry.item for entry in registry.items(hook) if not entry.is_built_in]
        for item in items:
            where = f"{POINTS[hook].kind} '{getattr(item, POINTS[hook].key)}'"
            faults += [Fault(f"{where}: {fault.message}", fault.fix, column=fault.column)
                       for fault in _use_faults(item, hook)]  # fmt: skip
        first, second = (_ADDRESS.sub("", repr(list(each))) for each in (items, function()))
        if first != second:
            faults.append(Fault(f"{hook} returns {first}, then {second}", "return the same"))
        if not inspect.getdoc(function):
            faults.append(Fault(f"{hook} has no docstring", "say what it adds"))
    if faults:
        raise InputError(_MESSAGE, faults)


def _use_faults(item: Any, hook: str) -> Iterator[Fault]:
    """Yield what registration does not see: workers, docstrings, laws in full."""
    try:
        pickle.loads(pickle.dumps(item))
    except (pickle.PicklingError, AttributeError, TypeError) as error:
        fix = "define it in a module: classes and functions in functions cannot be sent"
        yield Fault(f"cannot be sent to worker processes: {error}", fix)
    called = [name for name, kind in POINTS[hook].members.items() if kind is object]
    called += [name for name, kind in POINTS[hook].members.items() if isinstance(kind, int)]
    for name in called:
        if not inspect.getdoc(getattr(item, name, None)):
            yield Fault("no docstring", "say what it returns, with units", column=name)
    if hook == "thermcmp_airflow_laws":
        try:
            check_law(item)
        except InputError as error:
            yield from error.faults
        # Whatever a law raises on a PyTensor scalar.
        except Exception as error:
            yield Fault(f"raised {type(error).__name__}: {error}", "do not branch on the exponent")


def check_law(law: AirflowLaw, lowest: float = 0.0, highest: float = 0.0) -> None:
    """Check an airflow law over a range of flow, as the two engines use it.

    Parameters
    ----------
    law : AirflowLaw
        The law.
    lowest, highest : float
        Range of use of its column [its unit]; by default the first of 300 to 3000, 30 to
        300, 3 to 30 and 0.3 to 3 that the law takes.

    Raises
    ------
    InputError
        As for `check_airflow_law`.
    """
    ranges = [(lowest, highest)] if highest else [(s, 10.0 * s) for s in (300.0, 30.0, 3.0, 0.3)]
    for low, high in ranges:
        flow = np.geomspace(low, high, 9)
        try:
            law.factor(flow, flow[4], law.exponent_prior_mean)
        except InputError:
            if (low, high) == ranges[-1]:
                raise
            continue
        check_airflow_law(law, flow, float(flow[4]))
        return


def check_reader(reader: TelemetryReader, path: Path, **options: Any) -> pd.DataFrame:
    """Check a reader of logs on a file of its format.

    Parameters
    ----------
    reader : TelemetryReader
        The reader.
    path : pathlib.Path
        A log with readings.
    **options
        As for `read_telemetry`.

    Returns
    -------
    pandas.DataFrame
        The log as `read_telemetry` returns it, for checks of its values.

    Raises
    ------
    InputError
        If the file's name or first bytes are not the reader's, the log cannot be read,
        two readings differ, nothing in it has a unit, a column has no reading, or one holds
        what no card or room has (°F stated as °C).
    PluginError
        If the reader fails.
    """
    import pandas as pd

    from thermcmp.tabular.beginnings import begins_with
    from thermcmp.telemetry.quantities import dimension_of
    from thermcmp.telemetry.reading.frame import read_telemetry
    from thermcmp.telemetry.steady_state.run_data import Readings

    faults = list(item_faults(reader, "thermcmp_readers"))
    if not faults and not path.name.lower().endswith(reader.suffixes):
        faults.append(Fault("not an ending of the reader", "add it to suffixes", file=path.name))
    if not begins_with(path, reader):
        faults.append(Fault("begins otherwise", "correct first_bytes", file=path.name))
    if faults:
        raise InputError(_MESSAGE, faults)
    frame, again = (read_telemetry(path, reader=reader, **options) for _ in range(2))
    try:
        pd.testing.assert_frame_equal(frame, again)
    except AssertionError as error:
        fault = Fault("a second reading differs", "keep no state in the reader", file=path.name)
        raise InputError(_MESSAGE, [fault]) from error
    if not [name for name in map(str, frame.columns) if name != "time_s" and dimension_of(name)]:
        faults.append(Fault("no quantity with a unit", "name as 'memory_c'", file=path.name))
    faults += [
        Fault("no reading", "correct how it is read", file=path.name, column=str(name))
        for name in frame.columns[frame.isna().all()]
    ]
    faults += [
        Fault(check.words, "state its unit in the heading", file=path.name)
        for entry in provided("thermcmp_run_checks") if entry.is_built_in
        for check in entry.item.check(Readings.of(frame), {})
    ]  # fmt: skip
    if faults:
        raise InputError(_MESSAGE, faults)
    return frame


def check_answer(answer: Answer) -> None:
    """Check that an answer can be printed, drawn and set on a page.

    Parameters
    ----------
    answer : Answer
        What a question returned.

    Raises
    ------
    InputError
        If an interval is turned round or does not hold its mean, or that of the draws of its
        name; a row without a mean has no reason in a column ``health``; there is no sentence,
        or nothing in the figure. What fails on printing raises as it is.
    """
    import pandas as pd

    faults = []
    table = answer.table
    means = {str(name): float(values.mean()) for name, values in answer.draws.data_vars.items()
             if values.ndim == 1}  # fmt: skip
    drawn = pd.Series(table.get("name"), table.index, dtype=object).map(means)
    reasons = pd.Series(table.get("health"), table.index, dtype=object).fillna("").astype(bool)
    for low in [str(name) for name in table.columns if str(name).split("_")[0] == "low"]:
        mean, high = (low.replace("low", word, 1) for word in ("mean", "high"))
        if {mean, high} <= set(table.columns):
            if not (table[mean].between(table[low], table[high]) | table[mean].isna()).all():
                faults.append(Fault("an interval without its mean", "correct it", column=low))
            if (table[mean].isna() & ~reasons).any():
                faults.append(Fault("no mean and no reason", "say why in health", column=mean))
            if not (drawn.isna() | drawn.between(table[low], table[high])).all():
                faults.append(Fault("an interval without its draws", "correct it", column=low))
    if not answer.sentences or not all(str(text).strip() for text in answer.sentences):
        faults.append(Fault("no finding in words", "add sentences", column="sentences"))
    axes = answer.plot()
    if not axes.has_data():
        faults.append(Fault("an empty figure", "draw on the axes", column="figure"))
    if faults:
        raise InputError(_MESSAGE, faults)
    _ = str(answer), answer._repr_html_()
    axes.figure.canvas.draw()


def sample_rows(seed: int = 1) -> pd.DataFrame:
    """Return checked results rows of a small invented campaign.

    Parameters
    ----------
    seed : int
        Seed of the campaign.

    Returns
    -------
    pandas.DataFrame
        Rows of one swap study, with the sensors memory, junction and edge.
    """
    from thermcmp.results.validation import check_results
    from thermcmp.simulation import simulate

    return check_results(simulate("revision study", seed=seed, remounts=2).results)


def sample_log(seconds: int = 600) -> pd.DataFrame:
    """Return the telemetry of an invented run, to be written in a format of your own.

    Parameters
    ----------
    seconds : int
        Length of the run [s], one reading per second; the first minute is idle.

    Returns
    -------
    pandas.DataFrame
        ``elapsed_s`` [s], ``memory_c`` and ``ambient_c`` [°C], ``power_w`` [W], ``fan_rpm``.
    """
    import pandas as pd

    time_s = np.arange(float(seconds))
    loaded = time_s >= 60.0
    # A first-order rise of 60 K with a time constant of a minute, in steps of a sensor.
    rise = np.where(loaded, 60.0 * -np.expm1(-(time_s - 60.0).clip(0.0) / 60.0), 0.0)
    noise = np.random.default_rng(1).normal(0.0, 0.2, (2, len(time_s)))
    return pd.DataFrame({
        "elapsed_s": time_s,
        "memory_c": np.round(22.0 + rise + noise[0], 1),
        "ambient_c": np.round(22.0 + 0.5 * noise[1], 2),
        "power_w": np.where(loaded, 200.0, 15.0) + np.round(noise[1], 2),
        "fan_rpm": np.where(loaded, 1800.0, 900.0) + np.round(10.0 * noise[0]),
    })  # fmt: skip
