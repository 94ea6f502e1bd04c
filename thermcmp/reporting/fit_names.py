"""Names of the fits of one page."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from thermcmp.inference.posterior import Fit


def fit_names(fits: Sequence[Fit]) -> tuple[str, ...]:
    """Return distinct names of the fits, each as short as possible."""
    longer: tuple[Callable[[Fit], str], ...] = (
        lambda fit: f" of {len(fit.design.rows)} rows",
        lambda fit: f" with {', '.join(fit.fitted_with)}" if fit.fitted_with else " alone",
        lambda fit: f" by {fit.engine}",
    )
    names = [f"{fit.sensor} fit" for fit in fits]
    for add in longer:
        seen = Counter(names)
        names = [
            name + add(fit) if seen[name] > 1 else name
            for name, fit in zip(names, fits, strict=True)
        ]
    seen = Counter(names)
    return tuple(
        f"{name}, no. {names[: place + 1].count(name)}" if seen[name] > 1 else name
        for place, name in enumerate(names)
    )
