"""Free words to facts."""

from expert.phrases.lexicon import Lexicon
from expert.phrases.reading import Reading, understand

__all__ = ["Lexicon", "Reading", "understand"]
