"""What people on phones get, over the real channel: gateway, store, thinking, outbox."""

import re

import pytest
from phones import ANA, BEN
from sqlalchemy import func, select

from chatkey.channels.sms.segments import ALPHABET, segments
from chatkey.store.schema import identifications, inbox, observations, outbox

FOUND = "soft flat needles, 2 white lines under, by a creek near Marquette MI"


def test_an_identification_goes_back_and_forth_in_two_segments_a_reply(phones):
    replies = [
        phones.say(ANA, text)
        for text in (
            "soft short flat needles, 2 white lines under, creekside nr Marquette MI",
            "small dry buds, twig brown and rough",
            "no knobs. cones hang down, smaller than a dime",
            "why",
        )
    ]
    assert "Eastern hemlock" in replies[2]
    assert all(segments(reply) <= 2 and set(reply) <= ALPHABET for reply in replies)


def test_the_gateway_gets_an_empty_answer_at_once(phones):
    answer = phones.deliver(ANA, FOUND)
    assert (answer.status_code, answer.text) == (200, "")
    phones.next(ANA)


def test_a_message_delivered_twice_is_answered_once(phones):
    phones.say(ANA, FOUND, id="one")
    assert phones.deliver(ANA, FOUND, id="one").status_code == 200
    assert phones.say(ANA, "how sure", id="two") == phones.gateway.texts(ANA)[1]
    assert len(phones.gateway.texts(ANA)) == 2


@pytest.mark.parametrize("word", ["STOP", "end.", "Quit", "unsubscribe", "CANCEL!", "please stop texting me"])
def test_every_word_for_stop_is_obeyed_with_one_confirmation_and_then_silence(phones, word):
    phones.say(ANA, FOUND)
    reply = phones.say(ANA, word)
    assert "Larkwater Stewards" in reply
    assert "START" in reply
    phones.silence(ANA, "needles are soft")
    phones.silence(ANA, "stop")


@pytest.mark.parametrize("word", ["START", "unstop", "yes"])
def test_after_a_stop_the_talk_goes_on_where_it_was(phones, word):
    question = phones.say(ANA, FOUND)
    phones.say(ANA, "STOP")
    reply = phones.say(ANA, word)
    assert re.findall(r"\(1\) [a-z ]+", question)[0] in reply


def test_stop_within_a_sentence_about_a_tree_is_none(phones):
    assert "no more messages" not in phones.say(ANA, "the needles stop half way, the end is blunt")


def test_yes_is_an_answer_for_who_has_not_stopped(phones):
    phones.say(ANA, FOUND)
    assert "get messages" not in phones.say(ANA, "yes")


def test_danger_to_life_is_answered_even_after_a_stop(phones):
    phones.say(ANA, "STOP")
    assert "1-800-222-1222" in phones.say(ANA, "my kid swallowed a red yew berry")
    phones.silence(ANA, "soft needles")


def test_help_names_the_group_a_person_and_the_way_out_in_one_segment(phones):
    reply = phones.say(ANA, "HELP")
    assert segments(reply) == 1
    for part in ("Larkwater Stewards", "PERSON", "STOP"):
        assert part in reply


def test_what_had_no_room_comes_with_more_and_ends(phones):
    phones.say(ANA, "red berries with a hole, flat needles, clipped hedge at the school")
    got = [phones.say(ANA, "MORE") for _ in range(4)]
    assert got[0] != got[1]
    assert got[-1] == phones.mind.script.say("sms_no_more")


def test_a_phone_writes_in_any_form_of_its_number(phones):
    phones.deliver("19065550101", FOUND)
    phones.next(ANA)
    phones.deliver("(906) 555-0101", "undo")
    assert "Taken back: soft needles" in phones.next(ANA)


def test_letters_outside_the_alphabet_are_understood_and_not_sent(phones):
    reply = phones.say(ANA, "soft needles, “flat”, 2–3 cm… 🌲")
    assert set(reply) <= ALPHABET


def test_a_person_answers_days_later_on_the_same_phone(phones):
    phones.say(ANA, "evergreen with needles, no cones, leaves soft")
    reply = phones.say(ANA, "can a real person look at it")
    assert "within 3 days" in reply
    (entry,) = phones.queue()
    assert entry["reasons"] == ["asked"]
    assert [claim["words"] for claim in entry["claims"]]
    assert [one["text"] for one in entry["messages"]][-1] == "can a real person look at it"
    phones.clock.now += 3 * 86400
    phones.answer(entry["id"], "I see bare twigs with knobs on your photo.", "tamarack")
    told = phones.next(ANA)
    assert "bare twigs with knobs" in told
    assert "tamarack" in told
    assert not phones.queue()
    assert "amarack" in phones.say(ANA, "list")


def test_how_long_an_answer_takes_is_told_by_the_last_ones(phones):
    phones.say(ANA, "evergreen, soft. can a person look at it")
    phones.clock.now += 8.5 * 86400
    phones.answer(phones.queue()[0]["id"], "Sorry that it took so long. Look for cones.")
    phones.next(ANA)
    phones.client.portal.call(phones.client.app.state.running._refresh_desk)
    assert "within 9 days" in phones.say(BEN, "evergreen, soft. can a person look at it")


def test_an_unsafe_question_is_warned_and_seen_by_a_steward(phones):
    phones.say(ANA, "red berries with a hole, flat needles, clipped hedge")
    reply = phones.say(ANA, "can my goat have the clippings")
    assert reply.startswith("Don't feed it. Yew kills animals")
    assert "A steward sees this too." in reply
    assert phones.queue()[0]["reasons"] == ["unsafe"]


def test_after_weeks_one_line_recalls_where_it_stood(phones):
    phones.say(ANA, FOUND)
    phones.clock.now += 21 * 86400
    reply = phones.say(ANA, "3")
    assert reply.startswith("You had told me: soft needles, flat needles, two pale lines below, Michigan and more.")


def test_forget_me_leaves_nothing_of_the_finder_in_the_files(phones, tmp_path):
    phones.say(ANA, "prickly like a hedgehog, at the bend, 46.54321, -87.39876")
    phones.say(ANA, "evergreen, soft. can a person look at it")
    files = _files(tmp_path)
    assert b"hedgehog" in files
    assert "forgotten" in phones.say(ANA, "forget me")
    phones.say(BEN, "help")  # what was sent before this is written down
    files = _files(tmp_path)
    own = phones.store()
    mark = own.seal.mark("address", "sms", ANA).encode()
    own.close()
    for secret in (b"hedgehog", b"46.54", b"5550101", b"forget me", mark):
        assert secret not in files, secret
    assert not phones.queue()


def test_an_exact_place_is_kept_to_about_a_kilometre_only(phones, tmp_path):
    phones.say(ANA, "soft flat needles at 46.54321, -87.39876, call me on 906-555-0123")
    files = _files(tmp_path)
    assert b"46.54321" not in files
    assert b"555-0123" not in files
    with phones.store().read() as connection:
        assert connection.scalar(select(observations.c.place))["latitude"] == 46.54


def test_records_hold_what_was_shown_and_with_which_knowledge(phones):
    for text in (FOUND, "small dry buds, twig brown and rough", "no knobs. cones hang down, smaller than a dime"):
        phones.say(ANA, text)
    store = phones.store()
    with store.read() as connection:
        row = connection.execute(select(identifications).order_by(identifications.c.id.desc())).first()
        letter = connection.execute(select(outbox).order_by(outbox.c.id.desc())).first()
    store.close()
    assert row.taxon == "tsuga_canadensis"
    assert row.probability > 0.9
    assert row.knowledge == letter.knowledge == phones.mind.knowledge.hash
    assert letter.probability == row.probability


def test_too_many_messages_are_kept_told_of_once_and_not_thought_about(opened, settings):
    settings.limits.sender_a_minute = 3
    phones = opened()
    for n in range(3):
        phones.say(ANA, "soft", id=f"ok-{n}")
    assert "Too many" in phones.say(ANA, "soft", id="over-1")
    phones.silence(ANA, "soft")
    store = phones.store()
    with store.read() as connection:
        assert connection.scalar(select(func.count()).where(inbox.c.status == "muted")) == 2
    store.close()


def test_when_all_send_too_much_the_gateway_is_asked_to_come_again(opened, settings):
    settings.limits.all_a_minute = 2
    phones = opened()
    answers = [phones.deliver(ANA, "soft") for _ in range(3)]
    assert [answer.status_code for answer in answers] == [200, 200, 429]
    assert answers[-1].headers["Retry-After"]
    store = phones.store()
    with store.read() as connection:
        assert connection.scalar(select(func.count()).select_from(inbox)) == 2
    store.close()


def test_a_body_over_the_limit_is_refused_unread(phones):
    answer = phones.client.post("/sms/in", content=b"x" * 20_000)
    assert answer.status_code == 413


def test_a_number_that_the_gateway_reports_as_stopped_gets_no_more(opened, tmp_path):
    profile = tmp_path / "own.yaml"
    profile.write_text(
        "receive: {method: GET, fields_in: query, sender: from, text: text, id: id}\nreply: push\n"
        "push: {method: GET, url: 'http://127.0.0.1:1/x', fields_in: query, sender: from, recipient: to, text: text, "
        "by_status: {sent: [2xx], stopped: ['410'], later: [5xx]}}\n"
    )
    phones = opened(gateway=str(profile))
    phones.gateway.status = 410
    assert phones.client.get("/sms/in", params={"from": ANA, "id": "1", "text": "soft"}).status_code == 200
    _until(lambda: phones.gateway.refused == 1)
    _until(lambda: _statuses(phones) == {"dropped"})
    phones.gateway.status = 202
    phones.client.get("/sms/in", params={"from": ANA, "id": "2", "text": "soft"})
    phones.client.get("/sms/in", params={"from": BEN, "id": "3", "text": "help"})
    phones.next(BEN)
    assert phones.gateway.texts(ANA) == []


def test_health_readiness_and_metrics_hold_no_names(phones):
    phones.say(ANA, FOUND)
    assert phones.client.get("/health").json() == {"alive": True}
    assert phones.client.get("/ready").json() == {"ready": True}
    text = phones.client.get("/metrics").text
    assert 'chatkey_received_total{channel="sms"} 1.0' in text
    assert "5550101" not in text


def _files(folder) -> bytes:
    return b"".join(path.read_bytes() for path in folder.glob("chatkey.db*"))


def _statuses(phones) -> set[str]:
    store = phones.store()
    with store.read() as connection:
        found = set(connection.scalars(select(outbox.c.status)))
    store.close()
    return found


def _until(holds, tries: int = 400) -> None:
    import time

    for _ in range(tries):
        if holds():
            return
        time.sleep(0.02)
    raise AssertionError("it never came to be")
