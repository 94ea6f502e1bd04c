"""Words of an article that are stronger than the evidence behind them."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Final

from thermcmp.errors import Fault
from thermcmp.reporting.article.finding import Finding, Level
from thermcmp.reporting.article.strength import WORDINGS, Strength

#: Words that no test of this kind supports.
_NEVER: Final = (
    r"prov(?:e|es|ed|en|ing)|proofs?|guarantees?|guaranteed|certain(?:ly)?|undoubted(?:ly)?|"
    r"without (?:a )?doubt|beyond (?:any )?doubt|definite(?:ly)?|definitive(?:ly)?|"
    r"conclusive(?:ly)?|undeniabl[ey]|indisputabl[ey]|always|100\s?%|impossible|"
    r"never (?:exceeds?|reach(?:es)?|gets?|runs?|goes)|will never|almost certain(?:ly)?"
)
#: Claims that two things are equal: an interval around zero is not evidence of that.
_EQUAL: Final = (
    r"identical(?:ly)?|no difference|makes? no difference|no effect|equally (?:cool|warm|hot|loud)|"
    r"(?:exactly|just) as (?:cool|warm|hot|loud|quiet)|the same temperature"
)
#: Whole product lines, of which only the tested specimens are known.
_EVERY: Final = r"(?:all|every|any) (?:\w+ ){0,2}(?:cards?|specimens?|coolers?|boards?|samples?)"
#: Words by the strength that they need.
_NEEDS: Final = {
    Strength.CLEAR: r"clear(?:ly)?|significant(?:ly)?|obvious(?:ly)?|demonstrat\w+|confirm\w*|"
    r"establish\w*|evident(?:ly)?|shows? that|far (?:cooler|warmer|better|worse)",
    Strength.VERY_PROBABLE: r"very (?:likely|probabl[ey])|most likely|highly likely|"
    r"in all likelihood|strongly suggests?",
    Strength.PROBABLE: r"probabl[ey]|likely|suggests?|indicates?|tends? to",
}
#: A comparison; without a hedge it is a claim as strong as any.
_COMPARES: Final = (
    r"cooler|warmer|hotter|colder|louder|quieter|coolest|hottest|better|worse|best|worst|"
    r"improv\w+|beats?|wins?|outperform\w*|exceeds?|stays? below|keeps? the limit|brings?|gains?"
)
_HEDGED: Final = (
    r"probabl[ey]|likely|unlikely|may|might|could|can(?:not|'t)|not clear|not clearly|unclear|"
    r"whether|if|perhaps|possibly|suggests?|indicates?|seems?|appears?|uncertain|not known|open"
)
_CAUSE: Final = r"due to|because of|thanks to|caused by|owed to|owes|attributable to|comes from"
_NUMBER: Final = r"[−+-]?\d+(?:[.,]\d+)?\s?(?:K|°C|dB|dB\(A\)|degrees?|kelvins?|per ?cent|%)(?!\w)"
#: "not clear" and "not significant" claim nothing.
_NOT: Final = re.compile(r"\b(?:not|n't|no|nor|neither)\s+(?:\w+\s+)?$")


def overclaims(
    text: str, findings: Sequence[Finding], *, own: Sequence[str], speaks_of_line: bool
) -> list[Fault]:
    """Return a fault for each phrase that is stronger than its evidence.

    Clauses among `own`, the statement's sentences, were weighed already.
    """
    known = {_plain(clause) for sentence in own for clause in _clauses(sentence)}
    faults: list[Fault] = []
    for number, clause in enumerate(_clauses(text), start=1):
        if _plain(clause) in known:
            continue
        faults += [
            Fault(message, fix, column=f"clause {number}", value=f"{phrase}: {clause.strip()}")
            for phrase, message, fix in _of_clause(clause, findings, speaks_of_line)
        ]
    return faults


def _of_clause(
    clause: str, findings: Sequence[Finding], speaks_of_line: bool
) -> list[tuple[str, str, str]]:
    """Return phrase, message and fix of each overclaim of one clause."""
    hits = [
        (word, "no test of this kind supports it", "say how probable it is, with its range")
        for word in _found(_NEVER, clause)
    ]
    hits += [
        (word, "a range that holds zero does not show that two are equal",
         "state the range, as in 'from 1.2 K cooler to 0.8 K warmer'")
        for word in _found(_EQUAL, clause, keep_negated=True)
    ]  # fmt: skip
    if not speaks_of_line:
        hits += [
            (word, "only the tested specimens are known", "name the specimens that were tested")
            for word in _found(_EVERY, clause)
        ]
    finding = weakest_meant(clause, findings)
    if finding is None:
        return hits
    about = f"the evidence for '{', '.join(finding.names)}' is '{WORDINGS[finding.strength].name}'"
    if finding.strength is Strength.NOT_KNOWN:
        for word in (*_found(_CAUSE, clause), *_found(_NUMBER, clause)):
            hits.append((word, about, "say that it cannot be said, or give the range alone"))
    needed = [
        (word, strength)
        for strength, words in _NEEDS.items()
        for word in _found(words, clause)
        if finding.strength < strength
    ]
    hits += [(word, about, _instead(finding.strength)) for word, _ in needed]
    if not needed and finding.strength < Strength.VERY_PROBABLE and not _found(_HEDGED, clause):
        hits += [
            (word, f"said without a hedge, and {about}", _instead(finding.strength))
            for word in _found(_COMPARES, clause)[:1]
        ]
    return list(dict.fromkeys(hits))


def weakest_meant(clause: str, findings: Sequence[Finding]) -> Finding | None:
    """Return the weakest of the findings that share most of their names with a clause."""
    plain = _plain(clause)
    named = [(sum(_plain(n) in plain for n in f.names if n), f) for f in findings]
    most = max((count for count, _ in named), default=0)
    meant = [f for count, f in named if count == most]
    if most == 0:
        meant = [f for f in findings if f.level is Level.SHORT]
    return min(meant, key=lambda finding: finding.strength, default=None)


def _instead(strength: Strength) -> str:
    if strength is Strength.NOT_KNOWN:
        return "say that it cannot be said from these runs"
    if strength is Strength.OPEN:
        return "say that it is not clear, with the range"
    return f"say '{WORDINGS[strength].adverb or 'clearly'}' at most"


def _found(pattern: str, clause: str, *, keep_negated: bool = False) -> list[str]:
    """Return the phrases of a pattern in a clause, without those that are negated."""
    hits = re.finditer(rf"(?<![\w-])(?:{pattern})(?![\w-])", clause, re.IGNORECASE)
    return [
        hit.group().strip()
        for hit in hits
        if keep_negated or not _NOT.search(clause[: hit.start()])
    ]


def _clauses(text: str) -> list[str]:
    """Split a text at sentence ends and semicolons; a point inside a number ends nothing."""
    return [part for part in re.split(r"(?<=[.!?])\s+|;\s*|\n+", text) if part.strip()]


def _plain(text: str) -> str:
    return re.sub(r"\s+", " ", text).strip(" .;").casefold()
