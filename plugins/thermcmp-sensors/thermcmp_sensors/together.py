"""Which pairs of sensors move together from assembly to assembly."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from thermcmp.errors import Fault, InputError, suggest

if TYPE_CHECKING:
    from thermcmp import Answer, SensorFits


def sensors_together(fits: SensorFits, term: str = "assembly") -> Answer:
    """Answer which sensors share what an assembly, or a session, did to them.

    Parameters
    ----------
    fits : SensorFits
        Several sensors, as from `thermcmp.fit_sensors`.
    term : str
        A term whose effects are correlated between the sensors.

    Returns
    -------
    Answer
        The correlation of each pair [-].

    Raises
    ------
    InputError
        If it is not asked of several sensors, or the term is none of theirs.
    """
    from thermcmp import SensorFits, make_answer

    message = "Which sensors move together cannot be answered:"
    if not isinstance(fits, SensorFits):
        fault = Fault("one sensor", "fit several with fit_sensors, and ask of those", column="fit")
        raise InputError(message, [fault])
    if term not in fits.together:
        fault = Fault(
            "not correlated", suggest(term, list(fits.together)), column="term", value=term
        )
        raise InputError(message, [fault])
    pairs = fits.table[fits.table["term"] == term]
    draws, sentences, caveats = {}, [], []
    for first, second, note in pairs[["first", "second", "note"]].itertuples(index=False):
        name = f"{first} and {second}"
        draws[name] = fits.correlation(term, first, second)
        low, high = np.quantile(draws[name], [0.05, 0.95])
        shown = f"{draws[name].mean():.2f} ({low:.2f} to {high:.2f})"
        if low > 0.0:
            words = f"move together: what one {term} did to one of them shows on the other"
        elif high < 0.0:
            words = "move against each other: look for heat that moves between them"
        else:
            words = "are not seen to move together: a deviation of one says little of the other"
        sentences.append(f"{name}: correlation {shown}; they {words}.")
        if note:
            caveats.append(f"{name}: mostly the prior. Fix: test further levels of {term}.")
    return make_answer(
        "sensors together",
        f"Sensors that move together by {term}",
        draws,
        unit="",
        axis="Correlation",
        sentences=sentences,
        caveats=caveats,
        fits=tuple(fits.values()),
    )
