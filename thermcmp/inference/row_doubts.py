"""What in the rows of a fit is to be asked about before its answers are believed."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd
from scipy.stats import t

from thermcmp.inference.diagnostics import Check, Health
from thermcmp.model.design import nice
from thermcmp.model.rows import level_keys, shares_between
from thermcmp.model.terms import DERIVED, TYPICAL_RISE_K
from thermcmp.results.plausibility.doubts import find_doubts
from thermcmp.results.schema import BY_NAME

if TYPE_CHECKING:
    from thermcmp.inference.posterior import Fit

#: Share of the differences in a column that lie between the levels of a part from which what the
#: column stands for is asked about: a dozen assemblies at random reach a third of that (a choice).
_GOES_WITH: Final = 0.3
#: Parts of a card, apart from which a number of an assembly is held against the rise, the chance
#: below which it moves the rise, and the least share of the rise that is worth a word (choices).
_HARDWARE: Final = ("cooler_model", "board_model", "memory_vendor")
_BY_CHANCE: Final = 0.005
_LEAST_SHIFT: Final = 0.01
#: Most columns that are named, and most levels of one.
_MOST_NAMED: Final = 3
#: A standard deviation between assemblies below which remounts are seldom, at a rise of 50 K [K]
#: (common practice, no source), the chance of it, and the fewest repeated assemblies.
_LEAST_REMOUNT_K: Final = 0.3
_SURE: Final = 0.95
_REPEATED: Final = 4


def doubts(fit: Fit) -> list[str]:
    """Return what in the rows of a fit is to be asked about, as sentences."""
    return [*_questions(fit), *fit.once("like assemblies", _like_assemblies)]


def questions_check(fit: Fit) -> tuple[Check, ...]:
    """Check that nothing is open that the table itself could answer.

    That remounts were good is not held against a bench: no column could say so.
    """
    count = len(_questions(fit))
    status = Health.CAUTION if count else Health.OK
    return (Check("count of open questions about the rows", count, "none", status),)


def _questions(fit: Fit) -> list[str]:
    return fit.once("questions about rows", _asked)


def _asked(fit: Fit) -> list[str]:
    found = find_doubts(fit.design.measured_rows)
    return [*(doubt[0].upper() + doubt[1:] for doubt in found), *unread_columns(fit)]


def unread_columns(fit: Fit) -> list[str]:
    """Name the columns of the user's own that go with a part and that no term reads."""
    rows = fit.design.measured_rows
    read = {name for term in fit.design.terms for name in (*term.columns, term.values)}
    named, moving = dict[str, list[str]](), list[str]()
    for column in map(str, rows.columns):
        if column in BY_NAME or column in read or column.startswith(DERIVED):
            continue
        part = _goes_with(rows, column)
        if part:
            named.setdefault(part, []).append(column)
        elif words := _moves_words(fit, column):
            moving.append(words)
    return moving + [
        f"{' and '.join(columns[:_MOST_NAMED])} went with the {part.replace('_', ' ')}, and no "
        f"term reads {'it' if len(columns) == 1 else 'them'}: what that does counts for the "
        f"{part.replace('_', ' ')}. Fix: fit with terms=[..., Term('{columns[0].replace('_', ' ')}'"
        f", '{columns[0]}')], or leave out a column that means nothing."
        for part, columns in named.items()
    ]


def _goes_with(rows: pd.DataFrame, column: str) -> str:
    """Return the part whose levels hold a good share of a column's differences; "" for none.

    Of an assembly a value counts once. A name of its own for nearly every assembly, such as a
    serial number, says nothing beside it.
    """
    once = rows.assign(**{column: rows[column].astype("string")}).dropna(subset=[column])
    keys = level_keys(rows, ("lab", "assembly"))[once.index]
    once = once[~pd.DataFrame({"key": keys, "value": once[column]}).duplicated()]
    levels = once[column].nunique()
    if levels < 2 or levels > max(2, len(once) // 2):
        return ""
    shares = shares_between(once, pd.get_dummies(once[column]).astype(float))
    part, share = max(shares, key=lambda each: each[1], default=("", 0.0))
    return part if share > _GOES_WITH else ""


def _moves_words(fit: Fit, column: str) -> str:
    """Name a number that moves the rise between assemblies of like parts and differs by part.

    It is one of an assembly, such as a coverage; what is read anew in each run may be an outcome.
    """
    design = fit.design
    rows = design.measured_rows
    value = pd.to_numeric(rows[column], errors="coerce").astype(float)
    assembly, pair = level_keys(rows, ("lab", "assembly")), level_keys(rows, _HARDWARE)
    hit = np.isfinite(value) & ~design.at_limit
    freedom = int(assembly[hit].nunique() - pair[hit].nunique()) - 1
    if freedom < 1 or value[hit].groupby(assembly[hit]).nunique().max() > 1:
        return ""
    # Rise and value beside those of the same parts, at like fan speeds.
    usual = pd.get_dummies(pair[hit]).to_numpy(float)
    usual = np.hstack([usual, usual * np.log(design.flow_speed[hit])[:, None]])
    both = np.column_stack([value, design.rise_k / design.power_ratio])[hit]
    both -= usual @ np.linalg.lstsq(usual, both, rcond=None)[0]
    beside, rise_k = pd.DataFrame(both).groupby(assembly[hit].to_numpy()).mean().to_numpy().T
    square = float(beside @ beside)
    if square <= 1e-9 * float(np.square(value[hit]).sum()):
        return ""
    slope = float(beside @ rise_k) / square
    off = rise_k - slope * beside
    chance = 2.0 * t.sf(abs(slope) / np.sqrt(off @ off / freedom / square), freedom)
    means = {name: value[hit].groupby(rows.loc[hit, name].astype(str)).mean() for name in _HARDWARE}
    part = max(means, key=lambda name: np.ptp(means[name]))
    apart = float(np.ptp(means[part]))
    shift_k = abs(slope) * apart
    if chance > _BY_CHANCE or shift_k < _LEAST_SHIFT * float(np.median(design.rise_k)):
        return ""
    name, moves = part.replace("_", " "), f"{slope:.2g}".replace("-", "\N{MINUS SIGN}")
    term = f"'{column.replace('_', ' ')}', values='{column}'"
    return (
        f"{column} moves the rise by {moves} K per unit between assemblies of the same parts, "
        f"differs by {apart:.2g} between levels of the {name}, and no term reads it: that is "
        f"{shift_k:.1f} K of the {name}'s effect. Fix: fit with terms=[..., Term({term}, "
        f"slope=Normal(0, {nice(5.0 * abs(slope)):g}))]."
    )


def _like_assemblies(fit: Fit) -> list[str]:
    """Ask whether assemblies that hardly differ were taken apart at all."""
    place = fit.design.term_position("assembly")
    if place is None:
        return []
    rows = fit.design.rows.assign(assembly=fit.design.index[:, place])
    pair = level_keys(rows, ("cooler_model", "cooler_id", "board_model", "board_id"))
    repeated = rows["assembly"].nunique() - pair.nunique()
    below_k = float(np.quantile(fit.draws("assembly sd"), _SURE))
    usual_k = _LEAST_REMOUNT_K * float(np.median(fit.design.rise_k)) / TYPICAL_RISE_K
    if repeated < _REPEATED or below_k > usual_k:
        return []
    return [
        f"Assemblies of the same parts differ by less than {below_k:.2g} K (standard deviation, "
        f"{_SURE:.0%} sure), less than remounts commonly do: was the cooler taken off between "
        "them? Fix: give one name in assembly to what stayed mounted."
    ]
