"""The caveats of answers as an article has to print them: what changes the meaning comes first."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from thermcmp.model.factor_words import parameter_words
from thermcmp.reporting.article.finding import opened

if TYPE_CHECKING:
    from thermcmp.questions.answer import Answer

#: Ends of caveats that speak to the bench and not to a reader.
_CURE: Final = re.compile(r"\s*(Fix|To measure it|To separate them|To settle it): .*$", re.DOTALL)
#: A cure in the words of the library is for those who write the script.
IS_CODE: Final = re.compile(r"[=_()]|\bfit\.|--|check_fit")
#: Caveats that the text states from the numbers themselves, or by its own sentence.
_STATED: Final = (
    "Fit health is 'bad'",
    "The fit's health is",
    "Where factors changed together only their joint effect",
    "The runs do not hold these parts",
    "Only one specimen",
    "The steps are those of the specimens on the bench",
    "A rebuilt cooler counts as a fresh specimen",
    "Not ranked, see their health",
    "Mostly from the prior, not the data",
)
#: Caveats that qualify numbers without turning their meaning: the long text has them. A caveat
#: of no known kind is taken for one that does turn it, and stands in every text.
_MILD: Final = (
    r"slightly different priors would shift them",
    r"the answers are freed of it",
    r"does not count for the parts",
    r"look at its (log|contact|paste)",
    r"^Steady states only",
    r"^Whether one assembly turns an answer was checked",
    r"^Student's t was not compared",
    r"^Whether other models that explain the rows as well would answer",
    r"^An outlier was freed by a look",
    r"^The lower fan speed was held",
    r"^Measurements count as made at",
    r"^Inside the hardware part the shares of",
    r"^In the fit cooler, board and memory vendor add up",
    r"more outliers among runs",
    r"more runs count for little",
    r"counts as \d\.\d+ of a run",
    r"would change these more than the rows do: ([^:,]+: )?[^:,]*standard deviation "
    r"\(by the prior of '[^']+'\)(, [^:,]+: standard deviation \(by the prior of '[^']+'\))*\. ",
)
#: What the trade says where the bench says something else, in every text and in texts without
#: the names of parameters.
_OTHER: Final = "Other assumptions would change these more than the measurements do: "
_APPENDIX_WORDS: Final = (
    (
        r"Slightly different priors would change these more than the rows do: ",
        _OTHER,
    ),
    (
        r"The rows determine these, but slightly different priors would shift them: ",
        "Measured, though other assumptions would shift them a little: ",
    ),
    (r"\bassembly: standard deviation", "the spread of assemblies"),
    (r"\bsession: standard deviation", "the spread of sessions"),
    (r"\bbench: standard deviation", "the spread of benches"),
    (r"\b(come|comes) from the prior\b", r"\1 from what was assumed"),
    (r"\bpriors\b|\bthe prior\b", "assumptions"),
)
_WORDS: Final = (
    (r" \(by the prior of '[^']+'\)", ""),
    *_APPENDIX_WORDS,
    (r"\(allow_prior=True\)", ""),
    (r"the shares of hardware and fan speed are the prior's",
     "the shares of hardware and fan speed are assumed"),
    (r"\bprior\b", "assumptions"),
    (r"\bThe fit\b", "The analysis"),
    (r"\bthe fit\b", "the analysis"),
    (r"\bfirmware: ", ""),
    (r"\bof the hardware: ", "within the hardware, "),
    (r", give or take interaction_k", ""),
    (r"[,;] look at its [^.]*(?=\.)", ""),
    (r"(; (?:see|test) [^.;]*|, see [^.;]*)(?=\.)", ""),
    (r"\s+\.", "."),
)  # fmt: skip
_BAD: Final = (
    "The calculation behind these numbers failed its own checks: no decision should rest on them."
)
_CAUTION: Final = "The calculation passed its own checks with reservations only."


@dataclass(frozen=True, slots=True)
class Limits:
    """Caveats that turn the meaning, and those that qualify it."""

    severe: tuple[str, ...]
    mild: tuple[str, ...]


def limits_of(answers: Sequence[Answer], depends: Sequence[str] = ()) -> Limits:
    """Sort the caveats of answers; `depends` names the answers that hang on the model."""
    health = {answer.health for answer in answers}
    severe = [_BAD] if "bad" in health else [_CAUTION] if "caution" in health else []
    if depends:
        severe.append(
            f"These hang on the model, since others that explain the runs as well answer "
            f"otherwise: {'; '.join(depends)}."
        )
    mild: list[str] = []
    for answer in answers:
        for caveat in answer.caveats:
            if caveat.startswith(_STATED):
                continue
            is_mild = any(re.search(pattern, caveat) for pattern in _MILD)
            (mild if is_mild else severe).append(for_readers(caveat))
    return Limits(_once(severe), _once(mild))


def for_readers(caveat: str) -> str:
    """Return a caveat without its cure, in a reader's words."""
    text = _CURE.sub("", caveat).strip()
    for pattern, words in _WORDS:
        text = re.sub(pattern, words, text)
    return opened(text if text.endswith((".", "!", "?")) else f"{text}.")


def for_appendix(caveat: str) -> str:
    """Return a caveat in a reader's words, with what cures it at the bench."""
    words, _, cure = caveat.partition(" Fix: ")
    at_bench = [way for way in cure.removesuffix(".").split(", or ") if not IS_CODE.search(way)]
    text = f"{words} Fix: {', or '.join(at_bench)}." if any(at_bench) else words
    text = re.sub(r"by the prior of '([^']+)'", r"by what is assumed of \1", parameter_words(text))
    for pattern, said in _APPENDIX_WORDS:
        text = re.sub(pattern, said, text)
    return re.sub(r"(the spread of [^():]+) \(by what is assumed of \1\)", r"\1", text)


def has_cure(caveat: str) -> bool:
    """Return whether a caveat says which run or look would settle it."""
    return bool(_CURE.search(caveat))


def _once(sentences: Sequence[str]) -> tuple[str, ...]:
    """Return the sentences, each once, and those that begin with `_OTHER` as one."""
    said = [sentence for sentence in dict.fromkeys(sentences) if sentence.strip(" .")]
    others = [sentence for sentence in said if sentence.startswith(_OTHER)]
    names = [s.removeprefix(_OTHER).removesuffix(".") for s in others]
    merged = f"{_OTHER}{'; '.join(dict.fromkeys(names))}."
    return tuple(
        merged if sentence in others else sentence
        for sentence in said
        if sentence not in others[1:]
    )
