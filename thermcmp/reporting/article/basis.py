"""What an answer rests on: runs, assemblies, specimens, sessions and benches."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from thermcmp.model.rows import level_keys
from thermcmp.prediction.builds import Scope
from thermcmp.reporting.article.finding import listed

if TYPE_CHECKING:
    import pandas as pd

    from thermcmp.inference.posterior import Fit
    from thermcmp.model.conditions import Build


@dataclass(frozen=True, slots=True)
class Basis:
    """What was tested, counted, and the models of which one specimen only was."""

    runs: int
    assemblies: int
    coolers: int
    boards: int
    benches: int
    #: Models with one specimen.
    lone: tuple[str, ...]

    @property
    def words(self) -> str:
        """The counts, in words."""
        parts = f"{_count(self.coolers, 'cooler')} and {_count(self.boards, 'board')}"
        where = f", on {self.benches} benches" if self.benches > 1 else ""
        return (
            f"{_count(self.runs, 'run')} on {_count(self.assemblies, 'assembly', 'assemblies')} "
            f"of {parts}{where}"
        )


def specimen_words(lone: Sequence[str], scope: str) -> str:
    """State of which models one specimen was tested, and what that leaves open."""
    ending = "what holds for it may not hold for others of its model"
    if scope == Scope.PRODUCT_LINE:
        ending = "how far newly bought ones differ from it is assumed and was not measured"
    return f"Only one specimen each was tested of {listed(lone)}: {ending}."


def basis_of(fit: Fit, builds: Iterable[Build] = ()) -> Basis:
    """Count what the rows of a fit hold, of some builds and the swaps between them if named."""
    rows = fit.design.rows
    chosen = list(builds)
    if chosen:
        hit = rows["cooler_model"].isin([build.cooler_model for build in chosen])
        hit &= rows["board_model"].isin([build.board_model for build in chosen])
        rows = rows[hit.fillna(False)] if hit.any() else rows
    coolers, boards = _specimens(rows, "cooler"), _specimens(rows, "board")
    every = {**coolers, **boards}
    return Basis(
        runs=int(rows["run"].nunique()) if "run" in rows else len(rows),
        assemblies=int(level_keys(rows, ("lab", "assembly")).nunique()),
        coolers=sum(coolers.values()),
        boards=sum(boards.values()),
        benches=int(level_keys(rows, ("lab", "bench")).nunique()),
        lone=tuple(sorted(name for name, count in every.items() if count == 1)),
    )


def _specimens(rows: pd.DataFrame, part: str) -> dict[str, int]:
    """Return the number of specimens by model; those without a name count as one."""
    model, specimen = f"{part}_model", f"{part}_id"
    if model not in rows:
        return {}
    if specimen not in rows:
        return {str(name): 1 for name in rows[model].dropna().unique()}
    counts = rows.groupby(model, observed=True)[specimen].nunique()
    return {str(name): max(1, int(count)) for name, count in counts.items()}


def _count(number: int, word: str, several: str = "") -> str:
    return f"{number} {word if number == 1 else several or word + 's'}"


def scope_words(scopes: Sequence[str]) -> str:
    """State for whom the numbers hold."""
    if set(scopes) == {str(Scope.SPECIMENS)}:
        return "The numbers are those of the cards tested, not of a product line."
    return ""
