"""A first look at very many contrasts: their numbers from shared draws, and which to check.

The pairs of a few hundred levels share the draws of the levels, so that each costs a difference;
what is checked of a contrast (its share of data, what its prior does, what it rests on, how it
depends on its partner) takes far longer, and is done for those that most likely matter.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp._types import Array, IntArray
from thermcmp.prediction.builds import Scope
from thermcmp.questions.phrases import RANGE_PROB, WITHHELD
from thermcmp.questions.separation.contrasts import Effect, contrast_effects

if TYPE_CHECKING:
    from collections.abc import Collection

    from thermcmp.inference.posterior import Fit
    from thermcmp.model.identifiability import Contrast

#: More contrasts than this are looked at first, and those checked that most likely matter.
MOST_CHECKED: Final = 200
#: Health of a contrast that was only looked at.
UNCHECKED: Final = "not checked: ask for it by contrasts="
#: Contrasts that are worked on at once.
_BATCH: Final = 200
#: Numbers of draws that are copied at once.
_NUMBERS: Final = 5_000_000


@dataclass(frozen=True, slots=True, eq=False)
class Screening:
    """Contrasts that were looked at: the cells of each in the table, and its weight."""

    contrasts: tuple[Contrast, ...]  #: the contrast of each row
    cells: tuple[tuple[object, ...], ...]
    #: Whether it is measured, the probability that it matters, and its mean size [K].
    weights: tuple[tuple[bool, float, float], ...]

    caveats: tuple[str, ...] = ()

    def parted(self, most: int) -> tuple[list[Contrast], Screening]:
        """Return the contrasts to check, those that most likely matter, and what is left."""
        order = sorted(range(len(self.weights)), key=self.weights.__getitem__, reverse=True)
        chosen = list(dict.fromkeys(self.contrasts[place] for place in order))[:most]
        known = {(c.factor, c.first, c.second) for c in chosen}
        kept = [
            k for k, c in enumerate(self.contrasts) if (c.factor, c.first, c.second) not in known
        ]
        left = Screening(
            tuple(self.contrasts[k] for k in kept),
            tuple(self.cells[k] for k in kept),
            tuple(self.weights[k] for k in kept),
            (
                f"Only the {len(chosen)} contrasts were checked that most likely matter; "
                f"{len(kept):,} more rows have their numbers only. To check a contrast, ask for "
                "it: contrasts=[(level, level)].",
            ),
        )
        return chosen, left


def screen(
    fit: Fit,
    scope: Scope,
    wanted: Sequence[Contrast],
    partners: Collection[str] | None,
    *,
    matters_k: float,
    prob: float,
) -> Screening:
    """Look at contrasts: mean, standard deviation, interval, and how likely each matters."""
    effects = contrast_effects(fit, scope, wanted, partners, is_each=False)
    cells: list[tuple[object, ...]] = []
    weights: list[tuple[bool, float, float]] = []
    contrasts: list[Contrast] = []
    for batch, draws in _with_draws(fit, effects):
        ends = [(1.0 - prob) / 2.0, (1.0 + prob) / 2.0]
        low, high = np.quantile(draws, ends, axis=1)
        size = np.abs(draws)
        matter, mean_size = np.mean(size > matters_k, axis=1), size.mean(axis=1)
        columns = zip(draws.mean(axis=1), draws.std(axis=1), low, high, strict=True)
        for k, (effect, numbers) in enumerate(zip(batch, columns, strict=True)):
            contrast = effect.alias
            if contrast is None:
                continue
            health = UNCHECKED
            if not (contrast.estimable and effect.is_measured):
                outer = np.quantile(draws[k], [(1.0 - RANGE_PROB) / 2.0, (1.0 + RANGE_PROB) / 2.0])
                numbers, health = (np.nan, np.nan, *outer), WITHHELD
            contrasts.append(contrast)
            aliased = ", ".join(contrast.aliased_with)
            cells.append(
                (effect.factor, effect.contrast, effect.partner, *map(float, numbers),
                 np.nan, np.nan, aliased, health)
            )  # fmt: skip
            weights.append((not aliased, float(matter[k]), float(mean_size[k])))
    return Screening(tuple(contrasts), tuple(cells), tuple(weights))


def _with_draws(fit: Fit, effects: Iterator[Effect]) -> Iterator[tuple[list[Effect], Array]]:
    """Return effects in batches, with their draws (m, S)."""
    from scipy.sparse import csr_array

    columns: IntArray = np.zeros(0, dtype=np.intp)
    draws = np.zeros((0, fit.draw_count))
    for batch in _batches(effects):
        stacked = np.stack([effect.weights for effect in batch])
        used = np.flatnonzero(stacked.any(axis=0))
        missing = np.setdiff1d(used, columns)
        if len(missing):
            columns = np.concatenate([columns, missing])
            draws = np.vstack([draws, _draws_of(fit, missing)])
        yield batch, np.asarray(csr_array(stacked[:, columns]) @ draws)


def _batches(effects: Iterator[Effect]) -> Iterator[list[Effect]]:
    batch: list[Effect] = []
    for effect in effects:
        batch.append(effect)
        if len(batch) == _BATCH:
            yield batch
            batch = []
    if batch:
        yield batch


def _draws_of(fit: Fit, columns: IntArray) -> Array:
    """Return the draws of some effects, (k, S), copying a part of all at a time."""
    step = max(1, _NUMBERS // fit.design.effect_count)
    parts = [
        fit.effects_at(slice(first, first + step))[:, columns]
        for first in range(0, fit.draw_count, step)
    ]
    return np.ascontiguousarray(np.concatenate(parts).T)
