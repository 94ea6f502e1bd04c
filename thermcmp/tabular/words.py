"""Words for no value, for yes and for no."""

from __future__ import annotations

from typing import Final

#: Words for "nothing here" in any column, compared without blanks around and in any case.
BLANK: Final = ("", "n/a", "-", "–", "—")
#: Words for "no reading" where a number is due.
MISSING: Final = (
    *BLANK, "[n/a]", "na", "n.a.", "--", "---", "null", "none", "nan", "#n/a",
)  # fmt: skip
#: Words of a flag.
FLAG_WORDS: Final = {
    "1": True, "true": True, "yes": True, "y": True, "x": True, "on": True, "active": True,
    "0": False, "false": False, "no": False, "n": False, "off": False, "inactive": False,
    "not active": False,
}  # fmt: skip
