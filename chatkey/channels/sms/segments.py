"""Text in the letters of a text message, and how many segments it takes (3GPP TS 23.038, TS 23.040)."""

from __future__ import annotations

import re
import unicodedata

import smsutil  # type: ignore[import-untyped]
from anyascii import anyascii

ONE_SEGMENT = 160  # septets of a message that goes alone
JOINED_SEGMENT = 153  # septets of each part of a longer one
ONE_SEGMENT_WIDE = 70  # units of 16 bits, where a letter is outside the alphabet
JOINED_SEGMENT_WIDE = 67

# TS 23.038, 6.2.1, in the order of the codes; the escape 0x1B and carriage return are left out: nobody reads them.
BASIC = (
    "@£$¥èéùìòÇ\nØøÅåΔ_ΦΓΛΩΠΨΣΘΞÆæßÉ !\"#¤%&'()*+,-./0123456789:;<=>?"
    "¡ABCDEFGHIJKLMNOPQRSTUVWXYZÄÖÑÜ§¿abcdefghijklmnopqrstuvwxyzäöñüà"
)
EXTENSION = "^~€"  # two septets each, and nothing plain says the same
ALPHABET = frozenset(BASIC + EXTENSION)

# What the alphabet lacks, or pays twice for, by a plain twin.
TWINS = {
    **dict.fromkeys("‘’‚‛′`´ʼ‹›", "'"),
    **dict.fromkeys("“”„‟″«»", '"'),
    **dict.fromkeys("‐‑‒–—―−•·", "-"),
    **dict.fromkeys("\f\v\r\x85\u2028\u2029", "\n"),
    **dict.fromkeys("\t", " "),
    **dict.fromkeys("[{", "("),
    **dict.fromkeys("]}", ")"),
    **dict.fromkeys("|\\⁄", "/"),
    "…": "...",
    "×": "x",
    "±": "+/-",
    "≠": " is not ",
    "≤": "<=",
    "≥": ">=",
    "→": "->",
    "←": "<-",
    "№": "No. ",
    "™": "TM",
    "©": "(c)",
    "®": "(R)",
}
# Where a twin alone would run into its neighbour: "2½", "-20°C", "Taxus ×media".
SPACED = (
    (re.compile(r"(?<=\d)(?=[¼-¾⅐-⅞])"), " "),
    (re.compile(r"\s*°\s*(?=[CF]\b)"), " "),
    (re.compile(r"\s*°"), " deg"),
    (re.compile(r"×(?=[^\W\d])"), "x "),
)

EMOJI_NAME = re.compile(r":\w+:")  # how a picture is spelt that counts as a letter or a sign


def plain(text: str) -> str:
    """The text in letters of GSM 03.38 only, runs of blanks made one. Twice plain is plain."""
    text = unicodedata.normalize("NFC", text).replace("\r\n", "\n")
    for pattern, twin in SPACED:
        text = pattern.sub(twin, text)
    text = "".join(map(_letter, text))
    return re.sub(r" *\n\s*", "\n", re.sub(" {2,}", " ", text)).strip()


def segments(text: str) -> int:
    """How many messages the text takes on the air; the empty one takes one."""
    return max(1, len(smsutil.split(text).parts))


def room(text: str) -> int:
    """How many units are left in the last segment: septets, or 16-bit units where a letter is outside the alphabet."""
    found = smsutil.split(text)
    narrow = not text or found.encoding == "gsm0338"  # smsutil calls the empty text a wide one
    alone, joined = (ONE_SEGMENT, JOINED_SEGMENT) if narrow else (ONE_SEGMENT_WIDE, JOINED_SEGMENT_WIDE)
    if not found.parts:
        return alone
    used = found.parts[-1].bytes // (1 if narrow else 2)
    return int((alone if len(found.parts) == 1 else joined) - used)


def _letter(letter: str) -> str:
    """One letter in the alphabet: itself, a twin, its base letter, its sound, or nothing."""
    if letter in ALPHABET:
        return letter
    if letter in TWINS:
        return TWINS[letter]
    kind = unicodedata.category(letter)
    if kind == "So" or kind[0] in "CM":  # signs and emoji, control and joining characters, loose accents
        return ""
    base = "".join(part for part in unicodedata.normalize("NFKD", letter) if not unicodedata.combining(part))
    spelt = base if base.isascii() else "".join(TWINS.get(part) or anyascii(part) for part in base)
    if EMOJI_NAME.fullmatch(spelt):
        return ""
    return "".join(TWINS.get(part, part) for part in spelt if part in ALPHABET or part in TWINS)
