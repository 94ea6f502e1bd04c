"""Several cards whose columns stand side by side in one log."""

from __future__ import annotations

from collections.abc import Iterable

import pandas as pd

from thermcmp.telemetry.quantities import card_of, role_of, without_card


def cards_in(names: Iterable[object]) -> list[str]:
    """Return the marks of several cards in names, as 'gpu0' and 'gpu1'; empty for one card."""
    cards = sorted({card_of(str(name)) for name in names} - {""})
    return cards if len(cards) > 1 else []


def of_card(frame: pd.DataFrame, card: str) -> pd.DataFrame:
    """Return the columns of one card and those of all, without its mark in their names."""
    own = frame[[name for name in frame if card_of(str(name)) in ("", card)]]
    # A sensor that has no other name keeps it.
    return own.rename(columns=lambda n: plain if role_of(plain := without_card(n)) else n)
