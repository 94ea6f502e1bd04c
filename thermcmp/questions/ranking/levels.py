"""Factors and covariates of the user's own, at which ranked products may differ."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

from thermcmp.model.terms import DERIVED
from thermcmp.prediction.builds import matching_rows
from thermcmp.questions.phrases import few_named
from thermcmp.results.schema import BY_NAME

if TYPE_CHECKING:
    from collections.abc import Sequence

    from thermcmp.inference.posterior import Fit
    from thermcmp.model.conditions import Build


def at_levels(
    builds: Mapping[str, Build], levels: Mapping[str, str | float] | None
) -> dict[str, Build]:
    """Return the builds at some levels, where they do not state their own."""
    return {
        name: replace(build, levels={**(levels or {}), **build.levels})
        for name, build in builds.items()
    }


def level_words(fit: Fit, builds: Mapping[str, Build]) -> str:
    """State the values of covariates at which all builds are ranked, as a sentence; "" for none."""
    words = []
    for term, centre in zip(fit.design.terms, fit.design.centres, strict=True):
        column = term.values
        if column is None or column.startswith(DERIVED):
            continue
        stated = {build.levels.get(column) for build in builds.values()}
        if stated == {None}:
            words.append(f"{_spoken(column)} {centre:.3g}, its mean over the runs")
        elif len(stated) == 1:
            words.append(f"{_spoken(column)} {float(next(iter(stated)) or 0.0):.3g}")
    return f"Ranked at {'; '.join(words)}." if words else ""


def level_caveats(fit: Fit, builds: Mapping[str, Build]) -> list[str]:
    """Name the columns of the user's own in which the products differ, and the way out."""
    rows, terms = fit.design.rows, fit.design.terms
    caveats = []
    for column in map(str, rows.columns):
        if column in BY_NAME or column.startswith(DERIVED):
            continue
        if any(term.values == column for term in terms) and not _states_several(builds, column):
            continue
        levels = {
            name: [str(build.levels[column])]
            if column in build.levels
            else sorted(rows.loc[matching_rows(rows, build), column].dropna().astype(str).unique())
            for name, build in builds.items()
        }
        named = few_named([f"{name}: {' and '.join(own)}" for name, own in levels.items() if own])
        differ = f"The products differ in {_spoken(column)} ({named})"
        if any(column in (*term.columns, term.values) for term in terms):
            if len({tuple(own) for own in levels.values()}) > 1:
                example = next(iter(levels.values()), [""])[0]
                caveats.append(
                    f"{differ}; what that does is part of their gaps. Fix: rank them at one level, "
                    f"levels={{'{column}': '{example}'}}."
                )
        elif _sets_apart(list(levels.values())):
            caveats.append(
                f"{differ}, which no term of the fit reads: what it does counts for the products. "
                f"Fix: fit with terms=[..., Term('{_spoken(column)}', '{column}')], or leave the "
                "column out if it means nothing."
            )
    return caveats


def _states_several(builds: Mapping[str, Build], column: str) -> bool:
    return len({build.levels.get(column) for build in builds.values()}) > 1


def _sets_apart(levels: Sequence[Sequence[str]]) -> bool:
    """Whether each product has one level, and these differ in fewer levels than products.

    A name of its own for every product, such as a serial number, says nothing beside them.
    """
    single = [own[0] for own in levels if len(own) == 1]
    if len(single) < len(levels):
        return False
    return len(set(single)) > 1 and (len(set(single)) < len(single) or len(single) == 2)


def _spoken(column: str) -> str:
    return column.replace("_", " ")
