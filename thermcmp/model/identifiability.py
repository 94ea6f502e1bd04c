"""Which contrasts the rows can estimate, and which swap would make the others estimable.

A contrast between two levels of a factor is estimable when it lies in the row
space of the factors' joint design matrix X (Searle, Linear Models, 1971, ch. 5), that
is, when it is orthogonal to the null space of X. An added row r makes it estimable when the
projections of r and of the contrast on the null space are parallel; removing a row makes it
inestimable when that row alone spans a direction in which the contrast has a component.
Specimens, assemblies and sessions are left to their spreads; only factors are tested here.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from itertools import combinations
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp._types import Array, IntArray
from thermcmp.errors import ModelError
from thermcmp.model.factor_words import combination_words, factor_words, listed_factors
from thermcmp.model.terms import Acts, Role

if TYPE_CHECKING:
    import pandas as pd

    from thermcmp.model.design import Design

TOLERANCE: Final = 1e-8
#: Up to this many contrasts of one kind get a sentence each.
FEW: Final = 3
#: Eigenvalues of XᵀX below this share of the largest count as zero; its entries are counts.
ZERO_EIGENVALUE: Final = 1e-11
#: Most combinations whose neighbours are cached.
MOST_CACHED: Final = 64
#: Most unseen combinations tried for a cure; of more, those of parts seen with the two levels.
MOST_NEIGHBOURS: Final = 4096
#: Most levels of all factors in one null space, and most pairs of levels listed at once.
MOST_LEVELS: Final = 4000
MOST_PAIRS: Final = 250_000


@dataclass(frozen=True, slots=True)
class Contrast:
    """Whether the difference between two levels of a factor is estimable.

    Attributes
    ----------
    factor : str
        The factor.
    first, second : str
        The contrast is second minus first.
    aliased_with : tuple of str
        Factors that changed together with it; empty if it is estimable.
    cure : str
        The swap that would separate it; empty if it is estimable.
    rests_on : str
        The only combination of parts on which its estimability depends; empty
        if there are several.
    """

    factor: str
    first: str
    second: str
    aliased_with: tuple[str, ...] = ()
    cure: str = ""
    rests_on: str = ""

    @property
    def estimable(self) -> bool:
        """Whether the rows alone determine it."""
        return not self.aliased_with

    @property
    def sentence(self) -> str:
        """What cannot be separated, or what the contrast rests on; "" where neither is so."""
        pair = f"{factor_words(self.factor).capitalize()}: {self.second} against {self.first}"
        if self.estimable:
            return f"{pair} rests on one combination: {self.rests_on}." if self.rests_on else ""
        cure = (
            f"To separate them: {self.cure}."
            if self.cure
            else "No single swap of the parts seen with them would separate them."
        )
        return (
            f"{pair} cannot be separated from {listed_factors(self.aliased_with)}: "
            f"they changed together. {cure}"
        )


@dataclass(frozen=True, eq=False)
class Aliases:
    """Estimability of all contrasts of a fit, each worked out when it is asked for."""

    factors: Mapping[str, tuple[str, ...]]  #: levels of each factor
    combinations: pd.DataFrame  #: distinct combinations of levels, with their number of rows
    #: per factor and allowance, the finder and its levels from old to new
    _asked: Mapping[str, tuple[_Finder, tuple[int, ...]]] = field(repr=False)

    @property
    def names(self) -> tuple[str, ...]:
        """Factors and allowances that have contrasts."""
        return tuple(self._asked)

    @property
    def too_many(self) -> str:
        """Why not all pairs of levels are listed, or ""."""
        pairs = sum(math.comb(len(order), 2) for _, order in self._asked.values())
        if pairs <= MOST_PAIRS:
            return ""
        levels = ", ".join(
            f"{len(order):,} of {factor_words(name)}" for name, (_, order) in self._asked.items()
        )
        return (
            f"The rows hold too many levels to compare every pair ({levels}: {pairs:,} pairs, "
            f"at most {MOST_PAIRS:,}). Name the two builds, or fit the rows in question alone."
        )

    @cached_property
    def contrasts(self) -> tuple[Contrast, ...]:
        """All pairs of levels of all factors; a ModelError where they are too many to list."""
        if self.too_many:
            raise ModelError(self.too_many)
        return tuple(c for name in self._asked for c in self.of_factor(name))

    def of_factor(self, name: str) -> list[Contrast]:
        """Return the contrasts between all levels of one factor or allowance."""
        finder, order = self._asked[name]
        return finder.contrasts(name, order)

    def of(self, factor: str, first: str, second: str) -> Contrast | None:
        """Return the contrast between two levels, in either order, or None."""
        if factor not in self._asked:
            return None
        finder, order = self._asked[factor]
        levels = finder.factors[factor]
        pair = [code for code in order if levels[code] in (first, second)]
        return finder.contrast(factor, *pair) if len(pair) == len({first, second}) == 2 else None

    @property
    def table(self) -> pd.DataFrame:
        """Table with columns factor, contrast, estimable, aliased_with, cure, rests_on."""
        import pandas as pd

        return pd.DataFrame(
            [
                (
                    c.factor,
                    f"{c.second} − {c.first}",
                    c.estimable,
                    ", ".join(c.aliased_with),
                    c.cure,
                    c.rests_on,
                )
                for c in self.contrasts
            ],
            columns=["factor", "contrast", "estimable", "aliased_with", "cure", "rests_on"],
        )

    @property
    def sentences(self) -> tuple[str, ...]:
        """Which contrasts cannot be separated; many pairs of one kind share a sentence."""
        return (self.too_many,) if self.too_many else alias_sentences(self.contrasts)


def alias_sentences(contrasts: Sequence[Contrast]) -> tuple[str, ...]:
    """Return sentences on the contrasts that cannot be separated."""
    kinds: dict[tuple[str, tuple[str, ...]], list[Contrast]] = {}
    for contrast in contrasts:
        if not contrast.estimable:
            kinds.setdefault((contrast.factor, contrast.aliased_with), []).append(contrast)
    sentences: list[str] = []
    for (factor, partners), group in kinds.items():
        if len(group) <= FEW:
            sentences += [contrast.sentence for contrast in group]
            continue
        swap = next((f" A first swap: {c.cure}." for c in group if c.cure), "")
        sentences.append(
            f"{len(group)} pairs of levels of {factor_words(factor)} cannot be separated from "
            f"{listed_factors(partners)}: they changed together.{swap}"
        )
    return tuple(sentences)


def find_aliases(design: Design) -> Aliases:
    """Return the estimability of all contrasts, with the swap that would cure an aliased one."""
    import pandas as pd

    places = _places(design, Role.FACTOR)
    names = [design.terms[k].name for k in places]
    factors = {design.terms[k].name: design.levels[k] for k in places}
    coded = pd.DataFrame(design.index[:, places], columns=names)
    seen = pd.DataFrame()
    if names:
        # Sorted, so that the cure named does not depend on the order of the rows.
        counted = coded.value_counts(sort=False).rename("runs").reset_index()
        seen = counted.sort_values(names, ignore_index=True)
    finder = _Finder(
        tuple(names), factors, seen[names].to_numpy(np.intp) if names else np.empty((0, 0), np.intp)
    )
    asked = {
        name: (finder, _old_to_new(design, place))
        for place, name in zip(places, names, strict=True)
    }
    for place in _places(design, Role.ALLOWANCE):
        # Others allow for such a cause; only its own contrasts need to be separated from them.
        allowance, joined = design.terms[place].name, [*places, place]
        among = {design.terms[k].name: design.levels[k] for k in joined}
        beside = _Finder(tuple(among), among, np.unique(design.index[:, joined], axis=0))
        asked[allowance] = beside, _old_to_new(design, place)
    shown = seen.copy()
    for name in names:
        shown[name] = [factors[name][code] for code in seen[name]]
    return Aliases(factors, shown, asked)


def _places(design: Design, role: Role) -> list[int]:
    """Return the terms of a role that act on the whole resistance."""
    return [
        k
        for k, term in enumerate(design.terms)
        if term.role is role and term.acts is Acts.RESISTANCE
    ]


def _old_to_new(design: Design, place: int) -> tuple[int, ...]:
    """Levels of a factor in the order of the products that have them, then of their names.

    So all parts that change from one product to the next are compared in one direction.
    """
    rows, codes = design.rows, design.index[:, place]
    products = list(rows["product"].dropna().unique()) if "product" in rows else []
    rank = {name: number for number, name in enumerate(sorted(products, key=_by_number))}
    ranks = np.array([rank.get(name, len(rank)) for name in rows["product"]] if rank else codes * 0)
    lowest = np.full(len(design.levels[place]), len(rank))
    np.minimum.at(lowest, codes, ranks)
    mean = np.bincount(codes, ranks, len(lowest)) / np.bincount(codes, minlength=len(lowest))
    return tuple(int(code) for code in np.lexsort((mean, lowest)))


def _by_number(name: str) -> list[tuple[int, str]]:
    """Sorting key in which digits count as numbers, so that r10 follows r9."""
    return [(int(part), "") if part.isdigit() else (-1, part) for part in re.split(r"(\d+)", name)]


class _Finder:
    """Estimability over the distinct combinations of factor levels."""

    def __init__(
        self,
        names: tuple[str, ...],
        factors: Mapping[str, tuple[str, ...]],
        seen: IntArray,
    ) -> None:
        self.names, self.factors, self.seen = names, factors, seen
        self.starts = dict(
            zip(names, np.cumsum([1, *(len(factors[n]) for n in names)])[:-1], strict=True)
        )
        self.width = 1 + sum(len(levels) for levels in factors.values())
        self._cached_spaces: dict[tuple[str, ...], tuple[Array, Array, Array]] = {}
        self._cached_neighbours: dict[tuple[object, ...], tuple[IntArray, Array]] = {}
        self._cached_spans: tuple[IntArray, Array] | None = None

    def _matrix(self, combos: IntArray, without: Sequence[str] = ()) -> Array:
        x = np.zeros((len(combos), self.width))
        x[:, 0] = 1.0
        for place, name in enumerate(self.names):
            if name not in without:
                x[np.arange(len(combos)), self.starts[name] + combos[:, place]] = 1.0
        return x

    def _spaces(self, without: Sequence[str] = ()) -> tuple[Array, Array, Array]:
        """Return the null space of X without some factors, shape (width, k), and the eigenpairs.

        These are the nonzero eigenvalues of XᵀX and their eigenvectors.
        """
        key = tuple(without)
        if key not in self._cached_spaces:
            if self.width > MOST_LEVELS:
                raise ModelError(
                    f"Which of {self.width - 1:,} levels of {listed_factors(self.names)} can be "
                    f"separated is worked out for at most {MOST_LEVELS:,}. Fit the rows of the "
                    "builds in question alone."
                )
            x = self._matrix(self.seen, key)
            values, vectors = np.linalg.eigh(x.T @ x)
            kept = values > ZERO_EIGENVALUE * values[-1]
            self._cached_spaces[key] = vectors[:, ~kept], values[kept], vectors[:, kept]
        return self._cached_spaces[key]

    def _part(self, null: Array, factor: str, first: int, second: int) -> Array:
        """Return the contrast's component in a null space, shape (k,)."""
        start = self.starts[factor]
        return np.asarray(null[start + second] - null[start + first])

    def _estimable(self, factor: str, first: int, second: int, without: Sequence[str] = ()) -> bool:
        part = self._part(self._spaces(without)[0], factor, first, second)
        return bool(np.linalg.norm(part) < TOLERANCE * 10)

    def contrasts(self, factor: str, order: Sequence[int]) -> list[Contrast]:
        """Return the estimability of all pairs of levels of a factor, in an order of levels."""
        pairs = combinations(order, 2)
        return [self.contrast(factor, first, second) for first, second in pairs]

    def contrast(self, factor: str, first: int, second: int) -> Contrast:
        """Return the estimability of one pair of levels."""
        names = (self.factors[factor][first], self.factors[factor][second])
        if len(self.names) == 1:
            # Nothing else changed, and each level is a combination of its own.
            return Contrast(factor, *names)
        if self._estimable(factor, first, second):
            return Contrast(factor, *names, rests_on=self._rests_on(factor, first, second))
        partners = self._partners(factor, first, second)
        return Contrast(factor, *names, partners, self._cure(factor, first, second, partners))

    def _partners(self, factor: str, first: int, second: int) -> tuple[str, ...]:
        """Return the fewest other factors without which the contrast would be estimable."""
        others = [name for name in self.names if name != factor]
        for size in range(1, len(others) + 1):
            hits = [
                group
                for group in combinations(others, size)
                if self._estimable(factor, first, second, group)
            ]
            if hits:
                return tuple(dict.fromkeys(name for group in hits for name in group))
        return tuple(others)

    def _cure(self, factor: str, first: int, second: int, partners: Sequence[str]) -> str:
        """Return the swap nearest to a seen combination that makes it estimable; or ""."""
        free = tuple(name for name in self.names if name == factor or name in partners)
        # The assembly kind is not part of the swap: a bench cannot make a factory assembly.
        rest = [name for name in self.names if name not in free and name != "assembly_kind"]
        part = self._part(self._spaces()[0], factor, first, second)
        place = self.names.index(factor)
        for base in np.flatnonzero(np.isin(self.seen[:, place], (first, second))):
            rows, parts = self._neighbours(int(base), free, factor, (first, second))
            # Parallel vectors: |a|² |b|² = (a·b)².
            size, along = np.sum(parts**2, axis=1) * np.sum(part**2), (parts @ part) ** 2
            fixes = np.flatnonzero((size > TOLERANCE**2) & (along >= (1.0 - TOLERANCE) * size))
            if len(fixes):
                row = rows[fixes[0]]
                return f"test {self._words(row, (*free, *rest))}"
        return ""

    def _neighbours(
        self, base: int, free: Sequence[str], factor: str, pair: tuple[int, int]
    ) -> tuple[IntArray, Array]:
        """Return unseen combinations that differ from a seen one in free factors, nearest first.

        The second array holds their components in the null space. The factor itself stays.
        """
        others = [name for name in free if name != factor]
        is_many = math.prod(len(self.factors[name]) for name in others) > MOST_NEIGHBOURS
        key = (base, tuple(free), factor, pair if is_many else ())
        if key not in self._cached_neighbours:
            # Pairs are visited in order, so few combinations are in use at a time.
            if len(self._cached_neighbours) >= MOST_CACHED:
                self._cached_neighbours.clear()
            start = self.seen[base]
            near = self.seen[np.isin(self.seen[:, self.names.index(factor)], pair)]
            options = [start[place : place + 1] for place in range(len(self.names))]
            for name in others:
                place = self.names.index(name)
                options[place] = (
                    np.unique(near[:, place]) if is_many else np.arange(len(self.factors[name]))
                )
            rows = np.stack(np.meshgrid(*options, indexing="ij"), axis=-1).reshape(-1, len(start))
            rows = rows[np.argsort(np.sum(rows != start, axis=1), kind="stable")]
            rows = rows[~np.isin(self._key(rows), self._key(self.seen))]
            self._cached_neighbours[key] = rows, self._matrix(rows) @ self._spaces()[0]
        return self._cached_neighbours[key]

    def _key(self, combos: IntArray) -> IntArray:
        """Return one number per combination."""
        sizes = [len(self.factors[name]) for name in self.names]
        return np.asarray(np.ravel_multi_index(tuple(combos.T), sizes))

    def _rests_on(self, factor: str, first: int, second: int) -> str:
        """Return the only combination on which the contrast rests; or ""."""
        alone, spans = self._alone()
        start, place = self.starts[factor], self.names.index(factor)
        needs = np.abs(spans[start + second] - spans[start + first]) > TOLERANCE * 10
        for i in alone[needs]:
            # A level seen in a single combination always rests on it, which needs no sentence.
            others = np.delete(self.seen[:, place], i)
            if first in others and second in others:
                return self._words(self.seen[i], self.names)
        return ""

    def _alone(self) -> tuple[IntArray, Array]:
        """Return the combinations that alone span a direction, and the directions (width, count).

        Such a row has leverage one, and its column of the pseudoinverse is orthogonal to all
        other rows.
        """
        if self._cached_spans is None:
            x = self._matrix(self.seen)
            _, values, vectors = self._spaces()
            inverse = (vectors / values) @ (vectors.T @ x.T)
            alone = np.flatnonzero(np.sum(x.T * inverse, axis=0) > 1.0 - TOLERANCE)
            self._cached_spans = alone, inverse[:, alone]
        return self._cached_spans

    def _words(self, row: IntArray, names: Sequence[str]) -> str:
        return combination_words(
            {
                name: self.factors[name][code]
                for name, code in zip(self.names, row, strict=True)
                if name in names
            }
        )
