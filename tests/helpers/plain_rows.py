"""Results rows of one plain card, of which tests state what differs."""

import numpy as np
import pandas as pd

CARD = {
    "sensor": "memory",
    "cooler_model": "Heron-C1",
    "board_model": "Heron-B1",
    "lab": "North",
    "temperature_c": 70.0,
    "ambient_c": 22.0,
    "fan_rpm": 1800.0,
    "power_w": 200.0,
}
#: Its specimens, vendor, assembly and session.
SPECIMENS = {
    "cooler_id": "Heron-C1-1",
    "board_id": "Heron-B1-1",
    "memory_vendor": "Quill",
    "assembly": "m1",
    "session": "s1",
}


def plain_rows(usual=CARD, **columns):
    """Rows as long as the longest column, each a run of its own."""
    size = max(len(np.atleast_1d(value)) for value in columns.values())
    runs = {"run": [f"r{i}" for i in range(size)]}
    return pd.DataFrame({**runs, **usual, **columns}, index=range(size))


def card_rows(card, specimen, **columns):
    """Rows of one specimen of a card on its own board, by default of one assembly."""
    models = {"product": card, "cooler_model": f"{card}-C", "board_model": f"{card}-B"}
    names = dict.fromkeys(("cooler_id", "board_id", "assembly"), specimen)
    return plain_rows(**{**models, **names, **columns})
