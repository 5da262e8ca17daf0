"""Where there is little room: short wordings, as true as the long ones."""

from __future__ import annotations

import re

import pytest

from chatkey.advise import filled, filled_short
from chatkey.dialog import Message, Mind, step
from chatkey.dialog.conversation import Conversation
from chatkey.dialog.script import LINES, OFFICES
from chatkey.terms import Place
from tests.dialog.conftest import Dialogs

LONGEST_CAUTION = 150
TWO_SEGMENTS = 306  # 3GPP TS 23.040: 2 x 153 letters of the basic alphabet
CALLS = ("{poison_line}", "{emergency}")


def test_every_long_caution_has_a_short_wording_that_fits(mind: Mind) -> None:
    for lines in mind.knowledge.lines.values():
        lines = {**mind.knowledge.lines["US"], **lines}
        for caution in mind.knowledge.cautions.values():
            assert len(filled_short(caution, lines) or filled(caution, lines)) <= LONGEST_CAUTION, caution.id


def test_a_short_caution_names_whom_to_call_where_the_long_one_does(mind: Mind) -> None:
    for caution in mind.knowledge.cautions.values():
        if caution.short:
            assert [gap for gap in CALLS if gap in caution.text and gap not in caution.short] == [], caution.id
            assert ("vet" in caution.text) <= ("vet" in caution.short), caution.id
            assert len(caution.short) < len(caution.text), caution.id


def test_a_short_wording_is_shorter_and_has_no_gap_of_its_own(mind: Mind) -> None:
    for line, shorts in mind.script.shorts.items():
        longest = max(map(len, mind.script.lines[line]))
        assert all(len(short.replace("{plain}", "{names}")) <= longest for short in shorts), line
        gaps = {*LINES[line], *OFFICES}
        assert set(re.findall(r"\{(\w+)\}", " ".join(shorts))) <= gaps, line


@pytest.mark.parametrize(
    "text",
    [
        "its an evergreen w needles. no cones, leaves soft. dont know much",
        "soft lil flat needles, 2 white lines under, creekside nr Marquette MI",
        "soft flat needles",
        "sharp needles that roll",
        "needles in bundles of five",
        "tiny scales, flat sprays",
        "tufts of needles, goes bare in winter",
    ],
)
def test_a_first_reply_fits_two_text_messages_by_its_short_wordings(mind: Mind, text: str) -> None:
    reply = step(mind, Conversation(), Message(text, place=Place("MI"))).reply
    assert reply.ask is not None
    assert len("\n".join(block.short or block.text for block in reply.blocks)) <= TWO_SEGMENTS


def test_a_short_wording_of_an_unknown_line_or_gap_is_an_error_at_its_place(dialogs: Dialogs) -> None:
    dialogs.edit("en/talk.yaml", "  close: PLANT", "  clos: PLANT")
    errors = dialogs.read()[1]
    assert [error.args[2] for error in errors] == ["did you mean 'close'?"]


def test_a_gap_in_a_short_wording_that_its_line_lacks_is_an_error(dialogs: Dialogs) -> None:
    dialogs.edit("en/talk.yaml", "  close: PLANT", '  close: "{facts} PLANT')
    dialogs.edit("en/talk.yaml", "or NEXT for another tree.\n  offer", 'or NEXT for another tree."\n  offer')
    (error,) = dialogs.read()[1]
    assert error.args[1] == "the field 'facts' is not known in 'close'"
