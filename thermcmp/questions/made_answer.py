"""Answers that plug-ins make of their draws."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import ArrayLike

from thermcmp.errors import Fault, InputError
from thermcmp.questions.answer import Answer
from thermcmp.questions.interval_plot import interval_figure

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

    from thermcmp.inference.posterior import Fit

_MESSAGE: Final = "This answer cannot be made:"


def make_answer(  # noqa: PLR0913 - the public face; all but three are keyword-only
    kind: str,
    title: str,
    draws: Mapping[str, ArrayLike],
    *,
    unit: str = "k",
    axis: str = "Difference [K]",
    table: pd.DataFrame | None = None,
    sentences: Sequence[str] = (),
    caveats: Sequence[str] = (),
    prob: float = 0.9,
    fits: Sequence[Fit] = (),
    figure: Callable[[Answer, Axes], None] | None = None,
) -> Answer:
    """Make the answer of a question of your own.

    Parameters
    ----------
    kind : str
        Name of the question.
    title : str
        Heading for tables and pages.
    draws : mapping of str to array_like, shape (S,)
        Posterior draws of each quantity [`unit`], by its name in the table.
    unit : str
        Ending of the table's columns: ``k``, ``w``, ``rpm`` …; "" for a number without one.
    axis : str
        Label of the figure's axis.
    table : pandas.DataFrame, optional
        Table of the answer; by default a row per quantity with ``name``, mean, low and high.
    sentences, caveats : sequence of str
        Findings and their limits, in plain words.
    prob : float
        Probability of the intervals, between 0 and 1.
    fits : sequence of Fit
        Fits that it rests on; a report states how far each can be trusted.
    figure : callable, optional
        ``figure(answer, ax)`` draws on Matplotlib axes; intervals of the table by default.

    Returns
    -------
    Answer
        With equal-tailed intervals.

    Raises
    ------
    InputError
        If draws differ in length or are not finite, the probability is not one, or a text stands
        where a sequence of texts is meant.
    """
    import xarray as xr

    samples = {name: np.asarray(values, dtype=np.float64) for name, values in draws.items()}
    faults = []
    if len({values.shape for values in samples.values()}) != 1 or any(
        values.ndim != 1 or not len(values) for values in samples.values()
    ):
        faults.append(Fault("not arrays of one length", "give (S,) each", column="draws"))
    faults += [
        Fault("not a finite number", "leave it out, and state in a caveat why", column=str(name))
        for name, values in samples.items()
        if not np.isfinite(values).all()
    ]
    if not 0.0 < prob < 1.0:
        fault = Fault("not between 0 and 1", "give such as 0.9", column="prob", value=f"{prob:g}")
        faults.append(fault)
    for name, texts in (("sentences", sentences), ("caveats", caveats)):
        if isinstance(texts, str):
            faults.append(Fault("one text", "give a list of texts", column=name))
    if faults:
        raise InputError(_MESSAGE, faults)
    columns = _columns(unit)

    def intervals(answer: Any, ax: Axes) -> None:
        interval_figure(answer, ax, label="name", columns=columns, axis=axis)

    return Answer(
        kind=kind,
        title=title,
        table=_table(samples, columns, prob) if table is None else table,
        draws=xr.Dataset({name: ("draw", values) for name, values in samples.items()}),
        sentences=tuple(sentences),
        caveats=tuple(caveats),
        prob=prob,
        fits=tuple(fits),
        draw_figure=figure or intervals,
    )


def _columns(unit: str) -> tuple[str, str, str]:
    ending = f"_{unit}" if unit else ""
    return f"mean{ending}", f"low{ending}", f"high{ending}"


def _table(samples: Mapping[str, Any], columns: tuple[str, str, str], prob: float) -> pd.DataFrame:
    """Return mean and equal-tailed interval of each quantity."""
    import pandas as pd

    rows = [
        (name, values.mean(), *np.quantile(values, [(1.0 - prob) / 2.0, (1.0 + prob) / 2.0]))
        for name, values in samples.items()
    ]
    return pd.DataFrame(rows, columns=["name", *columns])
