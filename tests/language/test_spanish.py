"""A language is a folder of words and one of lines: a small Spanish mind understands and answers in Spanish."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import yaml

from chatkey.channels.base import Talks
from chatkey.dialog import Conversation, Desk, Message, Mind, Verdict, step, told
from chatkey.identify import Step
from chatkey.knowledge.model import Card
from chatkey.knowledge.words import MEASURE_KEYS, SCOPE_LISTS, SCOPE_NUMBERS, SCOPE_SETS, SCOPE_TEXTS
from chatkey.terms import INTENTS
from chatkey.understand import Pending, Understanding, understand
from chatkey.understand.pending import question_about

ENGLISH = {
    *("about", "also", "and", "are", "ask", "back", "but", "by", "can", "could", "county", "do", "does", "for", "from"),
    *("give", "have", "hello", "how", "if", "in", "inches", "is", "it", "its", "like", "may", "maybe", "more", "most"),
    *("native", "never", "none", "not", "of", "on", "only", "or", "other", "please", "so", "some", "state", "still"),
    *("than", "that", "the", "their", "them", "then", "there", "these", "they", "this", "those", "to", "under", "what"),
    *("when", "where", "which", "who", "why", "will", "with", "would", "yes", "you", "your"),
    *("cone", "cones", "flat", "leaf", "leaves", "needle", "needles", "plant", "sharp", "tree", "trees", "twig"),
}
WHERE = "estoy en Michigan"
ANSWERS = {  # by the character asked for, or the kind of the question
    "leaf_kind": "agujas",
    "needle_place": "la segunda",
    "needles_per_bundle": "cinco",
    "needle_length": "unos 8 cm",
    "leaf_tip": "no pincha",
    "leaf_section": "no sé",
    "bands_below": "verde por debajo",
    "twig_surface": "lisa",
    "cones_present": "sí",
    "place": WHERE,
    "compare": "la primera",
}
EVERYTHING = (  # one message for each event of the flow
    *("hola", "¿quién eres?", "ayuda", "agujas planas, no redondas, dos líneas blancas debajo", "por qué", WHERE),
    *(
        "¿qué significa?",
        "la primera",
        "no sé",
        "¿estás seguro?",
        "qué más puede ser",
        "¿es una pícea?",
        "deshaz",
        "lista",
    ),
    *("diferencia entre un pino blanco y un pino rojo", "otro árbol", "grupos de cinco, casi 8 cm", "sí"),
    *(
        "quiero plantar un abeto balsámico",
        "¿es nativo?",
        "está enfermo",
        "las viejas, desde octubre",
        "quiero reportar",
    ),
    *("¿se puede comer?", "mi perro se tragó unas agujas", "tonto", "gracias", "empezar de nuevo", "frondosísima"),
    *("quiero hablar con una persona", "olvídame", "para", "ayuda", "hola"),
)


def heard(mind: Mind, text: str, asked: str = "") -> Understanding:
    pending: Pending | None = question_about(asked, mind.knowledge) if asked else None
    return understand(text, mind.knowledge, mind.lexicon, pending)


def claims(understanding: Understanding) -> list[tuple[Any, ...]]:
    """Character, then states or the interval in mm; "not" behind what is denied."""
    return [
        (
            claim.character,
            *((claim.quantity.low, claim.quantity.high) if claim.quantity else claim.states),
            *(["not"] if claim.negated else []),
        )
        for claim in understanding.claims
    ]


def talk_to_the_end(mind: Mind, *messages: str) -> list[Any]:
    """The turns of a conversation in which every question is answered."""
    talks = Talks(mind)
    turns = [talks.say(text) for text in messages]
    while (ask := turns[-1].view["ask"]) is not None and len(turns) < 20:
        turns.append(talks.say(ANSWERS[ask["character"] or ask["kind"]]))
    return turns


def words(text: str) -> set[str]:
    return set(re.findall(r"[^\W\d_]+", text.lower()))


def written(node: Any) -> set[str]:
    """The words of all texts in a node of YAML, without keys and gaps."""
    if isinstance(node, str):
        return words(re.sub(r"\{\w+\}", " ", node))
    return set[str]().union(*map(written, node.values() if isinstance(node, dict) else node))


def sayable(knowledge: Path, dialogs: Path) -> set[str]:
    """The words of all that can be said: lines, words for plants and characters, cautions, offices, names of places."""
    files = [
        *(knowledge / "words" / "es" / f"{name}.yaml" for name in ("plant", "names", "planting", "cautions")),
        *(dialogs / "es").glob("*.yaml"),
        *(knowledge / "cautions" / "lines.yaml", knowledge / "places" / "regions.yaml"),
    ]
    return set[str]().union(*(written(yaml.load(path.read_text("utf-8"), yaml.BaseLoader)) for path in files))


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (
            "agujas planas, no redondas, dos líneas blancas debajo",
            [("leaf_section", "flat"), ("leaf_section", "rounded", "not"), ("bands_below", "two_lines")],
        ),
        ("Las agujas son planas y tienen dos lineas blancas", [("leaf_section", "flat"), ("bands_below", "two_lines")]),
        ("debajo hay dos rayas blancas", [("bands_below", "two_lines")]),
        ("la ramita es aspera", [("twig_surface", "rough")]),
        (
            "ramita lisa, agujas que pinchan",
            [("twig_surface", "smooth"), ("leaf_tip", "sharp")],
        ),
        ("tiene agujas", [("leaf_kind", "needle")]),
        ("tiene escamas", [("leaf_kind", "scale")]),
        ("salen de una en una", [("needle_place", "single")]),
        ("manojos de dos", [("needles_per_bundle", "two")]),
        ("en grupos de cinco", [("needles_per_bundle", "five")]),
        ("en grupos de 5", [("needles_per_bundle", "five")]),
        ("veo piñas en el suelo", [("cones_present", "present")]),
        ("veo pinas", [("cones_present", "present")]),
    ],
)
def test_spanish_words_are_claims(spanish: Mind, text: str, said: list[tuple[str, ...]]) -> None:
    understanding = heard(spanish, text)
    assert claims(understanding) == said
    assert understanding.language == "es"
    assert understanding.spoken


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("no pincha", [("leaf_tip", "sharp", "not")]),
        ("ni pinchan ni son cuadradas", [("leaf_tip", "sharp", "not"), ("leaf_section", "four_sided", "not")]),
        ("no son planas ni redondas", [("leaf_section", "flat", "not"), ("leaf_section", "rounded", "not")]),
        ("no hay ninguna piña", [("cones_present", "present", "not")]),
        ("¿piñas? no", [("cones_present", "present", "not")]),
        ("más planas que redondas", [("leaf_section", "flat"), ("leaf_section", "rounded", "not")]),
        ("planas, perdón, redondas", [("leaf_section", "rounded")]),
        ("no solo planas", [("leaf_section", "flat")]),
        ("no sé si pincha", []),
    ],
)
def test_spanish_words_deny_contrast_and_correct(spanish: Mind, text: str, said: list[tuple[str, ...]]) -> None:
    assert claims(heard(spanish, text)) == said


@pytest.mark.parametrize(
    "text",
    ["creo que pincha", "pincha un poco, me parece", "quizá pincha", "quizas pincha", "las puntas creo que pinchan"],
)
def test_spanish_words_hedge(spanish: Mind, text: str) -> None:
    (claim,) = heard(spanish, text).claims
    assert (claim.character, claim.states) == ("leaf_tip", ("sharp",))
    assert 0.3 <= claim.hedge < 1


@pytest.mark.parametrize(
    ("text", "low", "high"),
    [
        ("de 2 a 3 cm", 20, 30),
        ("entre dos y tres centimetros", 20, 30),
        ("miden unos 8 centímetros", 80, 80),
        ("dos centímetros y medio", 25, 25),
        ("15 mm de largo", 15, 15),
        ("al menos 5 cm", 50, 150),
        ("agujas tan largas como mi dedo", 65, 90),
        pytest.param("2,5 cm", 25, 25),
    ],
)
def test_lengths_are_read_in_spanish(spanish: Mind, text: str, low: float, high: float) -> None:
    lengths = [claim.quantity for claim in heard(spanish, text).claims if claim.character == "needle_length"]
    assert [(one.low, one.high) for one in lengths if one] == [(low, high)]


def test_a_width_is_no_length_of_needles(spanish: Mind) -> None:
    assert heard(spanish, "2 mm de ancho").claims == ()


@pytest.mark.parametrize(
    ("asked", "text", "said"),
    [
        ("leaf_section", "la segunda", [("leaf_section", "four_sided")]),
        ("leaf_section", "la 2ª", [("leaf_section", "four_sided")]),
        ("leaf_section", "número 2", [("leaf_section", "four_sided")]),
        ("leaf_section", "la última", [("leaf_section", "rounded")]),
        ("leaf_section", "la primera o la segunda", [("leaf_section", "flat", "four_sided")]),
        ("twig_surface", "sí", [("twig_surface", "rough")]),
        ("twig_surface", "si", [("twig_surface", "rough")]),
        ("twig_surface", "no", [("twig_surface", "smooth")]),
        ("twig_surface", "áspera", [("twig_surface", "rough")]),
        ("needles_per_bundle", "son cinco", [("needles_per_bundle", "five")]),
        ("needles_per_bundle", "dos o tres", [("needles_per_bundle", "two", "three")]),
        ("needle_length", "entre 5 y 7", [("needle_length", 50, 70)]),
        ("cones_present", "no veo ninguna", [("cones_present", "absent")]),
    ],
)
def test_choices_are_picked_in_spanish(spanish: Mind, asked: str, text: str, said: list[tuple[Any, ...]]) -> None:
    understanding = heard(spanish, text, asked)
    assert claims(understanding) == said
    assert understanding.intent == "answer"


@pytest.mark.parametrize("text", ["no sé", "no se", "no lo sé", "ni idea", "🤷"])
def test_no_se_is_no_claim(spanish: Mind, text: str) -> None:
    understanding = heard(spanish, text, "leaf_section")
    assert understanding.intent == "cant_tell"
    assert understanding.claims == ()


@pytest.mark.parametrize(
    ("text", "intent", "subjects"),
    [
        ("¿por qué?", "why", ()),
        ("por que lo dices", "why", ()),
        ("quiero hablar con una persona", "person", ()),
        ("para", "stop", ()),
        ("no me escribas más", "stop", ()),
        ("mi hijo se comió una baya", "unsafe", ("swallowed",)),
        ("el perro se trago unas agujas", "unsafe", ("swallowed",)),
        ("¿se puede comer?", "unsafe", ("eat",)),
        ("¿estás seguro?", "how_sure", ()),
        ("deshaz eso", "undo", ()),
        ("hola", "greeting", ()),
        ("quiero plantarlo", "planting", ("planting",)),
    ],
)
def test_intents_are_told_in_spanish(spanish: Mind, text: str, intent: str, subjects: tuple[str, ...]) -> None:
    understanding = heard(spanish, text)
    assert understanding.intent == intent
    assert understanding.subjects == subjects


@pytest.mark.parametrize(
    ("text", "names"),
    [
        ("¿es un pino blanco?", [("pinus_strobus",)]),
        ("son píceas", [("picea",)]),
        ("un arbol de la vida", [("thuja_occidentalis",)]),
        ("Tsuga canadensis", [("tsuga_canadensis",)]),
    ],
)
def test_plants_go_by_their_spanish_names(spanish: Mind, text: str, names: list[tuple[str, ...]]) -> None:
    assert list(heard(spanish, text).names) == names


@pytest.mark.parametrize(
    ("text", "code"), [(WHERE, "MI"), ("vivo en Nueva York", "NY"), ("en la península superior", "MI")]
)
def test_places_go_by_their_spanish_names(spanish: Mind, text: str, code: str) -> None:
    place = heard(spanish, text).place
    assert place is not None
    assert place.code == code


def test_a_spanish_talk_ends_in_a_named_plant(spanish: Mind) -> None:
    turns = talk_to_the_end(spanish, "hola", "creo que las agujas salen en grupos", "y no pinchan")
    asked = [turn.view["ask"]["kind"] for turn in turns if turn.view["ask"]]
    assert "character" in asked
    assert "place" in asked
    assert turns[-1].view["answer"]["id"] == "pinus_strobus"
    assert turns[-1].view["status"] == "native"
    assert "pino blanco" in turns[-1].reply.text.lower()
    for turn in turns:
        assert words(turn.reply.text) & ENGLISH == set()


def test_every_word_that_is_said_stands_in_the_yaml(spanish: Mind, folders: tuple[Path, Path]) -> None:
    talks = Talks(spanish)
    replies = [talks.say(text).reply.text for text in EVERYTHING]
    said = set[str]().union(*map(words, replies))
    quoted = words(" ".join(EVERYTHING))
    assert said - sayable(*folders) - quoted == set()
    assert said & ENGLISH == set()


def test_each_event_of_the_flow_was_met_in_spanish(spanish: Mind) -> None:
    talks = Talks(spanish)
    met = {intent for text in EVERYTHING for intent in talks.say(text).view["intents"]}
    assert set(INTENTS) - met == set()


def test_the_language_says_every_list(folders: tuple[Path, Path]) -> None:
    own = folders[0] / "words" / "es"
    for name, keys in (
        ("scope", {*SCOPE_LISTS, *SCOPE_NUMBERS, *SCOPE_TEXTS, *SCOPE_SETS}),
        ("measures", set(MEASURE_KEYS) - {"elevation"}),
        ("intents", set(INTENTS)),
    ):
        said = yaml.load((own / f"{name}.yaml").read_text(encoding="utf-8"), yaml.BaseLoader)
        assert keys - set(said) == set(), name


@pytest.mark.parametrize(
    "text",
    [
        "agujas planas, no redondas, dos líneas blancas debajo",
        "creo que las agujas son planas y no pinchan",
        "mi hijo se comió una baya",
    ],
)
def test_the_english_mind_knows_that_spanish_is_none_of_its_own(mind: Mind, text: str) -> None:
    understanding = understand(text, mind.knowledge, mind.lexicon)
    assert not understanding.spoken
    assert understanding.claims == ()


def test_the_spanish_mind_knows_that_english_is_none_of_its_own(spanish: Mind) -> None:
    assert not heard(spanish, "the needles are flat with two white lines under").spoken


@pytest.mark.parametrize("text", ["agujas de 2 a 3 cm", "quiero plantar un pino blanco en Michigan"])
def test_a_range_is_said_in_spanish(spanish: Mind, text: str) -> None:
    assert "to" not in words(Talks(spanish).say(text).reply.text)


def test_a_place_is_called_by_its_spanish_name(spanish: Mind) -> None:
    assert "Nueva York" in Talks(spanish).say("Nueva York").reply.text


def test_a_conversation_bears_the_language_of_its_mind(spanish: Mind) -> None:
    assert Talks(spanish).say("hola").conversation.language == "es"


def test_a_person_is_asked_and_answers_in_spanish(spanish: Mind, folders: tuple[Path, Path]) -> None:
    mind = replace(spanish, card=Card("el grupo Larkwater"))
    conversation, replies = Conversation(language="es"), []
    for text in (
        *("agujas planas", "quiero hablar con una persona", "¿se puede comer?"),
        "quiero hablar con una persona",
    ):
        turned = step(mind, conversation, Message(text, desk=Desk("el grupo Larkwater", 3), idle_hours=9))
        conversation = turned.conversation
        replies.append(turned.reply.text)
    for verdict in (Verdict("other", "pinus_strobus"), Verdict("unknowable", text="Hola."), Verdict("right", "picea")):
        conversation = (turned := told(mind, conversation, 1, verdict)).conversation
        replies += [turned.reply.text, step(mind, conversation, Message("¿estás seguro?")).reply.text]
    said = set[str]().union(*map(words, replies))
    assert said & ENGLISH == set()
    assert said - sayable(*folders) - words("el grupo Larkwater Hola") == set()


def test_a_crew_counts_labels_and_differs_in_spanish(spanish: Mind) -> None:
    conversation = Conversation(language="es")
    replies = []
    for reader, text in (
        *(
            ("uno", "empieza la caminata"),
            ("uno", "agujas planas"),
            ("dos", "agujas redondas"),
            ("uno", "12 más iguales"),
        ),
        *(("dos", "etiqueta 14"), ("dos", "3 muertos"), ("uno", "fin de la caminata")),
    ):
        turned = step(spanish, conversation, Message(text, reader, name=reader.title(), crew=True))
        conversation = turned.conversation
        replies.append(turned.reply.text)
    assert "No lo ven igual" in replies[2]
    assert [conversation.tree.count, conversation.tree.conditions, conversation.tree.tag] == [13, {"dead": 3}, "14"]
    assert "3 muertos" in replies[-1]
    assert words(" ".join(replies)) & ENGLISH == set()


def test_two_questions_at_once_are_put_and_answered_in_spanish(spanish: Mind, monkeypatch: pytest.MonkeyPatch) -> None:
    both = Step("character", "leaf_section", also="bands_below")
    monkeypatch.setattr("chatkey.dialog.turn.next_step", lambda *_: both)
    asked = step(spanish, Conversation(language="es"), Message("no sé", room=1000))
    assert asked.reply.text.endswith("Responde así: 1a 2b, o con tus palabras.")
    for text in ("1a 2b", "a y b", "plana, verde por debajo"):
        claims = step(spanish, asked.conversation, Message(text, room=1000)).conversation.tree.claims
        assert [claim.character for claim in claims] == ["leaf_section", "bands_below"], text
