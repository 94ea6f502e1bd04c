"""Which features change along a chain of builds, and which combinations were measured."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence, Set
from dataclasses import dataclass
from itertools import product
from typing import TYPE_CHECKING, Any, Final

from thermcmp.errors import Fault, InputError

if TYPE_CHECKING:
    from thermcmp.model.conditions import Build

#: One combination: per change, as in the first build (False) or as in the last (True).
Corner = tuple[bool, ...]
#: More changes than this make more combinations than anybody measures.
MOST_CHANGES: Final = 7


@dataclass(frozen=True, slots=True)
class Combinations:
    """The changes from the first to the last build, and their combinations."""

    #: What changed; features that always changed together are one change.
    changes: tuple[str, ...]
    #: The builds that have a combination of the first and the last build's features.
    measured: dict[Corner, Build]
    #: Combinations that no build has.
    missing: tuple[Corner, ...]
    #: Changes that are made of several features.
    joined: tuple[str, ...]
    #: Builds with a feature that neither the first nor the last has, by name.
    aside: tuple[str, ...]

    def words(self, corner: Corner) -> str:
        """Return a combination in words: "springs alone", "pads with back plate"."""
        made = [name for name, new in zip(self.changes, corner, strict=True) if new]
        return f"{made[0]} alone" if len(made) == 1 else " with ".join(made)


def combinations_of(
    features: Sequence[tuple[Build, Mapping[str, Any] | Collection[str]]], first: Build, last: Build
) -> Combinations:
    """Sort builds into the combinations of the changes between two of them."""
    kinds = [(build, _kinds(stated)) for build, stated in features]
    by_build: dict[Build, dict[str, Any]] = {}
    for build, kind_of in kinds:
        by_build.setdefault(build, kind_of)
    for end in (first, last):
        if end not in by_build:
            raise _refusal(
                f"{end.name} is an end of the chain and has no features stated",
                "state them, with {} for a build that has none",
            )
    old, new = by_build[first], by_build[last]
    # In the order in which they were stated.
    known = dict.fromkeys(name for _, kind_of in kinds for name in kind_of)
    changed = [name for name in known if old.get(name) != new.get(name)]
    if not changed:
        raise _refusal(
            f"{first.name} and {last.name} have the same features",
            "state what differs between them",
        )
    by_corner: dict[Corner, Build] = {}
    aside = []
    for build, kind_of in kinds:
        corner = _corner(kind_of, old, new, changed)
        if corner is None:
            aside.append(build.name)
        elif by_corner.setdefault(corner, build) != build:
            raise _refusal(
                f"{build.name} and {by_corner[corner].name} have the same features",
                "name the feature in which they differ, or leave one out",
            )
    # Changes that are equal in all combinations are one.
    alike: dict[tuple[bool, ...], list[int]] = {}
    for place, column in enumerate(zip(*by_corner, strict=True)):
        alike.setdefault(column, []).append(place)
    groups = list(alike.values())
    changes = tuple(" + ".join(changed[i] for i in group) for group in groups)
    if len(changes) > MOST_CHANGES:
        raise _refusal(
            f"{len(changes)} changes have {2 ** len(changes)} combinations",
            f"give at most {MOST_CHANGES}, or split the chain",
        )
    measured = {tuple(corner[group[0]] for group in groups): b for corner, b in by_corner.items()}
    every = product((False, True), repeat=len(groups))
    return Combinations(
        changes=changes,
        measured=measured,
        missing=tuple(sorted((c for c in every if c not in measured), key=lambda c: (sum(c), c))),
        joined=tuple(name for name, group in zip(changes, groups, strict=True) if len(group) > 1),
        aside=tuple(aside),
    )


def _kinds(features: Mapping[str, Any] | Collection[str]) -> dict[str, Any]:
    if isinstance(features, Mapping):
        return {str(name): kind for name, kind in features.items() if kind not in (None, False)}
    names = [features] if isinstance(features, str) else list(features)
    # The order of a set differs from one Python process to the next.
    return dict.fromkeys(sorted(names) if isinstance(features, Set) else names, True)


def _corner(
    kind_of: Mapping[str, Any],
    old: Mapping[str, Any],
    new: Mapping[str, Any],
    changed: Sequence[str],
) -> Corner | None:
    """Return which of the changes a build has; None if it has a feature of neither end."""
    corner = []
    for name in dict.fromkeys([*changed, *kind_of, *old]):
        kind = kind_of.get(name)
        if kind not in (old.get(name), new.get(name)):
            return None
        if name in changed:
            corner.append(kind == new.get(name))
    return tuple(corner)


def _refusal(message: str, fix: str) -> InputError:
    return InputError(
        "The features of the chain are not clear:", [Fault(message, fix, column="features")]
    )
