"""Which parts a build has, which rows were taken on them, and which cards an answer speaks of."""

from __future__ import annotations

from enum import StrEnum
from functools import partial
from typing import TYPE_CHECKING, Literal

import numpy as np

from thermcmp._types import BoolArray, IntArray
from thermcmp.errors import Fault, InputError, NotEstimableError, closest
from thermcmp.model.conditions import Build
from thermcmp.tabular.names import plain_name

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd

    from thermcmp.inference.posterior import Fit

#: Names of the scopes, as arguments.
ScopeName = Literal["specimens", "product line"]
#: Those of a prediction, which may be that of a reading.
ReadingScopeName = Literal["specimens", "product line", "new laboratory"]


class Scope(StrEnum):
    """The cards that an answer speaks of.

    `SPECIMENS`: the very parts that were on the bench, averaged.
    `PRODUCT_LINE`: the line's mean; specimen effects are integrated out, so the
    interval carries the spread between specimens that the few tested ones leave.
    `NEW_LABORATORY`: what a laboratory that is not among the rows reads of a newly bought
    card, with its bench, its session and the scatter of one run.
    """

    SPECIMENS = "specimens"
    PRODUCT_LINE = "product line"
    NEW_LABORATORY = "new laboratory"

    @property
    def cards(self) -> str:
        """The cards that it speaks of, in words."""
        if self is Scope.NEW_LABORATORY:
            return "a further laboratory's newly bought card"
        return "the cards tested" if self is Scope.SPECIMENS else "a newly bought card"

    @property
    def is_of_line(self) -> bool:
        """Whether it speaks of cards that were not on the bench."""
        return self is not Scope.SPECIMENS

    @classmethod
    def of(cls, word: str, *, readings: bool = False) -> Scope:
        """Return the scope of that name; that of a new laboratory where readings are asked for."""
        known = [scope for scope in cls if readings or scope is not Scope.NEW_LABORATORY]
        try:
            return known[known.index(cls(word))]
        except ValueError:
            fix = f"use one of: {', '.join(known)}"
            fault = Fault("no such scope", fix, column="scope", value=str(word))
            raise InputError("Unknown scope:", [fault]) from None


def matching_rows(rows: pd.DataFrame, build: Build) -> BoolArray:
    """Return which rows were taken on a build's hardware (its firmware aside), shape (n,)."""
    hit = rows["cooler_model"].eq(build.cooler_model) & rows["board_model"].eq(build.board_model)
    if build.memory_vendor is not None:
        hit &= rows["memory_vendor"].eq(build.memory_vendor)
    return hit.fillna(False).to_numpy(bool)


def rows_of(fit: Fit, build: Build) -> BoolArray:
    """Return the same of a fit's rows, fast where many builds are asked about."""
    hit = np.ones(len(fit.design.rows), bool)
    for column in ("cooler_model", "board_model", "memory_vendor"):
        name = getattr(build, column)
        if name is not None or column != "memory_vendor":
            codes, names = fit.once(f"codes of {column}", partial(_codes, column=column))
            hit &= codes == names.get(name, -2)
    return hit


def _codes(fit: Fit, *, column: str) -> tuple[IntArray, dict[str, int]]:
    """Return a column's number of each row, -1 where it is blank, and the number of each name."""
    import pandas as pd

    codes, names = pd.factorize(fit.design.rows[column])
    return codes, {str(name): place for place, name in enumerate(names)}


def split_name(rows: pd.DataFrame, name: str) -> tuple[str, str]:
    """Return product and firmware of "product" or "product / firmware"; firmware may be "".

    A name that is a product's as a whole is that product, also where it holds a slash.
    """
    name = plain_name(name)
    if "product" in rows and rows["product"].eq(name).any():
        return name, ""
    products, firmwares = (
        set(rows[column].dropna()) if column in rows else set()
        for column in ("product", "firmware")
    )
    slashes = [place for place, sign in enumerate(name) if sign == "/"]
    splits = [(name[:place].strip(), name[place + 1 :].strip()) for place in reversed(slashes)]
    known = [split for split in splits if split[0] in products]
    whole = [split for split in known if split[1] in firmwares]
    first = name.partition("/")
    return next(iter([*whole, *known]), (first[0].strip(), first[2].strip()))


def build_of(fit: Fit, build: Build | str) -> Build:
    """Return a build from its name: "product", or "product / firmware"."""
    if isinstance(build, Build):
        return build
    rows = fit.design.rows
    product, firmware = split_name(rows, build)
    named = rows[rows["product"].eq(product).fillna(False)]
    if named.empty:
        raise unknown_product(product, sorted(map(str, rows["product"].dropna().unique())))
    if firmware and not rows["firmware"].eq(firmware).fillna(False).any():
        fault = Fault(
            "no row with this firmware", _firmware_fix(rows, product, firmware),
            column="firmware", value=firmware,
        )  # fmt: skip
        raise InputError("Unknown firmware:", [fault])
    cooler, board = _pairs(named).index[0]
    return Build(cooler_model=cooler, board_model=board, firmware=firmware or None, label=build)


def unknown_product(name: str, known: Sequence[str]) -> InputError:
    """Return the error of a product that no row has; a near name comes first."""
    close = closest(name, known)
    fix = f"use one of: {', '.join(known) or 'none has a name'}; or give a Build(…)"
    fix = f"did you mean '{close}'? Or {fix}" if close else fix
    fault = Fault("no row of this product", fix, column="product", value=name)
    return InputError("Unknown product:", [fault])


def _firmware_fix(rows: pd.DataFrame, product: str, firmware: str) -> str:
    """Name the builds that the product has, a near one first, and other products' firmwares."""
    is_own = rows["product"].eq(product).fillna(False)
    own, every = (sorted(map(str, each["firmware"].dropna().unique())) for each in
                  (rows[is_own], rows))  # fmt: skip
    others = [name for name in every if name not in own]
    # Another number is another firmware, not a slip.
    close = closest(firmware, [name for name in own if _digits(name) == _digits(firmware)])
    near = f"did you mean '{product} / {close}'? Else " if close else ""
    fix = f"use a firmware that {product} was run with: {', '.join(own)}"
    if not own:
        fix = f"leave the firmware out, since the rows of {product} name none"
    return near + fix + (f"; or another product's: {', '.join(others)}" if others else "")


def _digits(name: str) -> str:
    return "".join(filter(str.isdigit, name))


def _pairs(named: pd.DataFrame) -> pd.Series:
    """Count the rows of a product by pair of parts; its factory assemblies' if there are any."""
    parts = named[["cooler_model", "board_model"]].astype(str)
    factory = named["assembly_kind"].eq("factory").fillna(False)
    return (parts[factory] if factory.any() else parts).value_counts()


def unclear_products(rows: pd.DataFrame) -> list[str]:
    """State which pair of parts each product is taken for whose rows may mean another."""
    sentences = []
    pairs = rows[["product", "cooler_model", "board_model"]].drop_duplicates()
    several = pairs.loc[pairs["product"].duplicated(), "product"].dropna()
    for product, named in rows[rows["product"].isin(several)].groupby("product", sort=True):
        first, every = _pairs(named), named[["cooler_model", "board_model"]].value_counts()
        (cooler, board), count = first.index[0], len(first)
        if len(every) > 1 and (count > 1 or 2 * every[cooler, board] <= len(named)):
            others = [f"{c} on {b}" for c, b in every.index if (c, b) != (cooler, board)]
            sentences.append(
                f"Product '{product}' is taken to be {cooler} on {board}, but has runs of "
                f"{' and '.join(others)} too: look for a part that was named wrongly. Fix: "
                "correct the rows, or name its parts by Build(…)."
            )
    return sentences


def _stated(fit: Fit, column: str) -> dict[str, None]:
    """Return what the rows state in a column, in order."""
    return dict.fromkeys(sorted(fit.design.rows[column].dropna().unique()))


def check_parts_known(fit: Fit, build: Build) -> None:
    """Refuse a build with a part of which the fit has no run."""
    columns = ["cooler_model", "board_model", "memory_vendor", "assembly_kind"]
    # A firmware acts through its settings, unless the fit holds what it does beyond them.
    columns += ["firmware"] * any("firmware" in term.columns for term in fit.design.terms)
    for column in columns:
        wanted = getattr(build, column)
        if wanted is None:
            continue
        known = fit.once(f"stated in {column}", partial(_stated, column=column))
        if wanted not in known:
            raise NotEstimableError(
                f"{build.name}: no run with {column} '{wanted}' is in the fit (it has "
                f"{', '.join(known) or 'none'}). Fix: measure it, or name a build that was."
            )
    terms = fit.design.terms
    for column, level in build.levels.items():
        if not any(column in (*term.columns, term.values) for term in terms):
            fix = "leave it out, or fit with a term that reads this column"
            fault = Fault("no term of the fit reads this column", fix, column=column)
            raise InputError(f"{build.name}: unknown level.", [fault])
        levels = sorted(fit.design.rows[column].dropna().astype(str).unique())
        if any(column in term.columns for term in terms) and str(level) not in levels:
            raise NotEstimableError(
                f"{build.name}: no run with {column} '{level}' is in the fit (it has "
                f"{', '.join(levels)}). Fix: measure it, or name a level that was."
            )
