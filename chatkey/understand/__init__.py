"""Words to claims and intents: normalise, match, quantity, scope, bind, intent; one direction, no guessing."""

from chatkey.understand.lexicon import Lexicon, build_lexicon
from chatkey.understand.own_words import Understanding
from chatkey.understand.pending import Pending
from chatkey.understand.place import find_place
from chatkey.understand.understanding import understand

__all__ = ["Lexicon", "Pending", "Understanding", "build_lexicon", "find_place", "understand"]
