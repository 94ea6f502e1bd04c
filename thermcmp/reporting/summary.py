"""The first screen and the summary: one sentence, what to look at, what was found, what to run."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from thermcmp.questions.attribution.answer import Attribution
from thermcmp.questions.caveats import NOT_COMPARED
from thermcmp.questions.model_comparison.answer import ModelComparison
from thermcmp.questions.ranking.question import Ranking
from thermcmp.reporting.article.estimates import Estimate
from thermcmp.reporting.article.finding import Finding, Level, listed, opened
from thermcmp.reporting.article.fixes import equal_noise, improvements, noise_change, sensor_of
from thermcmp.reporting.article.limits import IS_CODE, for_readers, limits_of
from thermcmp.reporting.article.paragraph import depends_on_model, findings_of, lone_specimens
from thermcmp.reporting.article.strength import Strength, adverb

if TYPE_CHECKING:
    from thermcmp.inference.posterior import Fit
    from thermcmp.questions.answer import Answer
    from thermcmp.telemetry.campaign.folder import Reduced

#: Sentences of an answer of another kind that the summary has.
_MOST_SENTENCES: Final = 3
#: What a reader wants to know of a comparison of models.
_OF_MODELS: Final = re.compile(r"clearly better|[Mm]odel-dependent|under every model|hangs? on")
#: Names of the findings of an attribution that the headline states.
_IN_HEADLINE: Final = frozenset({"equal noise", "louder"})
#: Runs that the summary proposes.
_MOST_RUNS: Final = 6
#: Things to look at that a terminal lists.
MOST_LINES: Final = 6
_CURE: Final = re.compile(
    r"(?:Fix|To separate them|To settle it|To measure it): (.*?)(?:\.\s|\.$|$)"
)


@dataclass(frozen=True, slots=True)
class Summary:
    """What a reader sees first.

    `found` has a heading, the place of the answer's own section, and its sentences.
    """

    headline: str
    things: tuple[str, ...]
    found: tuple[tuple[str, str, tuple[str, ...]], ...]
    runs: tuple[str, ...]
    remarks: tuple[str, ...]

    @property
    def things_words(self) -> str:
        """How many things there are to look at, in words."""
        count = len(self.things)
        return "One thing to look at" if count == 1 else f"{count or 'No'} things to look at"


def make_summary(
    answers: Sequence[Answer],
    fits: Sequence[Fit],
    named: Sequence[tuple[str, str]],
    *,
    reduced: Reduced | None = None,
    remarks: Sequence[str] = (),
) -> Summary:
    """Return the summary of answers; `named` has the heading and the anchor of each."""
    found, said = [], set[str]()
    depends, lead = depends_on_model(answers), leading(answers)
    for answer, (heading, anchor) in zip(answers, named, strict=True):
        findings = findings_of(answer, depends)
        if findings is None:
            sentences = answer.sentences[:_MOST_SENTENCES]
            if isinstance(answer, ModelComparison):
                # How it was done is for the appendix.
                sentences = tuple(s for s in answer.sentences if _OF_MODELS.search(s))
        else:
            sentences = tuple(f.sentence for f in findings if f.level <= Level.MEDIUM)
            if answer is lead and isinstance(lead, Attribution):
                # The headline has what an attribution says of noise.
                said.update(f.sentence for f in findings if _IN_HEADLINE.intersection(f.names))
        # An answer about several sensors repeats that about one.
        found.append((heading, anchor, tuple(s for s in sentences if s not in said)))
        said.update(sentences)
    return Summary(
        headline=headline(answers),
        things=things_to_look_at(answers, fits, reduced),
        found=tuple(found),
        runs=proposed_runs(answers),
        remarks=tuple(remarks),
    )


def headline(answers: Sequence[Answer]) -> str:
    """Return the result in one sentence: at equal noise, its noise, and what is not known."""
    depends = depends_on_model(answers)
    every = [f for answer in answers for f in findings_of(answer, depends) or ()]
    lead = leading(answers)
    unknown = _unknown(every, [lead] if lead is not None else [])
    if isinstance(lead, Attribution):
        return f"{_of_fix(lead, depends)}; {unknown}."
    own = findings_of(lead, depends) or [] if lead is not None else []
    first = next((f for f in (*own, *every) if f.strength > Strength.NOT_KNOWN), None)
    if first is not None:
        return f"{first.sentence.removesuffix('.')}; {unknown}."
    said = next((answer.sentences[0] for answer in answers if answer.sentences), "")
    return said or "Nothing can be said from these runs."


def leading(answers: Sequence[Answer]) -> Answer | None:
    """Return the answer that the headline and its figure are about."""
    for kind in (Attribution, Ranking):
        for answer in answers:
            if isinstance(answer, kind):
                return answer
    return answers[0] if answers else None


def _of_fix(answer: Attribution, depends: Sequence[str]) -> str:
    before, after = (build.name for build in answer.builds)
    sensor, parts = sensor_of(answer), improvements(answer, depends)
    quiet, noise = equal_noise(parts), noise_change(answer)
    words = (
        f"how the hardware of {after} compares with that of {before} at equal noise is not known"
    )
    if quiet is not None:
        words = (
            f"at equal noise the hardware of {after} runs {_side(quiet, 'cooler', 'warmer')} at "
            f"the {sensor} than that of {before}"
        )
    words += f"; each under its own firmware, it runs {_side(parts['total'], 'cooler', 'warmer')}"
    if noise is None:
        words += ", by a noise that was not measured"
    else:
        words += f" and is {_side(noise, 'louder', 'quieter', 'dB')}"
    return opened(words)


def _side(estimate: Estimate, over: str, under: str, unit: str = "K") -> str:
    """Return a difference as the end of "runs …": "probably 4.2 K (0.3 to 8.1) cooler"."""
    if estimate.strength is Strength.NOT_KNOWN:
        return f"an unknown amount {over} or {under}"
    if estimate.strength is Strength.OPEN:
        return f"not clearly {over} or {under} ({estimate.sides(over, under, unit)})"
    side = over if estimate.mean >= 0.0 else under
    return f"{adverb(estimate.strength)}{estimate.size(unit)} {side}{_doubts(estimate)}"


def _doubts(estimate: Estimate) -> str:
    return f" ({'; '.join(estimate.doubts)})" if estimate.doubts else ""


def _unknown(findings: Sequence[Finding], answers: Sequence[Answer]) -> str:
    """Return what is not known, as the end of a sentence."""
    known = {f.names for f in findings if f.strength > Strength.NOT_KNOWN}
    open_ = [
        f.sentence.partition(" cannot be said")[0]
        for f in findings
        if f.strength is Strength.NOT_KNOWN and f.names not in known
    ]
    said = [words[:1].lower() + words[1:] for words in dict.fromkeys(open_) if len(words) < 120]
    if said:
        return f"{listed(said, most=2)} is not known"
    lone = lone_specimens(answers)
    if lone:
        return f"how other cards compare is not known, since only one was tested of {listed(lone)}"
    return "what other cards of these models do is not known beyond the ranges"


def things_to_look_at(
    answers: Sequence[Answer], fits: Sequence[Fit], reduced: Reduced | None = None
) -> tuple[str, ...]:
    """Return what to look at before the answers are used, each once, in a reader's words."""
    things = [
        for_readers(sentence)
        for fit in fits
        for sentence in (fit.findings or fit.diagnostics.sentences)
    ]
    # A fit of several sensors is not screened; its outliers stand in the caveats.
    things += [for_readers(c) for a in answers for c in a.caveats if "look at its" in c]
    things += limits_of(answers, depends_on_model(answers)).severe
    if reduced is not None and len(reduced.refused):
        runs = [str(run) for run in dict.fromkeys(reduced.refused["run"])]
        count = "One run was" if len(runs) == 1 else f"{len(runs)} runs were"
        things.append(f"{count} refused and not used: {listed(runs, 6)}.")
    if reduced is not None:
        things += map(for_readers, reduced.cautions)
    # An answer about several sensors says by name what a sensor's own fit says.
    said = dict.fromkeys(things)
    return tuple(thing for thing in said if thing.partition(": ")[2] not in said)


def proposed_runs(answers: Sequence[Answer]) -> tuple[str, ...]:
    """Return the runs and assemblies that would settle what is open, each once."""
    texts = (
        text
        for answer in answers
        if not isinstance(answer, ModelComparison)
        for text in (*answer.sentences, *answer.caveats)
        if text != NOT_COMPARED
    )
    cures = (match.group(1).strip() for text in texts for match in _CURE.finditer(text))
    said = [opened(cure) for cure in cures if cure and not IS_CODE.search(cure)]
    return tuple(f"{cure}." for cure in dict.fromkeys(said))[:_MOST_RUNS]


def first_lines(
    answers: Sequence[Answer], fits: Sequence[Fit], reduced: Reduced | None
) -> list[str]:
    """Return what a terminal shows first: the result in one sentence, and what to look at."""
    things = things_to_look_at(answers, fits, reduced)
    summary = Summary(headline(answers), things, (), (), ())
    more = len(things) - MOST_LINES
    return [summary.headline, f"{summary.things_words}{':' if things else '.'}",
            *(f"  - {thing}" for thing in things[:MOST_LINES]),
            *[f"  - and {more} more, see the page"] * (more > 0)]  # fmt: skip
