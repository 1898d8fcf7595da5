"""Text to tokens: where each word stands, and the form in which words are compared."""

from __future__ import annotations

import re
from functools import lru_cache
from typing import Literal, NamedTuple

Kind = Literal["word", "number", "comma", "stop", "question"]

# One pass, no nested repetition over the same characters: linear in the text. A number keeps its sign only
# where no word or digit stands before it, so that "2-3" is two numbers and "-5" is one below nought.
_TOKEN = re.compile(
    r"(?P<fraction>[½¼¾]|(?<![\d/])[1-9]/[2-9](?![\d/]))"
    r"|(?P<number>(?:(?<![^\s(=:])-)?[0-9]+(?:,[0-9]{3}(?![0-9]))*(?:\.[0-9]+)?)"
    r"|(?P<word>[^\W\d_]+(?:['’‘`´][^\W\d_]+)*)"
    r"|(?P<stop>[.;!\n\r\u2028\u2029…])"
    r"|(?P<comma>,|[–—]|(?<=\s)-(?=\s))"
    r"|(?P<question>\?)"
    r"|(?P<sign>[&+])"
)
_APOSTROPHES = str.maketrans("", "", "'’‘`´")
# One spelling for words that two sides of an ocean write differently.
_SPELLINGS = {
    "color": "colour", "colored": "coloured", "colors": "colour", "gray": "grey", "tire": "tyre",
    "odor": "odour", "gage": "gauge", "mold": "mould", "liter": "litre", "liters": "litre", "center": "centre",
    "sulfur": "sulphur", "vapor": "vapour", "mins": "minute", "min": "minute", "secs": "second", "sec": "second",
    "hr": "hour", "hrs": "hour", "ltr": "litre", "ltrs": "litre", "l": "litre", "qt": "quart", "qts": "quart",
    "kilometre": "km", "kilometres": "km", "kilometer": "km", "kilometers": "km", "kms": "km", "mi": "mile",
    "yr": "year", "yrs": "year",
}  # fmt: skip
# Forms of common verbs, and verbs that mean the same, so that a phrase is known in every tense.
_VERBS = {
    "replaced": "changed swapped renewed exchanged replacing changing swapping",
    "leak": "leaking leaked leaky",
    "drip": "dripping dripped",
    "seep": "seeping seeped seepage",
    "weep": "weeping wept weepy",
    "sweat": "sweating sweated sweaty",
    "ooze": "oozing oozed",
    "smell": "smelling smelled smelt stink stinks stinking stank reek reeks reeking",
    "spilled": "spilt spilling spills",
    "burnt": "burned",
    "lose": "losing loses lost",
    "drove": "driven",
    "stop": "stopping stopped stops",
    "slip": "slipping slipped",
    "drop": "dropping dropped",
    "wobble": "wobbling wobbled wobbly",
    "glow": "glowing glowed",
    "tap": "tapping",
}
_SAME_VERB = {form: verb for verb, forms in _VERBS.items() for form in forms.split()}
VERB_FORMS = tuple(_SAME_VERB)
_NOT = {
    "isnt": "not", "arent": "not", "wasnt": "not", "werent": "not", "aint": "not", "doesnt": "not", "dont": "not",
    "didnt": "not", "hasnt": "not", "havent": "not", "hadnt": "not", "cannot": "cant",
}  # fmt: skip
_DIGITS_MOST = 12
_FRACTIONS = {"½": "0.5", "¼": "0.25", "¾": "0.75"}
_NUMBERS = {
    "zero": "0", "one": "1", "two": "2", "three": "3", "four": "4", "five": "5", "six": "6", "seven": "7",
    "eight": "8", "nine": "9", "ten": "10", "eleven": "11", "twelve": "12", "dozen": "12", "fifteen": "15",
    "twenty": "20", "thirty": "30", "forty": "40", "fifty": "50", "sixty": "60", "hundred": "100", "couple": "2",
}  # fmt: skip


class Token(NamedTuple):
    """One word, number or mark of the text, with its place [start, end) in it and its comparison form."""

    kind: Kind
    stem: str
    start: int
    end: int


@lru_cache(maxsize=8192)
def stem(word: str) -> str:
    """The form in which words are compared: lower-case, no apostrophes, no plural -s, number words as digits,
    "isn't" and its like as "not", one spelling and one form of a verb."""
    plain = word.lower().translate(_APOSTROPHES)
    plain = _NUMBERS.get(plain) or _NOT.get(plain) or _SPELLINGS.get(plain) or _SAME_VERB.get(plain, plain)
    if len(plain) < 4 or not plain.endswith("s") or plain.endswith(("ss", "us", "is")):
        return plain
    if plain.endswith(("ches", "shes", "sses", "xes")):
        return plain[:-2]
    if plain.endswith("ies") and len(plain) > 4:
        return plain[:-3] + "y"
    return plain[:-1]


def _fraction(typed: str) -> str:
    """ "1/2" as a decimal number."""
    if typed in _FRACTIONS:
        return _FRACTIONS[typed]
    above, below = typed.split("/")
    return f"{int(above) / int(below):g}"


def tokens(text: str) -> list[Token]:
    """The tokens of any text, in order. Characters that are no word, number or mark only part words."""
    found = []
    for match in _TOKEN.finditer(text):
        kind = match.lastgroup
        typed = match.group()
        if kind == "sign":
            found.append(Token("word", "and", match.start(), match.end()))
        elif kind == "fraction":
            found.append(Token("number", _fraction(typed), match.start(), match.end()))
        elif kind == "word":
            found.append(Token("word", stem(typed), match.start(), match.end()))
        elif kind == "number":
            plain = typed.replace(",", "")
            shown = plain if len(plain) <= _DIGITS_MOST else "9" * _DIGITS_MOST
            found.append(Token("number", shown, match.start(), match.end()))
        elif kind == "comma":
            found.append(Token("comma", ",", match.start(), match.end()))
        elif kind == "question":
            found.append(Token("question", "?", match.start(), match.end()))
        else:
            found.append(Token("stop", ".", match.start(), match.end()))
    return found
